"""The exclusions ledger, a page per handoff: its page, its JSON and its tables as CSV."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, handoff_of, html
from dashboard.pages import verdict_rules
from dashboard.slow import Asked, Page


async def _find_ledger(request: web.Request) -> verdict_rules.Findings:
    api.only(request.query)
    desk, handoff = request.app[DESK], handoff_of(request)

    found: verdict_rules.Findings = await desk.slow(request, Asked(page=Page.LEDGER, handoff=handoff.name))
    return found


async def _ledger_page(request: web.Request) -> verdict_rules.LedgerPage:
    found = await _find_ledger(request)
    name = found.handoff.name
    frame = framed(request, title=f"Ledger of {name}", json_url=verdict_rules.url(name), now_ns=found.now_ns)
    return verdict_rules.page(found, frame=frame)


async def _ledger(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].ledger(await _ledger_page(request)))


async def _ledger_json(request: web.Request) -> web.StreamResponse:
    return api.answer(verdict_rules.as_json(await _find_ledger(request)))


ROUTES = [
    web.get("/ledger/{handoff}.json", _ledger_json),
    web.get("/ledger/{handoff}.csv", csv_of(_ledger_page)),
    web.get("/ledger/{handoff}", _ledger),
]
