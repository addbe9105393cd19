"""Shows: its page, its JSON and its tables as CSV."""

from __future__ import annotations

import asyncio

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, Desk, csv_of, framed, html
from dashboard.pages import shows
from store.reader import Reader


async def look(desk: Desk) -> shows.Findings:
    """What the page says just now."""

    def find(reader: Reader) -> shows.Findings:
        return shows.find(reader, site=desk.site, now_ns=desk.clock.unix_ns())

    return await desk.found("shows", find)


async def _find_shows(request: web.Request) -> shows.Findings:
    api.only(request.query)
    return await look(request.app[DESK])


async def _shows_page(request: web.Request) -> shows.ShowsPage:
    found = await _find_shows(request)
    frame = framed(request, title="Shows", json_url="/shows.json", now_ns=found.now_ns)
    return shows.page(found, frame=frame)


async def _shows(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].shows(await _shows_page(request)))


async def _shows_json(request: web.Request) -> web.StreamResponse:
    return api.answer(shows.as_json(await _find_shows(request)))


async def _figure(request: web.Request) -> web.StreamResponse:
    found, name = await _find_shows(request), request.match_info["plan"]
    text = await asyncio.to_thread(shows.figure, found, name)
    if text is None:
        raise api.NotHere(f"No stream plan called {name!r} had a show in the last month.")
    return api.answer_text(text)


ROUTES = [
    web.get("/shows.json", _shows_json),
    web.get("/shows.csv", csv_of(_shows_page)),
    web.get("/shows", _shows),
    web.get("/figures/shows/{plan}.json", _figure),
]
