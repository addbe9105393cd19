"""Today: its page, its JSON, its tables as CSV, its figures."""

from __future__ import annotations

import asyncio

from aiohttp import web

from dashboard import acts, api
from dashboard.access import visitor_of
from dashboard.desk import DESK, PAGES, Desk, csv_of, framed, html
from dashboard.pages import now, today
from store.reader import Reader


async def look(desk: Desk) -> today.Findings:
    """What the page says just now."""

    def find(reader: Reader) -> today.Findings:
        return today.find(reader, site=desk.site, now_ns=desk.clock.unix_ns())

    return await desk.found("today", find)


async def _find_today(request: web.Request) -> today.Findings:
    return await look(request.app[DESK])


async def _today_page(request: web.Request) -> today.TodayPage:
    api.only(request.query)
    found = await _find_today(request)
    frame = framed(request, title="Today", json_url="/today.json", now_ns=found.now_ns)
    desk = request.app[DESK]
    doing = now.part(
        await acts.status(desk.site),
        handoffs=tuple(handoff.name for handoff in desk.site.handoffs),
        visitor=visitor_of(request),
        where=found.zone,
    )
    return today.page(found, frame=frame, now=doing)


async def _today(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].today(await _today_page(request)))


async def _today_json(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    asked = await acts.status(request.app[DESK].site)
    return api.answer({**today.as_json(await _find_today(request)), "probe": asked.status})


async def _today_figure(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    found, name = await _find_today(request), request.match_info["plan"]
    text = await asyncio.to_thread(today.figure, found, name)
    if text is None:
        raise api.NotHere(f"No stream plan is called {name!r}.")
    return api.answer_text(text)


ROUTES = [
    web.get("/", _today),
    web.get("/today.json", _today_json),
    web.get("/today.csv", csv_of(_today_page)),
    web.get("/figures/today/{plan}.json", _today_figure),
]
