"""Acceptance, a page per handoff: its page, its JSON and its tables as CSV."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, handoff_of, html
from dashboard.pages import acceptance
from dashboard.slow import Asked, Page


async def _find_acceptance(request: web.Request) -> acceptance.Findings:
    api.only(request.query)
    desk, handoff = request.app[DESK], handoff_of(request)

    asked = Asked(page=Page.ACCEPTANCE, handoff=handoff.name)
    found: acceptance.Findings = await desk.slow(request, asked)
    return found


async def _acceptance_page(request: web.Request) -> acceptance.AcceptancePage:
    found = await _find_acceptance(request)
    name = found.found.handoff.name
    title = f"Acceptance of {name}"
    frame = framed(request, title=title, json_url=acceptance.url(name), now_ns=found.now_ns)
    return acceptance.page(found, frame=frame)


async def _acceptance(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].acceptance(await _acceptance_page(request)))


async def _acceptance_json(request: web.Request) -> web.StreamResponse:
    return api.answer(acceptance.as_json(await _find_acceptance(request)))


ROUTES = [
    web.get("/acceptance/{handoff}.json", _acceptance_json),
    web.get("/acceptance/{handoff}.csv", csv_of(_acceptance_page)),
    web.get("/acceptance/{handoff}", _acceptance),
]
