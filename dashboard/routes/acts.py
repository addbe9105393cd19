"""What a person may ask on a page: one address per act, by POST."""

from __future__ import annotations

from aiohttp import web

from dashboard import acts, api
from dashboard.desk import DESK


async def _act(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return await acts.do(request, site=request.app[DESK].site)


ROUTES = [
    web.post("/acts/{act}", _act),
]
