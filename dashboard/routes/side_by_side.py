"""Side-by-side: its page, its JSON and its tables as CSV."""

from __future__ import annotations

from aiohttp import web
from multidict import MultiMapping

from dashboard import api
from dashboard.desk import DESK, PAGES, Desk, csv_of, framed, html
from dashboard.pages import side_by_side
from store.reader import Reader


async def look(desk: Desk, query: MultiMapping[str]) -> side_by_side.Findings:
    """What the page says just now. Raises BadQuery for a query that asks for no two lines."""
    asked, now_ns = side_by_side.asked_of(query, site=desk.site), desk.clock.unix_ns()

    def find(reader: Reader) -> side_by_side.Findings:
        return side_by_side.find(reader, site=desk.site, asked=asked, now_ns=now_ns)

    return await desk.found(("side by side", asked.old.name, asked.new.name, asked.days), find)


async def _find_side_by_side(request: web.Request) -> side_by_side.Findings:
    return await look(request.app[DESK], request.query)


async def _side_by_side_page(request: web.Request) -> side_by_side.SideBySidePage:
    found = await _find_side_by_side(request)
    json_url = side_by_side.url(found.asked, suffix=".json")
    frame = framed(request, title="Side-by-side", json_url=json_url, now_ns=found.now_ns)
    return side_by_side.page(found, frame=frame)


async def _side_by_side(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].side_by_side(await _side_by_side_page(request)))


async def _side_by_side_json(request: web.Request) -> web.StreamResponse:
    return api.answer(side_by_side.as_json(await _find_side_by_side(request)))


ROUTES = [
    web.get("/side-by-side.json", _side_by_side_json),
    web.get("/side-by-side.csv", csv_of(_side_by_side_page)),
    web.get("/side-by-side", _side_by_side),
]
