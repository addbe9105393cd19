"""Method: its page and its JSON."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import PAGES, framed, html
from dashboard.pages import method


async def _method(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    frame = framed(request, title="Method", json_url=f"{method.URL}.json")
    return html(request.app[PAGES].method(method.page(frame=frame)))


async def _method_json(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return api.answer(method.as_json())


ROUTES = [
    web.get("/method.json", _method_json),
    web.get("/method", _method),
]
