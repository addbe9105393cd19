"""What programs may rely on: the description of every JSON address, as an OpenAPI document."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK
from dashboard.interface import openapi


async def _openapi(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return api.answer(openapi.document(request.app[DESK].site))


ROUTES = [web.get("/openapi.json", _openapi)]
