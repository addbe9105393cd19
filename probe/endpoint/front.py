"""HTTPS that says nothing to strangers: keys, versions, bodies and time-outs, before any answer is made.

Whoever shows no valid key gets the same refusal for every path and method, then the connection ends;
what is not HTTP, or has a method that HTTP does not know, gets no answer at all. Nothing names this
program or its version. Every body is JSON, every answer from 400 up a `control.Refusal`. What the paths
mean is the service's business: it hands over a table of `Answer`s. Imports no record and no limit.
"""

from __future__ import annotations

import asyncio
import json
import logging
import re
import socket
import ssl
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from aiohttp import hdrs, web

from probe.wire.control import PATHS, PROTOCOL, PROTOCOL_HEADER, Refusal, decode, encode
from probe.wire.invitation import KEY_BYTES, read_secret
from store.errors import BadMessage

log = logging.getLogger(__name__)

BODY_BYTES_MAX = 16 * 1024
READ_S = 5.0  # for a body; and for a new connection to show a key
IDLE_S = 120.0  # an admitted connection may stay without a request
CONNECTIONS_MAX = 256  # more than 8 callers use; a stranger's is gone after READ_S
_HANDSHAKE_S = 5.0
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
_PATHS = tuple(
    (name, re.compile(re.sub(r"\{(\w+)\}", r"(?P<\1>[0-9a-z]{1,40})", path))) for name, path in PATHS.items()
)

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One request of an admitted caller. `parts` are the named parts of its path."""

    caller: str
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
        self._listening: list[asyncio.Server] = []

    async def start(self, sockets: Sequence[socket.socket], *, tls: ssl.SSLContext) -> None:
        """Answer from now on; the sockets are closed with the front."""
        loop = asyncio.get_running_loop()
        self._http = _Server(self._respond)
        for sock in sockets:
            listening = await loop.create_server(
                self._http, sock=sock, ssl=tls, ssl_handshake_timeout=_HANDSHAKE_S, ssl_shutdown_timeout=0.5
            )
            self._listening.append(listening)

    async def close(self) -> None:
        """Stop listening, let answers under way finish for half a second, then cut every connection."""
        for listening in self._listening:
            listening.close()
        if self._http is not None:
            self._http.pre_shutdown()
            await self._http.shutdown(0.5)

    async def _respond(self, request: web.BaseRequest) -> web.Response:
        caller = self._caller(request)
        if caller is None:
            response = _response(_NOT_ADMITTED)
            response.force_close()
            return response
        _Handler.of(request).admitted = True
        try:
            return _response(await self._answer(request, caller))
        except BadMessage as error:
            return _response(Refusal(code="bad_request", why=error.why))
        except Exception:
            log.exception("no answer to %s %s", request.method, request.path)
            return _response(
                Refusal(code="trouble", why="the endpoint failed while it answered; see its log")
            )

    def _caller(self, request: web.BaseRequest) -> str | None:
        scheme, _, text = request.headers.get(hdrs.AUTHORIZATION, "").partition(" ")
        key = read_secret(text.strip(), KEY_BYTES) if scheme.lower() == "bearer" else None
        return None if key is None else self._admit(key)

    async def _answer(self, request: web.BaseRequest, caller: str) -> Any:
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
        return await answer(Call(caller=caller, remote=request.remote or "", parts=parts, body=body))


class _Request(web.BaseRequest):
    async def _prepare_hook(self, response: web.StreamResponse) -> None:
        response.headers.popall(hdrs.SERVER, None)  # the banner that aiohttp has just put in


class _Handler(web.RequestHandler):
    """One connection. `admitted` says whether it has shown a valid key."""

    __slots__ = ("_patience", "admitted")

    def __init__(self, server: web.Server) -> None:
        loop = asyncio.get_running_loop()
        super().__init__(
            server,
            loop=loop,
            access_log=None,  # type: ignore[arg-type]  # aiohttp tests it for truth
            keepalive_timeout=IDLE_S,
            lingering_time=_LINGER_S,
            auto_decompress=False,
        )
        self.admitted = False
        self._patience: asyncio.TimerHandle | None = None

    @staticmethod
    def of(request: web.BaseRequest) -> _Handler:
        handler = request.protocol
        assert isinstance(handler, _Handler)  # noqa: S101 - for the type checker; _Server makes no others
        return handler

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        self._patience = asyncio.get_running_loop().call_later(READ_S, self._unless_admitted, transport)

    def connection_lost(self, exc: BaseException | None) -> None:
        if self._patience is not None:
            self._patience.cancel()
        super().connection_lost(exc)

    def _unless_admitted(self, transport: asyncio.BaseTransport) -> None:
        if not self.admitted and isinstance(transport, asyncio.Transport):
            transport.abort()

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

    def __call__(self) -> web.RequestHandler:
        return _Handler(self)

    def connection_made(self, handler: web.RequestHandler, transport: asyncio.Transport) -> None:
        super().connection_made(handler, transport)
        if len(self.connections) > CONNECTIONS_MAX:
            transport.abort()


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
