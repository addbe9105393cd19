"""The dashboard as a web application: routes, headers, lifetimes.

Reads the record and never writes it; what somebody asks of the running probe goes through that probe's
own door (acts). Listens on this machine's loopback only, answers only to its own names (so
that a page elsewhere cannot reach it through a name it controls), loads nothing from any other
host, sets no cookie. Everything slow, reading and judging, runs in the reader's thread.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import logging
import secrets
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass
from http import HTTPStatus

from aiohttp import web

from dashboard import acts, api
from dashboard.assets import KEPT, Asset, find_assets
from dashboard.kept import Kept
from dashboard.pages import (
    acceptance,
    circuit,
    events,
    findings,
    now,
    shows,
    side_by_side,
    term,
    today,
    uploads,
)
from dashboard.pages.frame import Frame, Pages, frame_of, load_pages
from store.clock import Clock, zone
from store.errors import LinebookError, UserMistake
from store.reader import Reader, ReaderThread
from store.site import Handoff, Site

log = logging.getLogger(__name__)

DEFAULT_PORT = 8470
_PORTS_TRIED = 20  # with so many neighbours taken, somebody should say which one they want
_SHUTDOWN_S = 1.0  # requests under way get this long; the whole end stays under 2 s

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",  # pages elsewhere may not embed the JSON either
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What every handler works with."""

    site: Site
    reader: ReaderThread
    clock: Clock
    kept: Kept
    past: term.Past
    allowed_hosts: frozenset[str]
    token: str  # stands in every form of this start


DESK = web.AppKey("DESK", Desk)
ASSETS = web.AppKey("ASSETS", Mapping[str, Asset])
PAGES = web.AppKey("PAGES", Pages)


def make_app(
    *, site: Site, reader: ReaderThread, clock: Clock, allowed_hosts: frozenset[str]
) -> web.Application:
    """The application. It closes `reader` when it ends; `allowed_hosts` are Host headers, with port."""
    app = web.Application(middlewares=[_errors, _own_name])
    app[DESK] = Desk(
        site=site,
        reader=reader,
        clock=clock,
        kept=Kept(clock),
        past=term.Past(),
        allowed_hosts=allowed_hosts,
        token=secrets.token_urlsafe(),
    )
    app.on_response_prepare.append(_headers)
    app.cleanup_ctx.append(_files)
    app.cleanup_ctx.append(_reading)
    app.add_routes(
        [
            web.get("/", _today),
            web.get("/today.json", _today_json),
            web.get("/circuit/{handoff}.json", _circuit_json),
            web.get("/circuit/{handoff}", _circuit),
            web.get("/side-by-side.json", _side_by_side_json),
            web.get("/side-by-side", _side_by_side),
            web.get("/term/{handoff}.json", _term_json),
            web.get("/term/{handoff}", _term),
            web.get("/acceptance/{handoff}.json", _acceptance_json),
            web.get("/acceptance/{handoff}", _acceptance),
            web.get("/findings/{handoff}.json", _findings_json),
            web.get("/findings/{handoff}", _findings),
            web.get("/uploads.json", _uploads_json),
            web.get("/uploads", _uploads),
            web.get("/shows.json", _shows_json),
            web.get("/shows", _shows),
            web.get("/events.json", _events_json),
            web.get("/events", _events),
            web.get("/figures/today/{plan}.json", _today_figure),
            web.get("/figures/circuit/{handoff}/{figure}.json", _circuit_figure),
            web.get("/static/{digest}/{name}", _static),
            web.post("/acts/{act}", _act),
        ]
    )
    return app


async def serve(
    site: Site, *, host: str, port: int | None, clock: Clock, ready: Callable[[str], None]
) -> None:
    """Serve until cancelled; `ready` is called with the address of Today once it answers.

    With `port` None the default port or the next free one. Raises UserMistake for a host that is
    not this machine's loopback, for a port that is taken and for a database that this version cannot
    read. One that is missing is said on the pages, so that the dashboard may start before the probe.
    """
    reader = ReaderThread(site.database)
    if await asyncio.to_thread(site.database.exists):
        await reader.read(Reader.newest_ns)
    listening = _listen(_loopback(host), port)
    shown, number = listening.getsockname()[:2]
    names = {f"{name}:{number}" for name in ("127.0.0.1", "localhost", "[::1]", _in_url(shown))}
    app = make_app(site=site, reader=reader, clock=clock, allowed_hosts=frozenset(names))
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=_SHUTDOWN_S)
    try:
        await runner.setup()
        await web.SockSite(runner, listening).start()
        ready(f"http://{_in_url(shown)}:{number}/")
        await asyncio.Event().wait()
    finally:
        await runner.cleanup()
        listening.close()


def _loopback(host: str) -> str:
    """The loopback address that `host` means."""
    if host == "localhost":
        return "127.0.0.1"
    try:
        if ipaddress.ip_address(host).is_loopback:
            return host
    except ValueError:
        raise UserMistake(f"--host {host}: not an address; say 127.0.0.1, ::1 or localhost") from None
    raise UserMistake(
        f"--host {host}: the dashboard listens on this machine only, because beyond it a login is needed, "
        "which this version does not have; reach it from elsewhere through an SSH tunnel"
    )


def _in_url(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def _listen(address: str, port: int | None) -> socket.socket:
    """A listening socket at `port`, or at the first free one from the default on."""
    ports = range(DEFAULT_PORT, DEFAULT_PORT + _PORTS_TRIED) if port is None else range(port, port + 1)
    for number in ports:
        try:
            return socket.create_server(
                (address, number), family=socket.AF_INET6 if ":" in address else socket.AF_INET
            )
        except OSError as trouble:
            if trouble.errno == errno.EADDRINUSE:
                continue
            raise UserMistake(f"--port {number}: cannot listen on {address}: {trouble.strerror}") from None
    if port is None:
        raise UserMistake(
            f"ports {ports[0]} to {ports[-1]} are all taken on {address}; name a free one with --port"
        )
    raise UserMistake(f"--port {port}: another program listens there already; choose another port")


async def _files(app: web.Application) -> AsyncIterator[None]:
    """Static files hashed and templates compiled before the first request, off the event loop."""
    await asyncio.to_thread(zone, app[DESK].site.timezone)  # its first use reads a file
    app[ASSETS] = await asyncio.to_thread(find_assets)
    app[PAGES] = await asyncio.to_thread(load_pages, app[ASSETS])
    yield


async def _reading(app: web.Application) -> AsyncIterator[None]:
    yield
    await app[DESK].reader.close()


async def _headers(request: web.Request, response: web.StreamResponse) -> None:
    """The headers of every response, errors and files included."""
    response.headers.update(HEADERS)
    response.headers.pop("Server", None)
    response.headers.setdefault("Cache-Control", "no-store")


@web.middleware
async def _errors(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Every failure becomes a page or a JSON object of one shape; none shows a traceback."""
    try:
        return await handler(request)
    except web.HTTPException as refusal:
        return _error(request, refusal.status, _why(request, refusal), allow=refusal.headers.get("Allow"))
    except LinebookError as trouble:
        log.warning("cannot answer path=%s why=%s", request.path, trouble)
        return _error(request, 503, f"The record cannot be read just now: {trouble}.")
    except Exception:
        log.exception("mistake of the dashboard path=%s", request.path)
        return _error(
            request,
            500,
            "The dashboard made a mistake of its own; its log says which. The record is unharmed.",
        )


def _why(request: web.Request, refusal: web.HTTPException) -> str:
    if isinstance(refusal, api.BadQuery | api.NotHere | api.Forbidden | api.NotNow):
        return refusal.text or refusal.reason
    if refusal.status == HTTPStatus.NOT_FOUND:
        return f"There is nothing at {request.path}."
    if refusal.status == HTTPStatus.METHOD_NOT_ALLOWED:
        return f"{request.path} does not take {request.method}."
    return f"{refusal.reason}."


def _error(request: web.Request, status: int, why: str, *, allow: str | None = None) -> web.Response:
    if api.wants_json(request):
        response = api.error(status, why)
    else:
        pages = request.app[PAGES]
        response = _html(
            pages.error(_frame(request, title=HTTPStatus(status).phrase), status=status, why=why)
        )
        response.set_status(status)
    if allow is not None:
        response.headers["Allow"] = allow
    return response


@web.middleware
async def _own_name(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Refuse a Host header that is not ours: a name elsewhere was pointed at this machine."""
    if request.headers.get("Host", "") not in request.app[DESK].allowed_hosts:
        return web.Response(
            status=421,
            text="This dashboard answers to its own address only, such as http://127.0.0.1:PORT/.\n",
        )
    return await handler(request)


def _frame(
    request: web.Request, *, title: str, json_url: str | None = None, now_ns: int | None = None
) -> Frame:
    """The frame of a page that says what was found at `now_ns`, the present when None."""
    desk = request.app[DESK]
    return frame_of(
        desk.site,
        title=title,
        here=request.rel_url.raw_path,
        json_url=json_url,
        now_ns=desk.clock.unix_ns() if now_ns is None else now_ns,
    )


def _html(text: str) -> web.Response:
    return web.Response(text=text, content_type="text/html")


def _handoff(request: web.Request) -> Handoff:
    desk, name = request.app[DESK], request.match_info["handoff"]
    try:
        return desk.site.handoff(name)
    except KeyError:
        known = ", ".join(handoff.name for handoff in desk.site.handoffs)
        raise api.NotHere(f"No handoff is called {name!r}. This site has: {known}.") from None


async def _find_today(request: web.Request) -> today.Findings:
    desk = request.app[DESK]

    def find(reader: Reader) -> today.Findings:
        return desk.kept.get("today", lambda: today.find(reader, site=desk.site, now_ns=desk.clock.unix_ns()))

    return await desk.reader.read(find)


async def _today(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    found = await _find_today(request)
    frame = _frame(request, title="Today", json_url="/today.json", now_ns=found.now_ns)
    desk = request.app[DESK]
    doing = now.part(
        await acts.status(desk.site),
        handoffs=tuple(handoff.name for handoff in desk.site.handoffs),
        token=desk.token,
        where=found.zone,
    )
    return _html(request.app[PAGES].today(today.page(found, frame=frame, now=doing)))


async def _today_json(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    asked = await acts.status(request.app[DESK].site)
    return api.answer({**today.as_json(await _find_today(request)), "probe": asked.status})


async def _today_figure(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    found, name = await _find_today(request), request.match_info["plan"]
    text = await asyncio.to_thread(today.figure, found, name)
    if text is None:
        raise api.NotHere(f"No stream plan is called {name!r}.")
    return api.answer_text(text)


async def _find_circuit(request: web.Request, *others: str) -> circuit.Findings:
    desk, handoff = request.app[DESK], _handoff(request)
    period = api.period_of(request.query, *others)

    def find(reader: Reader) -> circuit.Findings:
        def made() -> circuit.Findings:
            now_ns = desk.clock.unix_ns()
            return circuit.find(reader, site=desk.site, handoff=handoff, period=period, now_ns=now_ns)

        return desk.kept.get((handoff.name, period), made)

    return await desk.reader.read(find)


async def _circuit(request: web.Request) -> web.StreamResponse:
    found = await _find_circuit(request)
    json_url = f"{request.rel_url.raw_path}.json?period={found.period}"
    title = f"Circuit {found.handoff.name}"
    frame = _frame(request, title=title, json_url=json_url, now_ns=found.stretch.to_ns)
    return _html(request.app[PAGES].circuit(circuit.page(found, frame=frame)))


async def _circuit_json(request: web.Request) -> web.StreamResponse:
    return api.answer(circuit.as_json(await _find_circuit(request)))


async def _circuit_figure(request: web.Request) -> web.StreamResponse:
    found = await _find_circuit(request, "endpoint")
    name, endpoint = request.match_info["figure"], request.query.get("endpoint")
    text = await asyncio.to_thread(circuit.figure, found, name, endpoint)
    if text is None:
        figures = ", ".join(circuit.FIGURES)
        raise api.NotHere(f"Nothing is drawn under this address. The figures are: {figures}.")
    return api.answer_text(text)


async def _find_shows(request: web.Request) -> shows.Findings:
    api.only(request.query)
    desk = request.app[DESK]

    def find(reader: Reader) -> shows.Findings:
        return desk.kept.get("shows", lambda: shows.find(reader, site=desk.site, now_ns=desk.clock.unix_ns()))

    return await desk.reader.read(find)


async def _shows(request: web.Request) -> web.StreamResponse:
    found = await _find_shows(request)
    frame = _frame(request, title="Shows", json_url="/shows.json", now_ns=found.now_ns)
    return _html(request.app[PAGES].shows(shows.page(found, frame=frame)))


async def _shows_json(request: web.Request) -> web.StreamResponse:
    return api.answer(shows.as_json(await _find_shows(request)))


async def _find_uploads(request: web.Request) -> uploads.Findings:
    desk = request.app[DESK]
    now_ns = desk.clock.unix_ns()
    question = uploads.question_of(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> uploads.Findings:
        return desk.kept.get(
            ("uploads", question.written),
            lambda: uploads.find(reader, site=desk.site, question=question, now_ns=now_ns),
        )

    return await desk.reader.read(find)


async def _uploads(request: web.Request) -> web.StreamResponse:
    found = await _find_uploads(request)
    json_url = f"/uploads.json?{request.query_string}" if request.query_string else "/uploads.json"
    frame = _frame(request, title="Uploads", json_url=json_url, now_ns=found.now_ns)
    return _html(request.app[PAGES].uploads(uploads.page(found, frame=frame)))


async def _uploads_json(request: web.Request) -> web.StreamResponse:
    return api.answer(uploads.as_json(await _find_uploads(request)))


async def _find_events(request: web.Request) -> events.Findings:
    desk = request.app[DESK]
    now_ns = desk.clock.unix_ns()
    asked = events.asked_of(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> events.Findings:
        def made() -> events.Findings:
            return events.find(reader, site=desk.site, asked=asked, now_ns=now_ns)

        return desk.kept.get(asked, made)

    return await desk.reader.read(find)


async def _events(request: web.Request) -> web.StreamResponse:
    found = await _find_events(request)
    json_url = events.url(found.asked.last, found.asked.handoff, path="/events.json")
    frame = _frame(request, title="Events", json_url=json_url, now_ns=found.now_ns)
    return _html(request.app[PAGES].events(events.page(found, frame=frame)))


async def _events_json(request: web.Request) -> web.StreamResponse:
    return api.answer(events.as_json(await _find_events(request)))


async def _find_side_by_side(request: web.Request) -> side_by_side.Findings:
    desk = request.app[DESK]
    asked, now_ns = side_by_side.asked_of(request.query, site=desk.site), desk.clock.unix_ns()

    def find(reader: Reader) -> side_by_side.Findings:
        def made() -> side_by_side.Findings:
            return side_by_side.find(reader, site=desk.site, asked=asked, now_ns=now_ns)

        return desk.kept.get(("side by side", asked.old.name, asked.new.name, asked.days), made)

    return await desk.reader.read(find)


async def _side_by_side(request: web.Request) -> web.StreamResponse:
    found = await _find_side_by_side(request)
    json_url = side_by_side.url(found.asked, suffix=".json")
    frame = _frame(request, title="Side-by-side", json_url=json_url, now_ns=found.now_ns)
    return _html(request.app[PAGES].side_by_side(side_by_side.page(found, frame=frame)))


async def _side_by_side_json(request: web.Request) -> web.StreamResponse:
    return api.answer(side_by_side.as_json(await _find_side_by_side(request)))


async def _find_term(request: web.Request) -> term.Findings:
    desk, handoff = request.app[DESK], _handoff(request)
    now_ns = desk.clock.unix_ns()
    month = term.month_of(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> term.Findings:
        def made() -> term.Findings:
            return term.find(
                reader, site=desk.site, handoff=handoff, month=month, past=desk.past, now_ns=now_ns
            )

        return desk.kept.get(("term", handoff.name, month), made)

    return await desk.reader.read(find)


async def _term(request: web.Request) -> web.StreamResponse:
    found = await _find_term(request)
    name, month = found.statement.handoff.name, found.statement.month.first_day
    frame = _frame(
        request, title=f"Term {name}", json_url=term.url(name, month, suffix=".json"), now_ns=found.now_ns
    )
    return _html(request.app[PAGES].term(term.page(found, frame=frame)))


async def _term_json(request: web.Request) -> web.StreamResponse:
    return api.answer(term.as_json(await _find_term(request)))


async def _find_acceptance(request: web.Request) -> acceptance.Findings:
    api.only(request.query)
    desk, handoff = request.app[DESK], _handoff(request)

    def find(reader: Reader) -> acceptance.Findings:
        def made() -> acceptance.Findings:
            now_ns = desk.clock.unix_ns()
            return acceptance.find(reader, site=desk.site, handoff=handoff, now_ns=now_ns)

        return desk.kept.get(("acceptance", handoff.name), made)

    return await desk.reader.read(find)


async def _acceptance(request: web.Request) -> web.StreamResponse:
    found = await _find_acceptance(request)
    name = found.found.handoff.name
    title = f"Acceptance of {name}"
    frame = _frame(request, title=title, json_url=acceptance.url(name), now_ns=found.now_ns)
    return _html(request.app[PAGES].acceptance(acceptance.page(found, frame=frame)))


async def _acceptance_json(request: web.Request) -> web.StreamResponse:
    return api.answer(acceptance.as_json(await _find_acceptance(request)))


async def _find_findings(request: web.Request) -> findings.Findings:
    desk, handoff = request.app[DESK], _handoff(request)
    now_ns = desk.clock.unix_ns()
    last = findings.last_day(request.query, site=desk.site, now_ns=now_ns)

    def find(reader: Reader) -> findings.Findings:
        def made() -> findings.Findings:
            return findings.find(reader, site=desk.site, handoff=handoff, last=last, now_ns=now_ns)

        return desk.kept.get(("findings", handoff.name, last), made)

    return await desk.reader.read(find)


async def _findings(request: web.Request) -> web.StreamResponse:
    found = await _find_findings(request)
    name = found.handoff.name
    json_url = findings.url(name, found.last, suffix=".json")
    frame = _frame(request, title=f"Findings on {name}", json_url=json_url, now_ns=found.now_ns)
    return _html(request.app[PAGES].findings(findings.page(found, frame=frame)))


async def _findings_json(request: web.Request) -> web.StreamResponse:
    return api.answer(findings.as_json(await _find_findings(request)))


async def _act(request: web.Request) -> web.StreamResponse:
    api.only(request.query)
    return await acts.do(request, site=request.app[DESK].site, token=request.app[DESK].token)


async def _static(request: web.Request) -> web.StreamResponse:
    asset = request.app[ASSETS].get(request.match_info["name"])
    if asset is None or asset.digest != request.match_info["digest"]:
        raise api.NotHere("That file is not here under this address; reload the page that asked for it.")
    return web.FileResponse(
        asset.path, headers={"Cache-Control": KEPT, "Content-Type": f"{asset.content_type}; charset=utf-8"}
    )
