"""HTTPS that says nothing to strangers: keys, versions, bodies and time-outs, before any answer is made.

Whoever shows no valid key gets the same refusal for every path and method, then the connection ends;
what is not HTTP, or has a method that HTTP does not know, gets no answer at all. Nothing names this
program or its version. Every body is JSON, every answer from 400 up a `control.Refusal`. What the paths
mean is the service's business: it hands over a table of `Answer`s. Imports no record and no limit.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
import re
import socket
import ssl
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from aiohttp import hdrs, web

from probe.wire.control import PATHS, PROTOCOL, PROTOCOL_HEADER, RUN_NAME, Refusal, decode, encode
from probe.wire.invitation import KEY_BYTES, read_secret
from store.crowd import FULL, Crowd, Stranger, network_of
from store.errors import BadMessage

log = logging.getLogger(__name__)

BODY_BYTES_MAX = 16 * 1024
READ_S = 5.0  # for a body; and for a new connection to show a key
IDLE_S = 120.0  # an admitted connection may stay without a request
STRANGERS_MAX = 512  # room for 200 callers behind one address that come back at once after a restart
CONNECTIONS_MAX = 256  # of one caller, with a key shown; a probe has four for each train at most
_HANDSHAKE_S = 5.0
_AGAIN_S = 0.05  # until the next try, when none could be taken
_LINGER_S = 1.0  # a refused body is read away this long, so that the refusal arrives before a reset
_STATUS = {
    "limit": 403,
    "allowance": 403,
    "unknown": 404,
    "busy": 429,
    "bad_request": 400,
    "protocol": 400,
    "trouble": 500,
}
_NOT_ADMITTED = Refusal(code="not_admitted", why="this endpoint answers only those it invited")
_CROWDED = Refusal(
    code="busy", why=f"a caller here has at most {CONNECTIONS_MAX} connections", retry_after_s=IDLE_S
)
_PATHS = tuple(
    (name, re.compile(re.sub(r"\{(\w+)\}", rf"(?P<\1>{RUN_NAME.pattern})", path)))
    for name, path in PATHS.items()
)

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One request of an admitted caller. `parts` are those its path names, `digest` its key's SHA-256."""

    caller: str
    digest: bytes = b""
    remote: str
    parts: Mapping[str, str]
    body: bytes

    def message(self, kind: type[T]) -> T:
        """The body as a message. Raises BadMessage."""
        try:
            data = json.loads(self.body)
        except (ValueError, RecursionError):
            raise BadMessage("control message", "it is not JSON") from None
        return decode(kind, data)


Answer = Callable[[Call], Awaitable[Any]]  # -> a control message; a Refusal sets the status


class Front:
    """An HTTPS server over sockets that are bound already.

    `admit` names the caller that holds a key, or None; `answers` maps (method, name of the path in
    `control.PATHS`) to what answers it.
    """

    def __init__(
        self, answers: Mapping[tuple[str, str], Answer], *, admit: Callable[[bytes], str | None]
    ) -> None:
        self._answers = answers
        self._admit = admit
        self._http: _Server | None = None
        self._crowd = Crowd(STRANGERS_MAX)
        self._listening: list[socket.socket] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._admitted: dict[_Handler, tuple[str, bytes]] = {}  # whose each connection is, and by which key

    async def start(self, sockets: Sequence[socket.socket], *, tls: ssl.SSLContext) -> None:
        """Answer from now on; the sockets are closed with the front."""
        self._http = _Server(self._respond)
        for sock in sockets:
            sock.setblocking(False)
            self._listening.append(sock)
            self._go(self._listen(sock, tls))

    async def close(self) -> None:
        """Stop listening, let answers under way finish for half a second, then cut every connection."""
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for sock in self._listening:
            sock.close()
        if self._http is not None:
            self._http.pre_shutdown()
            await self._http.shutdown(0.5)

    def _go(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _listen(self, sock: socket.socket, tls: ssl.SSLContext) -> None:
        """Take connections by ourselves: the loop's own server does not say which still shake hands."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, address = await loop.sock_accept(sock)
            except OSError as error:  # mostly one that broke off before it was taken
                if error.errno in FULL:
                    self._crowd.end_one()
                await asyncio.sleep(_AGAIN_S)
                continue
            stranger = Stranger(network=network_of(address[0]), end=connection.close)
            task = self._go(self._shake_hands(connection, stranger, tls))
            task.add_done_callback(partial(_left, connection))
            stranger.end = task.cancel
            self._crowd.come(stranger)
            await asyncio.sleep(0)  # between two of a flood, others have their turn

    async def _shake_hands(self, connection: socket.socket, stranger: Stranger, tls: ssl.SSLContext) -> None:
        assert self._http is not None  # noqa: S101 - for the type checker; start made it
        handler = _Handler(self._http, gone=lambda: self._gone(handler, stranger))
        handler.stranger = stranger
        try:
            transport, _ = await asyncio.get_running_loop().connect_accepted_socket(
                lambda: handler,
                connection,
                ssl=tls,
                ssl_handshake_timeout=_HANDSHAKE_S,
                ssl_shutdown_timeout=0.5,
            )
        except OSError:  # no TLS, too old, too slow, or broken off
            self._crowd.go(stranger)
        else:
            stranger.end = transport.abort

    def _gone(self, handler: _Handler, stranger: Stranger) -> None:
        self._crowd.go(stranger)
        self._admitted.pop(handler, None)

    def cut_off(self) -> None:
        """End the connections whose key is admitted no more, however long they leave an answer unread."""
        for handler, (caller, key) in tuple(self._admitted.items()):
            if self._admit(key) != caller:
                handler.stranger.end()

    def _has_room(self, handler: _Handler, caller: str, key: bytes) -> bool:
        """Count a connection as its caller's once; False where it is one too many."""
        if handler in self._admitted:
            return True
        if sum(caller == one for one, _ in self._admitted.values()) >= CONNECTIONS_MAX:
            return False
        self._admitted[handler] = caller, key
        self._crowd.go(handler.stranger)
        handler.has_come()
        return True

    async def _respond(self, request: web.BaseRequest) -> web.Response:
        key = _key(request)
        caller = None if key is None else self._admit(key)
        if caller is None or key is None:
            response = _response(_NOT_ADMITTED)
            response.force_close()
            return response
        if not self._has_room(_Handler.of(request), caller, key):
            response = _response(_CROWDED)
            response.force_close()
            return response
        try:
            return _response(await self._answer(request, caller, key))
        except BadMessage as error:
            return _response(Refusal(code="bad_request", why=error.why))
        except Exception:
            log.exception("no answer to %s %s", request.method, request.path)
            return _response(
                Refusal(code="trouble", why="the endpoint failed while it answered; see its log")
            )

    async def _answer(self, request: web.BaseRequest, caller: str, key: bytes) -> Any:
        spoken = request.headers.get(PROTOCOL_HEADER, "nothing")
        if spoken != str(PROTOCOL):
            why = f"this endpoint speaks protocol {PROTOCOL}, the caller {spoken[:20]}; update the older one"
            return Refusal(code="protocol", why=why)
        name, parts = _path(request.path)
        answer = self._answers.get((request.method, name))
        if answer is None:
            return Refusal(code="unknown", why="this endpoint has no such path, or not with this method")
        body = await _read_body(request)
        if isinstance(body, Refusal):
            return body
        if self._admit(key) != caller:  # it was revoked while the body came
            return _NOT_ADMITTED
        digest = hashlib.sha256(key).digest()
        return await answer(
            Call(caller=caller, digest=digest, remote=request.remote or "", parts=parts, body=body)
        )


class _Request(web.BaseRequest):
    async def _prepare_hook(self, response: web.StreamResponse) -> None:
        response.headers.popall(hdrs.SERVER, None)  # the banner that aiohttp has just put in


class _Handler(web.RequestHandler):
    """One connection, which ends when nobody `has_come` by it soon; `gone` is called at its end."""

    __slots__ = ("_gone", "_patience", "stranger")

    stranger: Stranger

    def __init__(self, server: web.Server, *, gone: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        super().__init__(
            server,
            loop=loop,
            access_log=None,  # type: ignore[arg-type]  # aiohttp tests it for truth
            keepalive_timeout=IDLE_S,
            lingering_time=_LINGER_S,
            auto_decompress=False,
        )
        self._gone = gone
        self._patience: asyncio.TimerHandle | None = None

    @staticmethod
    def of(request: web.BaseRequest) -> _Handler:
        handler = request.protocol
        assert isinstance(handler, _Handler)  # noqa: S101 - for the type checker; _Server makes no others
        return handler

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - for the type checker
        self._patience = asyncio.get_running_loop().call_later(READ_S, transport.abort)

    def connection_lost(self, exc: BaseException | None) -> None:
        self.has_come()
        self._gone()
        super().connection_lost(exc)

    def has_come(self) -> None:
        """A valid key was shown."""
        if self._patience is not None:
            self._patience.cancel()

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Called for what is not HTTP; ends the connection without a word."""
        raise ConnectionResetError


class _Server(web.Server):
    def __init__(self, respond: Callable[[web.BaseRequest], Awaitable[web.Response]]) -> None:
        loop = asyncio.get_running_loop()

        def request(message: Any, payload: Any, protocol: Any, writer: Any, task: Any) -> web.BaseRequest:
            return _Request(message, payload, protocol, writer, task, loop)

        super().__init__(respond, request_factory=request)


def _key(request: web.BaseRequest) -> bytes | None:
    """The key that a request shows, None where it shows none of the right form."""
    scheme, _, text = request.headers.get(hdrs.AUTHORIZATION, "").partition(" ")
    return read_secret(text.strip(), KEY_BYTES) if scheme.lower() == "bearer" else None


def _left(connection: socket.socket, task: asyncio.Task[None]) -> None:
    """Close what a handshake that was cut short, perhaps before it began, has left open."""
    if task.cancelled():
        connection.close()


def _path(path: str) -> tuple[str, dict[str, str]]:
    for name, pattern in _PATHS:
        found = pattern.fullmatch(path)
        if found:
            return name, found.groupdict()
    return "", {}


async def _read_body(request: web.BaseRequest) -> bytes | Refusal:
    body = bytearray()
    try:
        async with asyncio.timeout(READ_S):
            while chunk := await request.content.readany():
                body += chunk
                if len(body) > BODY_BYTES_MAX:
                    return Refusal(code="bad_request", why=f"the body has more than {BODY_BYTES_MAX} bytes")
    except TimeoutError:
        return Refusal(code="bad_request", why=f"the body did not come within {READ_S:.0f} s")
    return bytes(body)


def _response(message: Any) -> web.Response:
    if message is _NOT_ADMITTED:  # without a word of what it is that refuses
        return web.json_response(encode(message), status=401)
    return web.json_response(
        encode(message),
        status=_STATUS[message.code] if isinstance(message, Refusal) else 200,
        headers={PROTOCOL_HEADER: str(PROTOCOL), hdrs.CACHE_CONTROL: "no-store"},
    )
