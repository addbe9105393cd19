"""News from the kernel that some interface of this host changed: rtnetlink(7), group RTMGRP_LINK.

The messages are not read for what they say, since the kernel joins several and may drop some: they tell
when to look (`probe.linux.link`). Works without privileges.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Self

_NETLINK_ROUTE = 0  # linux/netlink.h
_RTMGRP_LINK = 1  # linux/rtnetlink.h
_MESSAGE_BYTES = 8192


class LinkNews:
    """A socket that hears of every change. A context manager, inside an event loop."""

    def __init__(self) -> None:
        self._sock: socket.socket | None = None
        self._news = asyncio.Event()

    def __enter__(self) -> Self:
        """Without such a socket there are no news, and whoever waits looks when its time is over."""
        try:
            self._sock = socket.socket(
                socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_NONBLOCK, _NETLINK_ROUTE
            )
            self._sock.bind((0, _RTMGRP_LINK))
        except OSError:
            self._close()
            return self
        asyncio.get_running_loop().add_reader(self._sock, self._read)
        return self

    def __exit__(self, *_: object) -> None:
        if self._sock is not None:
            asyncio.get_running_loop().remove_reader(self._sock)
        self._close()

    async def within(self, seconds: float) -> None:
        """Wait for news, but no longer than this."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._news.wait()
        self._news.clear()

    def _read(self) -> None:
        """Drain the socket; ENOBUFS says that messages were dropped, which is news as well."""
        self._news.set()
        with contextlib.suppress(OSError):
            while self._sock is not None:
                self._sock.recv(_MESSAGE_BYTES)

    def _close(self) -> None:
        if self._sock is not None:
            self._sock.close()
            self._sock = None
