"""Papers: their page and its JSON, every paper in every form, a statement issued, a pack made.

A paper is a page of its own, with its style within it, and needs nothing of the dashboard's.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import logging
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from aiohttp import web

from dashboard import (
    acceptance,
    acts,
    api,
    forms,
    over_time,
    planned,
    show_reports,
    statements,
    text_shows,
    text_uploads,
)
from dashboard.desk import DESK, PAGES, framed, html
from dashboard.pages import papers as pages
from dashboard.papers import acceptance as acceptance_paper
from dashboard.papers import files, making, packs, redaction, sheets, shows
from dashboard.papers import statement as statement_paper
from dashboard.papers.files import ENDINGS, Texts
from dashboard.papers.packs import PACKS
from dashboard.papers.pdf import NoPdf
from store.clock import zone
from store.errors import UserMistake
from store.papers import STATEMENT, IssuedPaper
from store.reader import Reader
from store.receipts import Receipt
from store.site import Handoff, Site, StreamPlan

log = logging.getLogger(__name__)

_TYPES = {".html": "text/html", ".pdf": "application/pdf", ".csv": "text/csv", ".json": "application/json"}
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


async def _find_papers(request: web.Request) -> pages.Findings:
    api.only(request.query)
    desk = request.app[DESK]

    def find(reader: Reader) -> tuple[list[IssuedPaper], list[Receipt]]:
        issued = [replace(one, html=None, figures=None, tables=None) for one in reader.documents(IssuedPaper)]
        return issued, reader.documents(Receipt, limit=pages.MOST_RECEIPTS)

    issued, receipts = await desk.reader.read(find)
    jobs, now_ns = request.app[PACKS].jobs, desk.clock.unix_ns()
    return pages.find(desk.site, issued, jobs, receipts=receipts, now_ns=now_ns)


async def _papers(request: web.Request) -> web.StreamResponse:
    found = await _find_papers(request)
    frame = framed(request, title="Papers", json_url="/papers.json", now_ns=found.now_ns)
    return html(request.app[PAGES].papers(pages.page(found, frame=frame)))


async def _papers_json(request: web.Request) -> web.StreamResponse:
    return api.answer(pages.as_json(await _find_papers(request)))


async def _paper(request: web.Request) -> web.StreamResponse:
    """One paper in one form."""
    desk, query = request.app[DESK], request.query
    api.only(query, "form", "month", "version")
    what, name = request.match_info["what"], request.match_info["name"]
    ending = f".{query.get('form', 'html')}"
    if ending not in ENDINGS:
        words = ", ".join(one[1:] for one in ENDINGS)
        raise api.BadQuery(f"The parameter form cannot be {ending[1:]!r}; it is one of: {words}.")
    if what == "issued":
        made = await desk.reader.read(lambda reader: _issued(reader, name, query))
    elif what in _DRAFTS:
        now_ns, draft = desk.clock.unix_ns(), _DRAFTS[what]
        made = await desk.reader.read(lambda reader: draft(reader, desk.site, name, query, now_ns))
    else:
        raise api.NotHere(f"No paper is called {what!r}. There are: issued, {', '.join(_DRAFTS)}.")
    return await _sent(made, ending, name=f"{what}-{name}")


async def _sent(made: Texts, ending: str, *, name: str) -> web.Response:
    """A form of a paper; what a browser does not show by itself comes as a file."""
    try:
        body = await asyncio.to_thread(files.octets, made, ending)
    except NoPdf as missing:
        raise api.NotNow(f"{missing}.") from None
    response = web.Response(
        body=body, content_type=_TYPES[ending], charset=None if ending == ".pdf" else "utf-8"
    )
    if ending == ".html":
        style = _STYLE.search(made.html)
        digest = hashlib.sha256((style[1] if style else "").encode()).digest()
        response.headers["Content-Security-Policy"] = (
            f"default-src 'none'; style-src 'sha256-{base64.b64encode(digest).decode()}'; base-uri 'none'; "
            "form-action 'none'; frame-ancestors 'none'"
        )
    else:
        safe = re.sub(r"[^\w.-]", "-", name)
        response.headers["Content-Disposition"] = f'attachment; filename="{safe}{ending}"'
    return response


async def _pack(request: web.Request) -> web.StreamResponse:
    """The zip of a pack that was made."""
    api.only(request.query)
    number = request.match_info["number"]
    for job in request.app[PACKS].jobs:
        if str(job.number) == number and job.made is not None and not job.gone:
            name = re.sub(r"[^\w.-]", "-", job.made.zip.name)
            return web.FileResponse(
                job.made.zip, headers={"Content-Disposition": f'attachment; filename="{name}"'}
            )
    raise api.NotHere("That pack is not here; the dashboard keeps the last few until it ends. Make it again.")


async def _make_pack(request: web.Request) -> web.StreamResponse:
    """Begin a pack and lead back to the page."""
    desk, made = request.app[DESK], request.app[PACKS]
    api.only(request.query)
    visitor, form = await forms.received(request, page="Papers")
    _fields(form, "handoff", "first", "last", "question", "hide")
    if made.busy:
        raise api.NotNow("A pack is being made already; open Papers again when it is done.")
    now_ns = desk.clock.unix_ns()
    handoff = _handoff(desk.site, form.get("handoff", ""))
    first, last = (_day(form, name) for name in ("first", "last"))
    try:
        asked = making.asked_of(desk.site, handoff, first, last, form.get("question") or None, now_ns=now_ns)
    except UserMistake as mistake:
        raise api.BadQuery(f"No pack was made: {mistake}.") from None
    words = [word.strip() for word in form.get("hide", "").split(",")]
    withheld = redaction.redaction_of(desk.site, on=True, hide=words)
    job = made.begin(asked, withheld, now_ns=now_ns)
    log.info("pack begun number=%s handoff=%s%s", job.number, handoff.name, acts.by(visitor))
    return web.Response(status=303, headers={"Location": "/papers#packs"})


async def _issue(request: web.Request) -> web.StreamResponse:
    """Issue a month's statement through the probe, which alone writes the record."""
    desk = request.app[DESK]
    api.only(request.query)
    visitor, form = await forms.received(request, page="Papers")
    _fields(form, "handoff", "month")
    now_ns, handoff = desk.clock.unix_ns(), _handoff(desk.site, form.get("handoff", ""))
    month = _month(form.get("month", ""))

    def find(reader: Reader) -> tuple[IssuedPaper, bool]:
        found = statements.find(reader, desk.site, handoff, day=month, now_ns=now_ns)
        made = statement_paper.read(reader, desk.site, handoff, found)
        if not found.over:
            raise api.BadQuery(f"{made.number} is not over yet, so it was not issued.")
        return statement_paper.issue(reader, made, desk.site, now_ns=now_ns)

    issued, again = await desk.reader.read(find)
    if not again:
        trouble = await packs.keep(desk.site, issued)
        if trouble:
            raise api.NotNow(trouble)
        log.info("statement issued number=%s%s", issued.called, acts.by(visitor))
    return web.Response(status=303, headers={"Location": "/papers"})


def _issued(reader: Reader, name: str, query: Mapping[str, str]) -> Texts:
    known = [one for one in reader.documents(IssuedPaper) if one.paper == STATEMENT and one.number == name]
    for one in known:
        if str(one.version) == query.get("version", str(known[-1].version)):
            return statement_paper.frozen(one)
    raise api.NotHere(f"No paper {name!r} of that version is on record.")


def _statement(reader: Reader, site: Site, name: str, query: Mapping[str, str], now_ns: int) -> Texts:
    handoff = _handoff(site, name)
    found = statements.find(reader, site, handoff, day=_month(query.get("month", "")), now_ns=now_ns)
    made = statement_paper.read(reader, site, handoff, found)
    draft = statement_paper.paper(made, site, zone(site.timezone), version=None, changed=())
    return files.texts(draft, statement_paper.figures(made))


def _acceptance(reader: Reader, site: Site, name: str, _: Mapping[str, str], now_ns: int) -> Texts:
    found = acceptance.read(reader, site, _handoff(site, name), now_unix_ns=now_ns)
    made = acceptance_paper.paper(found, site, zone(site.timezone), now_ns=now_ns)
    return files.texts(made, acceptance.as_json(found, site, now_unix_ns=now_ns))


def _renewal(reader: Reader, site: Site, name: str, _: Mapping[str, str], now_ns: int) -> Texts:
    found = over_time.renewal_of(reader, site, _handoff(site, name), now_ns=now_ns)
    made = sheets.renewal(site, found, zone(site.timezone), now_ns=now_ns)
    return files.texts(made, over_time.renewal_json(found))


def _day_sheet(reader: Reader, site: Site, name: str, _: Mapping[str, str], now_ns: int) -> Texts:
    found = planned.of_plan(reader, site, _plan(site, name), now_ns=now_ns)
    made = shows.day_sheet(site, found, now_ns=now_ns)
    return files.texts(made, planned.as_json(found))


def _show_report(reader: Reader, site: Site, name: str, _: Mapping[str, str], now_ns: int) -> Texts:
    plan = _plan(site, name)
    found = show_reports.last(reader, site, plan, now_ns=now_ns)
    if found is None:
        raise api.NotHere(f"Plan {name} had no show in the last two months.")
    return files.texts(shows.report(site, plan, found, now_ns=now_ns), text_shows.report_json(found))


def _receipt(reader: Reader, site: Site, name: str, _: Mapping[str, str], now_ns: int) -> Texts:
    for one in reader.documents(Receipt):
        if str(one.started_unix_ns) == name:
            made = sheets.receipt(site, one, zone(site.timezone), now_ns=now_ns)
            return files.texts(made, text_uploads.receipt_json(one))
    raise api.NotHere("No such upload receipt is on record; Papers leads to those that are.")


_DRAFTS = {
    "statement": _statement,
    "acceptance": _acceptance,
    "renewal": _renewal,
    "day-sheet": _day_sheet,
    "show-report": _show_report,
    "receipt": _receipt,
}


def _plan(site: Site, name: str) -> StreamPlan:
    plans = {plan.name: plan for plan in site.plans}
    if name not in plans:
        raise api.NotHere(f"No stream plan is called {name!r}. This site has: {', '.join(plans)}.")
    return plans[name]


def _handoff(site: Site, name: str) -> Handoff:
    known = [one.name for one in site.handoffs]
    if name not in known:
        raise api.NotHere(f"No handoff is called {name!r}. This site has: {', '.join(known)}.")
    return site.handoff(name)


def _month(text: str) -> date:
    try:
        found = datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month of the site's own calendar
    except ValueError:
        raise api.BadQuery(f"The month cannot be {text!r}; it is one such as 2026-11.") from None
    if not 2000 <= found.year < 2200:
        raise api.BadQuery(f"The month cannot be {text!r}; it is one from 2000-01 to 2199-12.")
    return found


def _day(form: Mapping[str, str], name: str) -> date | None:
    text = form.get(name, "")
    try:
        found = date.fromisoformat(text) if text else None
    except ValueError:
        raise api.BadQuery(f"The field {name} cannot be {text!r}; it is a date such as 2026-11-25.") from None
    if found is not None and not 2000 <= found.year < 2200:
        raise api.BadQuery(
            f"The field {name} cannot be {text!r}; it is a date from 2000-01-01 to 2199-12-31."
        )
    return found


def _fields(form: Mapping[str, Any], *known: str) -> None:
    for name in form:
        if name not in known:
            raise api.BadQuery(f"This form has no field {name!r}.")


ROUTES = [
    web.get("/papers", _papers),
    web.get("/papers.json", _papers_json),
    web.post("/papers/pack", _make_pack),
    web.post("/papers/issue", _issue),
    web.get("/paper/pack/{number}", _pack),
    web.get("/paper/{what}/{name}", _paper),
]
