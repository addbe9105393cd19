"""Evenings, a page per handoff: its page, its JSON, its tables as CSV, its figures."""

from __future__ import annotations

import asyncio

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, handoff_of, html
from dashboard.pages import evenings, term, week_parts
from store.reader import Reader


async def _find_evenings(request: web.Request) -> evenings.Findings:
    desk, handoff = request.app[DESK], handoff_of(request)
    now_ns = desk.clock.unix_ns()
    month = term.month_of(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> evenings.Findings:
        return evenings.find(reader, site=desk.site, handoff=handoff, month=month, now_ns=now_ns)

    return await desk.found(("evenings", handoff.name, month), find)


async def _evenings_page(request: web.Request) -> evenings.EveningsPage:
    found = await _find_evenings(request)
    name = found.handoff.name
    json_url = evenings.url(name, found.month, suffix=".json")
    frame = framed(request, title=f"Evenings on {name}", json_url=json_url, now_ns=found.now_ns)
    return evenings.page(found, frame=frame)


async def _evenings(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].evenings(await _evenings_page(request)))


async def _evenings_json(request: web.Request) -> web.StreamResponse:
    return api.answer(evenings.as_json(await _find_evenings(request)))


async def _figure(request: web.Request) -> web.StreamResponse:
    found, name = await _find_evenings(request), request.match_info["figure"]
    text = await asyncio.to_thread(evenings.figure, found, name)
    if text is None:
        raise api.NotHere(
            f"Nothing is drawn under this address. The figures are: {', '.join(week_parts.FIGURES)}."
        )
    return api.answer_text(text)


ROUTES = [
    web.get("/evenings/{handoff}.json", _evenings_json),
    web.get("/evenings/{handoff}.csv", csv_of(_evenings_page)),
    web.get("/evenings/{handoff}", _evenings),
    web.get("/figures/evenings/{handoff}/{figure}.json", _figure),
]
