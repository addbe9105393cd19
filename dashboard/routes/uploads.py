"""Uploads: its page, its JSON and its tables as CSV."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, html
from dashboard.pages import uploads
from store.reader import Reader


async def _find_uploads(request: web.Request) -> uploads.Findings:
    desk = request.app[DESK]
    now_ns = desk.clock.unix_ns()
    question = uploads.question_of(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> uploads.Findings:
        return uploads.find(reader, site=desk.site, question=question, now_ns=now_ns)

    return await desk.found(("uploads", question.written), find)


async def _uploads_page(request: web.Request) -> uploads.UploadsPage:
    found = await _find_uploads(request)
    json_url = f"/uploads.json?{request.query_string}" if request.query_string else "/uploads.json"
    frame = framed(request, title="Uploads", json_url=json_url, now_ns=found.now_ns)
    return uploads.page(found, frame=frame)


async def _uploads(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].uploads(await _uploads_page(request)))


async def _uploads_json(request: web.Request) -> web.StreamResponse:
    return api.answer(uploads.as_json(await _find_uploads(request)))


ROUTES = [
    web.get("/uploads.json", _uploads_json),
    web.get("/uploads.csv", csv_of(_uploads_page)),
    web.get("/uploads", _uploads),
]
