"""The dashboard as a web application: what holds for every address, headers, errors, lifetimes.

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
from collections.abc import AsyncIterator, Awaitable, Callable
from http import HTTPStatus

from aiohttp import web

from dashboard import api
from dashboard.assets import find_assets
from dashboard.desk import ASSETS, DESK, PAGES, Desk, framed, html
from dashboard.kept import Kept
from dashboard.pages import term
from dashboard.pages.frame import load_pages
from dashboard.routes import ROUTES
from store.clock import Clock, zone
from store.errors import LinebookError, UserMistake
from store.reader import Reader, ReaderThread
from store.site import Site

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
    app.add_routes(ROUTES)
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
        response = html(pages.error(framed(request, title=HTTPStatus(status).phrase), status=status, why=why))
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
