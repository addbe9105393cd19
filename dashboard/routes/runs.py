"""Runs that somebody starts or ends on a page. What fills the line is asked for once more, on its page."""

from __future__ import annotations

import logging
from typing import Any

from aiohttp import web

from dashboard import acceptance, acts, api, starting
from dashboard.desk import DESK, PAGES, framed, html
from dashboard.forms import received
from dashboard.pages.frame import ConfirmPage
from store import door
from store.door import Act
from store.errors import NotRunning, UserMistake
from store.reader import Reader

log = logging.getLogger(__name__)


async def _start(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]
    visitor, form = await received(request)
    try:
        start = starting.wanted(form, desk.site, now_ns=desk.clock.unix_ns())
    except UserMistake as mistake:
        raise api.BadQuery(f"Nothing was started: {mistake}.") from None
    if form["what"] == "row":
        await _safe(request, form["handoff"])
    if start.fills and form.get("confirmed") != "yes":
        page = ConfirmPage(
            frame=framed(request, title="Start it?"),
            what=start.what,
            lead=start.lead,
            cautions=start.cautions,
            action="/runs/start",
            fields=tuple(form.items()),
            back=start.back,
        )
        return html(request.app[PAGES].confirm(page))
    act, asked = start.asked
    asked |= {"confirmed": True, "why": visitor.asked(start.page)}
    answer = await _ask(request, act, asked, otherwise="Nothing was started")
    log.info("run asked for%s answer=%s", acts.by(visitor), door.said(answer))
    return web.Response(status=303, headers={"Location": "/#now"})


async def _end(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    visitor, form = await received(request)
    if form.keys() != {"handoff"}:
        raise api.BadQuery("Nothing was ended: this form has one field, handoff.")
    asked = {"handoff": form["handoff"], "why": visitor.asked("Today").replace("asked for", "ended")}
    answer = await _ask(request, Act.END, asked, otherwise="Nothing was ended")
    log.info("run ended handoff=%s%s answer=%s", form["handoff"], acts.by(visitor), door.said(answer))
    return web.Response(status=303, headers={"Location": "/#now"})


async def _safe(request: web.Request, name: str) -> None:
    """Refuse a row while a safety question is open. Raises NotNow."""
    desk = request.app[DESK]

    def find(reader: Reader) -> acceptance.Found:
        return acceptance.read(reader, desk.site, desk.site.handoff(name), now_unix_ns=desk.clock.unix_ns())

    found = await desk.reader.read(find)
    if any(one.holds for one in found.sheet.safety):
        raise api.NotNow(f"Nothing was started: {found.sheet.next_step}")


async def _ask(request: web.Request, act: Act, asked: dict[str, Any], *, otherwise: str) -> dict[str, Any]:
    try:
        return await door.ask(request.app[DESK].site.database, act, asked)
    except NotRunning as trouble:
        raise api.NotNow(f"{otherwise}: {trouble}.") from None
    except UserMistake as mistake:
        raise api.Conflict(f"{otherwise}: {str(mistake).removesuffix('.')}.") from None


ROUTES = [
    web.post("/runs/start", _start),
    web.post("/runs/end", _end),
]
