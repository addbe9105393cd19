"""Events: its page, its JSON and its tables as CSV."""

from __future__ import annotations

import asyncio

from aiohttp import web
from multidict import MultiMapping

from dashboard import api
from dashboard.desk import DESK, PAGES, Desk, csv_of, framed, html
from dashboard.pages import events
from store.reader import Reader


async def look(desk: Desk, query: MultiMapping[str]) -> events.Findings:
    """What the page says just now. Raises BadQuery, NotHere."""
    now_ns = desk.clock.unix_ns()
    asked = events.asked_of(query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> events.Findings:
        return events.find(reader, site=desk.site, asked=asked, now_ns=now_ns)

    return await desk.found(asked, find)


async def _find_events(request: web.Request) -> events.Findings:
    return await look(request.app[DESK], request.query)


async def _events_page(request: web.Request) -> events.EventsPage:
    found = await _find_events(request)
    json_url = events.url(found.asked.last, found.asked.handoff, path="/events.json")
    frame = framed(request, title="Events", json_url=json_url, now_ns=found.now_ns)
    return events.page(found, frame=frame)


async def _events(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].events(await _events_page(request)))


async def _events_json(request: web.Request) -> web.StreamResponse:
    return api.answer(events.as_json(await _find_events(request)))


async def _tables(request: web.Request) -> events.EventTables:
    return events.tables(await _find_events(request))


async def _figure(request: web.Request) -> web.StreamResponse:
    return api.answer_text(await asyncio.to_thread(events.figure, await _find_events(request)))


async def _parts(request: web.Request) -> web.StreamResponse:
    return api.answer_text(await asyncio.to_thread(events.parts_figure, await _find_events(request)))


ROUTES = [
    web.get("/events.json", _events_json),
    web.get("/events.csv", csv_of(_tables)),
    web.get("/events", _events),
    web.get("/figures/events.json", _figure),
    web.get("/figures/events/parts.json", _parts),
]
