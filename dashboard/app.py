"""The dashboard as a web application: what holds for every address, headers, errors, lifetimes.

Reads the record and never writes it; what somebody asks of the running probe goes through that probe's
own door (acts). Listens on this machine's loopback only, answers only to its own names (so
that a page elsewhere cannot reach it through a name it controls), loads nothing from any other
host, sets no cookie. Everything slow, reading and judging, runs in the reader's thread.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from http import HTTPStatus
from pathlib import Path

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError
from multidict import MultiDict

from dashboard import api, listening, logins
from dashboard.access import ACCESS, Access, asking
from dashboard.api import Period
from dashboard.assets import find_assets
from dashboard.beside import Beside
from dashboard.desk import ASSETS, DESK, PAGES, Desk, framed, html
from dashboard.forms import SCHEME
from dashboard.judged import Judged, NotYet
from dashboard.kept import Kept
from dashboard.listening import Listening
from dashboard.live import LIVE, Live
from dashboard.lobby import HANDSHAKE_S, Lobby
from dashboard.logins import Role
from dashboard.on_disk import OnDisk
from dashboard.pages.frame import load_pages
from dashboard.papers import packs
from dashboard.papers.packs import PACKS, Packs
from dashboard.past import Past
from dashboard.routes import ROUTES, circuit, events, shows, side_by_side, today
from store.clock import Clock, zone
from store.errors import LinebookError
from store.reader import Reader, ReaderThread
from store.site import Site

log = logging.getLogger(__name__)

LOOPBACK = Listening()
LOBBY = web.AppKey("LOBBY", Lobby)
_SHUTDOWN_S = 1.0  # requests under way get this long; the whole end stays under 2 s

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",  # pages elsewhere may not embed the JSON either
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(
    *,
    site: Site,
    reader: ReaderThread,
    clock: Clock,
    allowed_hosts: frozenset[str],
    where: Listening = LOOPBACK,
    beside: Beside | None = None,
    cache: Path | None = None,
) -> web.Application:
    """The application. It closes `reader` and `beside` when it ends; `allowed_hosts` are Host headers, with
    port. Without `beside` the slow pages are judged in the reader's thread, and whoever asks waits; without
    `cache`, a folder, nothing that was judged is there again after the next start."""
    token = secrets.token_urlsafe()
    access = _access(site, clock, where, token) if where.asks_login else None
    lobby = Lobby()
    app = web.Application(middlewares=[lobby.seen, _errors, _own_name, asking(access, token=token)])
    app[LOBBY] = lobby
    app[SCHEME] = where.scheme
    if access is not None:
        app[ACCESS] = access
    on_disk = None if cache is None else OnDisk(cache, site)
    kept, past = Kept(clock), Past(on_disk)
    judged = Judged(site, reader, clock, kept=kept, past=past, beside=beside, on_disk=on_disk)
    app[DESK] = Desk(
        site=site,
        reader=reader,
        clock=clock,
        kept=kept,
        past=past,
        judged=judged,
        allowed_hosts=allowed_hosts,
        token=token,
    )
    app[LIVE] = Live(site=site)
    app.on_shutdown.append(_end_streams)
    app.on_response_prepare.append(_headers)
    app.cleanup_ctx.append(_files)
    app.cleanup_ctx.append(_reading)
    app[PACKS] = Packs(site)
    app.cleanup_ctx.append(packs.while_serving)
    app.add_routes(ROUTES)
    return app


def _access(site: Site, clock: Clock, where: Listening, secret: str) -> Access:
    return Access(
        file=logins.path_of(site.database),
        clock=clock,
        secret=secret,
        secure=where.scheme == "https",
        proxied=where.proxied,
    )


async def serve(
    site: Site,
    *,
    where: Listening,
    clock: Clock,
    ready: Callable[[str], None],
    how_to_login: str = "linebook login",
    cache: Path | None = None,
) -> None:
    """Serve until cancelled; `ready` is called with the address of Today once it answers. What was judged is
    kept in the folder `cache`.

    With no port the default one or the next free one. Raises UserMistake for a place to listen that may not
    be (`dashboard.listening`), for a port that is taken and for a database that this version cannot
    read. One that is missing is said on the pages, so that the dashboard may start before the probe.
    """
    known = await asyncio.to_thread(logins.load, logins.path_of(site.database)) if where.asks_login else ()
    listening.check(where, logins=sum(one.role is not Role.PROGRAM for one in known), how=how_to_login)
    tls = await asyncio.to_thread(listening.tls, where)
    reader = ReaderThread(site.database)
    if await asyncio.to_thread(site.database.exists):
        await reader.read(Reader.newest_ns)
    heard = listening.listen(where.host, where.port)
    shown, number = heard.getsockname()[:2]
    app = make_app(
        site=site,
        reader=reader,
        clock=clock,
        allowed_hosts=listening.own_names(where, shown=shown, port=number),
        where=where,
        beside=Beside(site.database, cache=cache),
        cache=cache,
    )
    runner = runner_of(app)
    try:
        await runner.setup()
        server = runner.server
        assert server is not None  # noqa: S101 - for the type checker; setup made it
        loop = asyncio.get_running_loop()
        taking = await loop.create_server(
            server, sock=heard, ssl=tls, ssl_handshake_timeout=None if tls is None else HANDSHAKE_S
        )
        keeping = asyncio.create_task(app[LOBBY].keep(server), name="lobby")
        scheme = "http" if tls is None else "https"
        ready(f"{scheme}://{listening.in_url(shown)}:{number}/")
        try:
            await keeping
        finally:
            keeping.cancel()
            taking.close()
    finally:
        await runner.cleanup()
        heard.close()


def runner_of(app: web.Application) -> web.AppRunner:
    """What serves the application. Of what is no HTTP nothing is logged: anybody can send it all day."""
    quiet = logging.getLogger(f"{__name__}.http")
    quiet.addFilter(_is_ours)
    return web.AppRunner(app, access_log=None, logger=quiet, shutdown_timeout=_SHUTDOWN_S)


def _is_ours(record: logging.LogRecord) -> bool:
    return not (record.exc_info and isinstance(record.exc_info[1], HttpProcessingError))


async def _files(app: web.Application) -> AsyncIterator[None]:
    """Static files hashed and templates compiled before the first request, off the event loop."""
    await asyncio.to_thread(zone, app[DESK].site.timezone)  # its first use reads a file
    app[ASSETS] = await asyncio.to_thread(find_assets)
    app[PAGES] = await asyncio.to_thread(load_pages)
    yield


async def _reading(app: web.Application) -> AsyncIterator[None]:
    desk = app[DESK]
    ahead = (
        asyncio.create_task(_look_ahead(desk), name="look ahead"),
        asyncio.create_task(desk.judged.ahead(), name="judge ahead"),
    )
    yield
    for task in ahead:
        task.cancel()
    await asyncio.gather(*ahead, return_exceptions=True)
    await desk.judged.close()
    await desk.reader.close()


async def _look_ahead(desk: Desk) -> None:
    """Find what takes longest at its first reading before anybody asks."""
    with suppress(LinebookError):  # whoever asks for a page is told
        await today.look(desk)
        for handoff in desk.site.handoffs:
            await circuit.look(desk, handoff, Period.DAY)
        await shows.look(desk)
        await events.look(desk, MultiDict())
        if len(desk.site.handoffs) > 1:
            await side_by_side.look(desk, MultiDict())


async def _end_streams(app: web.Application) -> None:
    """Before requests under way are waited for, those that would never end are told."""
    app[LIVE].end()


async def _headers(request: web.Request, response: web.StreamResponse) -> None:
    """The headers of every response, errors and files included."""
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)  # a paper names the style that stands within it
    response.headers.pop("Server", None)
    response.headers.setdefault("Cache-Control", "no-store")


@web.middleware
async def _errors(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Every failure becomes a page or a JSON object of one shape; none shows a traceback."""
    try:
        return await handler(request)
    except NotYet:
        return _not_yet(request)
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


def _not_yet(request: web.Request) -> web.Response:
    """A page that comes back by itself until what it asks for is judged."""
    pages = request.app[PAGES]
    response = html(pages.waiting(framed(request, title="Being judged")))
    response.set_status(HTTPStatus.ACCEPTED)
    response.headers["Refresh"] = "2"
    return response


def _why(request: web.Request, refusal: web.HTTPException) -> str:
    if isinstance(refusal, api.BadQuery | api.NotHere | api.Forbidden | api.NotNow | api.Conflict):
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
        response = html(pages.error(framed(request, title=HTTPStatus(status).phrase), status=status, why=why))
        response.set_status(status)
    if allow is not None:
        response.headers["Allow"] = allow
    return response


@web.middleware
async def _own_name(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Refuse a Host header that is not ours: a name elsewhere was pointed at this machine.

    Nor is an address in full one of ours: it would count instead of the header (RFC 9112 section 3.2.2).
    """
    own = request.headers.get("Host", "").lower() in request.app[DESK].allowed_hosts
    if not own or not request.raw_path.startswith("/"):
        return web.Response(
            status=421,
            text="This dashboard answers to its own address only, such as http://127.0.0.1:PORT/.\n",
        )
    return await handler(request)
