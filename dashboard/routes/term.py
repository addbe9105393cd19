"""Term, a page per handoff: its page, its JSON and its tables as CSV."""

from __future__ import annotations

import asyncio

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, handoff_of, html
from dashboard.pages import term
from dashboard.slow import Asked, Page


async def _find_term(request: web.Request) -> term.Findings:
    desk, handoff = request.app[DESK], handoff_of(request)
    now_ns = desk.clock.unix_ns()
    month = term.month_of(request.query, site=desk.site, now_ns=now_ns)

    found: term.Findings = await desk.slow(request, Asked(page=Page.TERM, handoff=handoff.name, day=month))
    return found


async def _term_page(request: web.Request) -> term.TermPage:
    found = await _find_term(request)
    name, month = found.statement.handoff.name, found.statement.month.first_day
    frame = framed(
        request, title=f"Term {name}", json_url=term.url(name, month, suffix=".json"), now_ns=found.now_ns
    )
    return term.page(found, frame=frame)


async def _term(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].term(await _term_page(request)))


async def _term_json(request: web.Request) -> web.StreamResponse:
    return api.answer(term.as_json(await _find_term(request)))


async def _calendar(request: web.Request) -> web.StreamResponse:
    found = await _find_term(request)
    text = await asyncio.to_thread(term.figure, found, request.match_info["part"])
    if text is None:
        raise api.NotHere("This month has no part that begins then.")
    return api.answer_text(text)


ROUTES = [
    web.get("/term/{handoff}.json", _term_json),
    web.get("/term/{handoff}.csv", csv_of(_term_page)),
    web.get("/term/{handoff}", _term),
    web.get("/figures/term/{handoff}/{part}.json", _calendar),
]
