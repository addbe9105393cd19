"""Circuit, a page per handoff: its page, its JSON, its tables as CSV, its figures."""

from __future__ import annotations

import asyncio

from aiohttp import web

from dashboard import api
from dashboard.api import Period
from dashboard.desk import DESK, PAGES, Desk, csv_of, framed, handoff_of, html
from dashboard.judged import NotYet
from dashboard.pages import circuit
from dashboard.slow import Asked, Page
from store.reader import Reader
from store.site import Handoff


async def look(desk: Desk, handoff: Handoff, period: Period) -> circuit.Findings:
    """What the page says just now, without availability, which takes longer."""

    def find(reader: Reader) -> circuit.Findings:
        now_ns = desk.clock.unix_ns()
        return circuit.find(reader, site=desk.site, handoff=handoff, period=period, now_ns=now_ns)

    return await desk.found(("circuit", handoff.name, period), find)


async def _find_circuit(request: web.Request, *others: str, patient: bool = False) -> circuit.Findings:
    """The findings; whoever is `patient` waits for what availability comes to, where it is being judged."""
    desk, handoff = request.app[DESK], handoff_of(request)
    found = await look(desk, handoff, api.period_of(request.query, *others))
    so_far, patience_s = Asked(page=Page.SO_FAR, handoff=handoff.name), None if patient else 0.0
    try:
        available = await desk.judged.found(so_far, patience_s=patience_s)
    except NotYet:
        return circuit.with_available(found, None, waits=True)
    return circuit.with_available(found, available)


async def _circuit_page(request: web.Request) -> circuit.CircuitPage:
    found = await _find_circuit(request)
    json_url = f"{request.rel_url.raw_path}.json?period={found.period}"
    title = f"Circuit {found.handoff.name}"
    frame = framed(request, title=title, json_url=json_url, now_ns=found.stretch.to_ns)
    return circuit.page(found, frame=frame)


async def _circuit(request: web.Request) -> web.StreamResponse:
    return html(request.app[PAGES].circuit(await _circuit_page(request)))


async def _circuit_json(request: web.Request) -> web.StreamResponse:
    return api.answer(circuit.as_json(await _find_circuit(request, patient=True)))


async def _circuit_figure(request: web.Request) -> web.StreamResponse:
    found = await _find_circuit(request, "endpoint")
    name, endpoint = request.match_info["figure"], request.query.get("endpoint")
    text = await asyncio.to_thread(circuit.figure, found, name, endpoint)
    if text is None:
        figures = ", ".join(circuit.FIGURES)
        raise api.NotHere(f"Nothing is drawn under this address. The figures are: {figures}.")
    return api.answer_text(text)


ROUTES = [
    web.get("/circuit/{handoff}.json", _circuit_json),
    web.get("/circuit/{handoff}.csv", csv_of(_circuit_page)),
    web.get("/circuit/{handoff}", _circuit),
    web.get("/figures/circuit/{handoff}/{figure}.json", _circuit_figure),
]
