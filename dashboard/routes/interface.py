"""What programs may rely on: every JSON address described, the site's state as metrics, its calendar."""

from __future__ import annotations

import asyncio
from functools import cache
from importlib.metadata import PackageNotFoundError, version

from aiohttp import web

from dashboard import acts, api
from dashboard.desk import DESK
from dashboard.interface import calendar_feed, exposition, metrics, openapi
from dashboard.pages import today
from dashboard.slow import Asked, Page
from store.reader import Reader


async def _openapi(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return api.answer(openapi.document(request.app[DESK].site))


async def _metrics(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]

    def find(reader: Reader) -> tuple[metrics.Findings, str]:
        def made() -> metrics.Findings:
            found = desk.kept.get(
                "today", lambda: today.find(reader, site=desk.site, now_ns=desk.clock.unix_ns())
            )
            return metrics.find(reader, found)

        return desk.kept.get("metrics", made), _version()

    found, release = await desk.reader.read(find)
    asked = await acts.status(desk.site)
    text = exposition.text(metrics.families(found, asked.status, version=release))
    return web.Response(body=text.encode(), headers={"Content-Type": exposition.CONTENT_TYPE})


async def _calendar(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]

    asked = Asked(page=Page.CALENDAR, handoff=desk.site.handoffs[0].name)
    entries: tuple[calendar_feed.Entry, ...] = await desk.slow(request, asked)
    now_ns, site = desk.clock.unix_ns(), desk.site
    body = await asyncio.to_thread(lambda: calendar_feed.text(entries, site=site, now_ns=now_ns))
    return web.Response(body=body, content_type=calendar_feed.CONTENT_TYPE, charset="utf-8")


@cache
def _version() -> str:
    try:
        return version("linebook")
    except PackageNotFoundError:
        return "not installed"


ROUTES = [
    web.get("/openapi.json", _openapi),
    web.get("/metrics", _metrics),
    web.get("/calendar.ics", _calendar),
]
