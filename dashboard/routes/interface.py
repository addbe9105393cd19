"""What programs may rely on: the description of every JSON address, and the state of the site as metrics."""

from __future__ import annotations

from functools import cache
from importlib.metadata import PackageNotFoundError, version

from aiohttp import web

from dashboard import acts, api
from dashboard.desk import DESK
from dashboard.interface import exposition, metrics, openapi
from dashboard.pages import today
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


@cache
def _version() -> str:
    try:
        return version("linebook")
    except PackageNotFoundError:
        return "not installed"


ROUTES = [
    web.get("/openapi.json", _openapi),
    web.get("/metrics", _metrics),
]
