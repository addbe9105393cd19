"""Allowance and schedule: its page and its JSON."""

from __future__ import annotations

from typing import Any

from aiohttp import web

from dashboard import acts, api
from dashboard.desk import DESK, PAGES, csv_of, framed, html
from dashboard.pages import schedule
from store import door
from store.door import Act
from store.errors import LinebookError
from store.reader import Reader


async def _find(request: web.Request) -> schedule.Findings:
    api.only(request.query)
    desk = request.app[DESK]
    now_ns = desk.clock.unix_ns()

    def find(reader: Reader) -> Any:
        return schedule.find(reader, site=desk.site, now_ns=now_ns)

    used = await desk.found("schedule", find)
    asked = await acts.status(desk.site)
    return schedule.Findings(
        site=desk.site,
        now_ns=now_ns,
        used=used,
        asked=asked,
        costs=await _costs(request, asked.status is not None),
    )


async def _costs(request: web.Request, answers: bool) -> dict[str, Any] | None:
    """The month as the probe counts it; None where it does not answer, as an older one would not."""
    if not answers:
        return None
    try:
        return await door.ask(request.app[DESK].site.database, Act.BUDGET, within_s=acts.STATUS_WITHIN_S)
    except LinebookError:
        return None


async def _page(request: web.Request) -> schedule.SchedulePage:
    found = await _find(request)
    frame = framed(request, title="Allowance and schedule", json_url="/allowance.json", now_ns=found.now_ns)
    return schedule.page(found, frame=frame)


async def _schedule(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].schedule(await _page(request)))


async def _schedule_json(request: web.Request) -> web.StreamResponse:
    return api.answer(schedule.as_json(await _find(request)))


ROUTES = [
    web.get("/allowance.json", _schedule_json),
    web.get("/allowance.csv", csv_of(_page)),
    web.get("/allowance", _schedule),
]
