"""Findings, a page per handoff: its page, its JSON and its tables as CSV."""

from __future__ import annotations

from aiohttp import web

from dashboard import api
from dashboard.desk import DESK, PAGES, csv_of, framed, handoff_of, html
from dashboard.pages import findings
from dashboard.slow import Asked, Page


async def _find_findings(request: web.Request) -> findings.Findings:
    desk, handoff = request.app[DESK], handoff_of(request)
    now_ns = desk.clock.unix_ns()
    last = findings.last_day(request.query, site=desk.site, now_ns=now_ns)

    asked = Asked(page=Page.FINDINGS, handoff=handoff.name, day=last)
    found: findings.Findings = await desk.slow(request, asked)
    return found


async def _findings_page(request: web.Request) -> findings.FindingsPage:
    found = await _find_findings(request)
    name = found.handoff.name
    json_url = findings.url(name, found.last, suffix=".json")
    frame = framed(request, title=f"Findings on {name}", json_url=json_url, now_ns=found.now_ns)
    return findings.page(found, frame=frame)


async def _findings(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].findings(await _findings_page(request)))


async def _findings_json(request: web.Request) -> web.StreamResponse:
    return api.answer(findings.as_json(await _find_findings(request)))


ROUTES = [
    web.get("/findings/{handoff}.json", _findings_json),
    web.get("/findings/{handoff}.csv", csv_of(_findings_page)),
    web.get("/findings/{handoff}", _findings),
]
