"""Site: its page, its JSON, and the forms that write the site file."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from urllib.parse import urlencode

from aiohttp import web

from dashboard import acts, api, site_file
from dashboard.access import Visitor
from dashboard.desk import DESK, PAGES, framed, html
from dashboard.forms import received
from dashboard.live import LIVE
from dashboard.pages import site as page
from dashboard.pages.site import Sent
from dashboard.site_file import Stale, Text
from store import door
from store import site as sites
from store.door import Act
from store.errors import NotRunning, SiteMistake, UserMistake
from store.site import Site

log = logging.getLogger(__name__)

_STALE = (
    "the file was changed after this form was made, so nothing was written. What you see now is the file "
    "as it is"
)
_WRITING = asyncio.Lock()


async def _site(request: web.Request) -> web.StreamResponse:
    api.only(request.query, "done", "table")
    held = await _held(request)
    said = page.SAID.get(request.query.get("done", ""), "")
    return _page(request, held, said=said, said_of=request.query.get("table", ""))


async def _site_json(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]
    return api.answer(page.as_json(await _held(request), desk.site, now_ns=desk.clock.unix_ns()))


async def _write(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]
    visitor, form = await received(request, page="Site")
    seen, where = form.pop("sha256", ""), form.pop("where", "")
    async with _WRITING:
        held = await _held(request)
        try:
            if held.sha256 != seen:
                raise Stale
            text = _changed(held, where, form)
            if text == held.text:
                return _to("read", where)
            made = await asyncio.to_thread(site_file.write, held, text, clock=desk.clock)
        except Stale:
            sent = Sent(where="", values={}, key="", why=_STALE)
            return _page(request, await _held(request), sent=sent, status=409)
        except SiteMistake as wrong:
            return _page(request, held, sent=_sent(where, form, wrong), status=422)
        except UserMistake as mistake:
            sent = Sent(where=where, values=form, key="", why=str(mistake))
            return _page(request, held, sent=sent, status=422)
        _follow(request, made)
    log.info("site file written table=%s%s", where, acts.by(visitor))
    return _to(await _told(request, visitor, f"the site file, table {where}, written and read again"), where)


async def _read_again(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    desk = request.app[DESK]
    visitor, form = await received(request, page="Site")
    if form:
        raise api.BadQuery("This form has no fields.")
    try:
        _follow(request, await asyncio.to_thread(sites.load, desk.site.file, clock=desk.clock))
    except UserMistake as mistake:
        raise api.Conflict(f"The pages go on by the site file as it was: {mistake}.") from None
    log.info("site file read again%s", acts.by(visitor))
    done = await _told(request, visitor, "the site file read again")
    return _to("read" if done == "alone" else done, "")


def _changed(held: Text, where: str, form: Mapping[str, str]) -> str:
    """The text that the form asks for. Raises UserMistake for a table or field that no form has."""
    kind, _, name = where.partition("/")
    if kind == "new" and name in page.NEW:
        own = {key: text for key, text in form.items() if not key.startswith("destination.")}
        below = {key.removeprefix("destination."): text for key, text in form.items() if key not in own}
        _known(own, page.NEW[name])
        _known(below, page.NEW_DESTINATION)
        return site_file.with_table(held, name, own, below=below if name == "plan" else None)
    place = page.where_of(where)
    keys = {
        ("handoff", "card"): site_file.CARD_FIELDS,
        ("plan",): site_file.PLAN_FIELDS,
        ("plan", "destination"): site_file.DESTINATION_FIELDS,
        ("window",): site_file.WINDOW_FIELDS,
    }.get(tuple(part for part in place if isinstance(part, str)))
    if keys is None:
        raise UserMistake(f"there is no form for {where!r}")
    _known(form, keys)
    return site_file.with_values(held, place, form)


def _known(form: Mapping[str, str], keys: tuple[str, ...]) -> None:
    for key in form:
        if key not in keys:
            raise UserMistake(f"{key}: this form has no such field")


def _sent(where: str, form: Mapping[str, str], wrong: SiteMistake) -> Sent:
    """The form that came, with the mistake at its field where the field is the form's."""
    table, _, key = wrong.key.rpartition(".")
    if where.startswith("new/"):
        key = f"destination.{key}" if ".destination" in table or table.endswith("destination") else key
    if key not in form:
        return Sent(where=where, values=form, key="", why=f"{wrong.key}: {wrong.why}")
    return Sent(where=where, values=form, key=key, why=wrong.why)


def _follow(request: web.Request, site: Site) -> None:
    """Show the pages by this site from now on."""
    desk = request.app[DESK]
    if site.database != desk.site.database:
        raise UserMistake("database: may not change while the pages are open; start them anew")
    desk.site = request.app[LIVE].site = site
    desk.past = desk.past.of(site)
    desk.kept.forget()
    desk.judged.follow(site, desk.past)


async def _told(request: web.Request, visitor: Visitor, what: str) -> str:
    """Have the probe read the file again: taken, refused, or alone where none runs."""
    database = request.app[DESK].site.database
    try:
        await door.ask(database, Act.RELOAD, {"what": what, "why": visitor.asked("Site")})
    except NotRunning:
        return "alone"
    except UserMistake as refused:
        log.warning("site file refused by the probe why=%s", refused)
        return "refused"
    return "taken"


async def _held(request: web.Request) -> Text:
    try:
        return await asyncio.to_thread(site_file.read, request.app[DESK].site.file)
    except UserMistake as mistake:
        raise api.NotNow(f"{mistake}.") from None


def _page(
    request: web.Request,
    held: Text,
    *,
    said: str = "",
    said_of: str = "",
    sent: Sent | None = None,
    status: int = 200,
) -> web.Response:
    desk = request.app[DESK]
    made = page.page(
        held,
        desk.site,
        frame=framed(request, title="Site", json_url="/site.json"),
        now_ns=desk.clock.unix_ns(),
        said=said,
        said_of=said_of,
        sent=sent,
    )
    response = html(request.app[PAGES].site(made))
    response.set_status(status)
    return response


def _to(done: str, where: str) -> web.Response:
    """To the page, which says at the form of the table what was done: there the browser stays."""
    query = urlencode({"done": done, **({"table": where} if where else {})}, safe="/")
    return web.Response(status=303, headers={"Location": f"/site?{query}"})


ROUTES = [
    web.get("/site.json", _site_json),
    web.get("/site", _site),
    web.post("/site", _write),
    web.post("/site/read", _read_again),
]
