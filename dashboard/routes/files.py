"""Static files, each under an address that holds its digest, so that a browser may keep it for ever."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.assets import KEPT
from dashboard.desk import ASSETS


async def _static(request: web.Request) -> web.StreamResponse:
    asset = request.app[ASSETS].get(request.match_info["name"])
    if asset is None or asset.digest != request.match_info["digest"]:
        raise api.NotHere("That file is not here under this address; reload the page that asked for it.")
    return web.FileResponse(
        asset.path, headers={"Cache-Control": KEPT, "Content-Type": f"{asset.content_type}; charset=utf-8"}
    )


ROUTES = [web.get("/static/{digest}/{name}", _static)]
