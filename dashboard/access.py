"""Who stands behind a request: everybody at this machine, or beyond it somebody who has logged in.

A login's session is a secret in a cookie that no script can read and no page elsewhere can send; what is
known of it here lies in memory. Who may only read is refused everything but GET, whatever the page shows.
Logins are read again while the dashboard runs: who is removed is out within seconds. Every login, every
try that failed and every logout is in the log. Imports logins and sessions.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from aiohttp import web
from aiohttp.typedefs import Middleware

from dashboard import api, logins
from dashboard.logins import Login, Role
from dashboard.sessions import ADDRESS_WAIT_S_MAX, NAME_WAIT_S_MAX, WHOLE_S, Session, Sessions, Waits
from store.clock import NS_PER_S, Clock
from store.errors import UserMistake

log = logging.getLogger(__name__)

COLLECTED = "/metrics"  # what a program's token opens
_LOOK_AGAIN_S = 2.0  # so long a removed login may still have effect
_AT_ONCE = 8  # tries that may wait for the one whose password is looked at; each takes 64 MiB

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Whose request it is. `name` is empty where no login is asked for; `token` goes into each form."""

    name: str
    operates: bool
    token: str

    def asked(self, where: str) -> str:
        """The words on record for what somebody asked for on the page `where`."""
        return f"asked for on the {where} page{f' by {self.name}' if self.name else ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TooSoon(Exception):
    """A try that was not looked at; seconds until one will be."""

    seconds: int


@dataclass(slots=True, kw_only=True)
class Access:
    """The door of the pages. `secure`: browsers reach it by TLS; `proxied`: a proxy does that."""

    file: Path
    clock: Clock
    secret: str  # of this start; the forms' tokens come from it
    secure: bool
    proxied: bool = False
    known: Sequence[Login] = ()
    sessions: Sessions = field(default_factory=Sessions)
    _by_address: Waits = field(default_factory=lambda: Waits(ADDRESS_WAIT_S_MAX))
    _by_name: Waits = field(default_factory=lambda: Waits(NAME_WAIT_S_MAX))
    _one: asyncio.Lock = field(default_factory=asyncio.Lock)
    _queue: int = 0
    _looked_ns: int | None = None

    @property
    def cookie(self) -> str:
        """Its name. With the prefix a browser takes it from this host by TLS only (RFC 6265bis, 4.1.3)."""
        return "__Host-linebook" if self.secure else "linebook"

    def token(self, session: Session | None) -> str:
        """What a form of this session carries; with None, the form to log in."""
        whose = "login" if session is None else session.key
        return hmac.new(self.secret.encode(), whose.encode(), hashlib.sha256).hexdigest()

    async def session_of(self, request: web.Request) -> Session | None:
        """The session whose cookie came along, if it still holds."""
        now_ns = self.clock.monotonic_ns()
        await self._look_again(now_ns)
        secret = request.cookies.get(self.cookie)
        return None if secret is None else self.sessions.of(secret, now_ns=now_ns)

    async def log_in(self, request: web.Request, *, name: str, password: str) -> str | None:
        """The secret of a new session, or None for a wrong name or password. Raises TooSoon."""
        address, name = self.address_of(request), name[: logins.NAME_LENGTH_MAX + 1]  # kept by whom it waits
        if self._queue >= _AT_ONCE:
            raise TooSoon(seconds=2)
        self._queue += 1
        try:
            async with self._one:  # so that no one is looked at before the try before it was counted
                login = await self._matching(address, name=name, password=password)
        finally:
            self._queue -= 1
        if login is None:
            log.warning("login failed name=%r address=%s", name, address)
            return None
        if (before := await self.session_of(request)) is not None:
            self.sessions.end(before)
        log.info("login name=%s role=%s address=%s", login.name, login.role, address)
        return self.sessions.begin(login, now_ns=self.clock.monotonic_ns())

    async def program_of(self, request: web.Request) -> Login | None:
        """The program whose token came along (RFC 6750, section 2.1), or None. Raises TooSoon.

        What came along is never in the log.
        """
        scheme, _, token = request.headers.get("Authorization", "").partition(" ")
        if scheme.casefold() != "bearer" or not token:
            return None
        address, now_ns = self.address_of(request), self.clock.monotonic_ns()
        if left_s := self._by_address.left_s(address, now_ns=now_ns):
            raise TooSoon(seconds=left_s)
        await self._look_again(now_ns)
        found = logins.program_of(self.known, token.strip())
        if found is None:
            self._by_address.wrong(address, now_ns=now_ns)
            log.warning("token refused address=%s", address)
        return found

    def log_out(self, request: web.Request, session: Session) -> None:
        """End a session."""
        self.sessions.end(session)
        log.info("logout name=%s address=%s", session.login.name, self.address_of(request))

    def give(self, response: web.Response, secret: str) -> None:
        """Hand a session's secret to the browser."""
        response.set_cookie(
            self.cookie,
            secret,
            path="/",
            httponly=True,
            samesite="Strict",
            secure=self.secure,
            max_age=WHOLE_S,
        )

    def take(self, response: web.Response) -> None:
        """Have the browser forget it."""
        response.del_cookie(self.cookie, path="/", httponly=True, samesite="Strict", secure=self.secure)

    def address_of(self, request: web.Request) -> str:
        """Who tries, as waits are counted: an IPv4 address, an IPv6 network of 64 bits.

        A proxy appends whom it heard to X-Forwarded-For, so the last one is its word and all before it are
        the visitor's (common practice, no source).
        """
        said = request.headers.getall("X-Forwarded-For", [])[-1:] if self.proxied else []
        told = said[0].rsplit(",", 1)[-1].strip() if said else request.remote or ""
        try:
            found = ipaddress.ip_address(told.partition("%")[0])
        except ValueError:
            return "unknown"
        if found.version == 6 and found.ipv4_mapped is None:
            return str(ipaddress.ip_network((int(found) >> 64 << 64, 64)))
        return str(found)

    async def _matching(self, address: str, *, name: str, password: str) -> Login | None:
        now_ns = self.clock.monotonic_ns()
        left_s = max(
            self._by_address.left_s(address, now_ns=now_ns), self._by_name.left_s(name, now_ns=now_ns)
        )
        if left_s:
            log.warning("login too soon name=%r address=%s wait_s=%d", name, address, left_s)
            raise TooSoon(seconds=left_s)
        await self._look_again(now_ns, at_once=True)
        found = await asyncio.to_thread(logins.matching, self.known, name, password)
        for waits, who in ((self._by_address, address), (self._by_name, name)):
            waits.right(who) if found is not None else waits.wrong(who, now_ns=self.clock.monotonic_ns())
        return found

    async def _look_again(self, now_ns: int, *, at_once: bool = False) -> None:
        """Read the logins again, now and then; sessions of those that changed end.

        A file that cannot be read lets nobody in.
        """
        fresh = self._looked_ns is not None and now_ns - self._looked_ns < _LOOK_AGAIN_S * NS_PER_S
        if fresh and not at_once:
            return
        self._looked_ns = now_ns
        try:
            self.known = await asyncio.to_thread(logins.load, self.file)
        except UserMistake as mistake:
            log.error("logins unreadable why=%s", mistake)
            self.known = ()
        for ended in self.sessions.keep(lambda login: login in self.known):
            log.info("session ended name=%s why=its login was changed or removed", ended.login.name)


ACCESS = web.AppKey("ACCESS", Access)  # there where a login is asked for
SESSION = web.RequestKey("SESSION", Session)
VISITOR = web.RequestKey("VISITOR", Visitor)


def visitor_of(request: web.Request) -> Visitor | None:
    """Whose request it is; None for a stranger, who sees the login page and nothing else."""
    return request.get(VISITOR)


def asking(access: Access | None, *, token: str) -> Middleware:
    """What finds out whose request it is, and refuses what may not be. Without `access` all may be."""

    @web.middleware
    async def ask(request: web.Request, handler: Handler) -> web.StreamResponse:
        if access is None:
            request[VISITOR] = Visitor(name="", operates=True, token=token)
            return await handler(request)
        session = await access.session_of(request)
        if session is not None:
            request[SESSION] = session
            request[VISITOR] = Visitor(
                name=session.login.name,
                operates=session.login.role is Role.OPERATE,
                token=access.token(session),
            )
        if session is None and request.path == COLLECTED and request.method in ("GET", "HEAD"):
            return await _collected(request, handler, access)
        if (refusal := _refusal(request, session)) is not None:
            return refusal
        return await handler(request)

    return ask


async def _collected(request: web.Request, handler: Handler, access: Access) -> web.StreamResponse:
    """What a program gets that collects figures: them by its token, else what would be right."""
    try:
        program = await access.program_of(request)
    except TooSoon as wait:
        refusal: web.Response = api.error(429, f"Too many wrong tokens; try again in {wait.seconds} s.")
        refusal.headers["Retry-After"] = str(wait.seconds)
        return refusal
    if program is not None:
        return await handler(request)
    refusal = api.error(401, "This dashboard asks a program for its token (linebook login --role program).")
    refusal.headers["WWW-Authenticate"] = 'Bearer realm="linebook"'  # RFC 6750, section 3
    return refusal


def _refusal(request: web.Request, session: Session | None) -> web.StreamResponse | None:
    """The answer to a request that may not go on. Raises Forbidden."""
    reads = request.method in ("GET", "HEAD")
    if request.path == "/login" or request.path.startswith("/static/"):
        return None
    if session is None:
        if not reads:
            raise api.Forbidden(
                "Nobody is logged in any more, so nothing was changed. Log in and press again."
            )
        if api.wants_json(request):
            return api.error(401, "This dashboard asks for a login; nothing is shown without it.")
        return web.Response(
            status=303, headers={"Location": f"/login?then={quote(request.path_qs, safe='')}"}
        )
    if not reads and request.path != "/logout" and session.login.role is not Role.OPERATE:
        log.warning(
            "act refused name=%s role=%s path=%s", session.login.name, session.login.role, request.path
        )
        raise api.Forbidden(f"{session.login.name} may read and not operate, so nothing was changed.")
    return None
