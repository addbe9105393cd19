"""What the probe does now, as a stream of events for an open page."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.live import LIVE


async def _events(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return await request.app[LIVE].stream(request)


ROUTES = [web.get("/now/events", _events, allow_head=False)]
