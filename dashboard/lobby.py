"""Connections that ask for nothing: how many a dashboard holds, and whose goes when there are more.

Whoever opens connections by the thousand would else have every descriptor there is, and the log full of that.
One that waits for its answer stays. A form counts as nothing asked, since its octets may come one a minute.
Imports store's crowd.
"""

from __future__ import annotations

import asyncio
import resource
from collections.abc import Awaitable, Callable, Iterable
from contextlib import suppress

from aiohttp import web

from store.crowd import Crowd, Stranger, network_of

IDLE_MAX = 1024  # a proxy keeps some hundred for all its visitors
HANDSHAKE_S = 5.0  # a connection may take so long to agree on TLS
_LOOK_S = 0.25
_FILES = 4096  # descriptors for what comes between two looks; many hosts give a program 1024 unless it asks

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Lobby:
    """Knows which connections wait for an answer, and ends some of the others when they are too many."""

    def __init__(self) -> None:
        self._served: set[asyncio.BaseProtocol] = set()

    @web.middleware
    async def seen(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Note whose request is being answered."""
        if request.method not in ("GET", "HEAD"):
            return await handler(request)
        self._served.add(request.protocol)
        try:
            return await handler(request)
        finally:
            self._served.discard(request.protocol)

    def look(self, connections: Iterable[web.RequestHandler]) -> None:
        """End the oldest idle ones of the network that has most, of all `connections`, oldest first."""
        crowd = Crowd(IDLE_MAX)
        for one in connections:
            if one in self._served or not isinstance(one.transport, asyncio.Transport):
                continue
            peer = one.transport.get_extra_info("peername")
            if peer:
                crowd.come(Stranger(network=network_of(peer[0]), end=one.transport.abort))

    async def keep(self, server: web.Server) -> None:
        """Look again and again."""
        more_files()
        while True:
            self.look(server.connections)
            await asyncio.sleep(_LOOK_S)


def more_files() -> None:
    """Let this process have more descriptors, as far as its host and its service manager allow."""
    with suppress(OSError, ValueError):
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        most = _FILES if hard == resource.RLIM_INFINITY else min(_FILES, hard)
        if soft != resource.RLIM_INFINITY and soft < most:
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
