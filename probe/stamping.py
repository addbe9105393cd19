"""Time stamps of the days' heads from a server that the site file names (RFC 3161 over HTTP, section 3.4).

Only the newest whole day's head is stamped: it stands for all days before it. The asking goes on in the
background until there is an answer that fits; measuring never waits for it. Owned by the daemon.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections.abc import Awaitable, Callable
from contextlib import closing
from pathlib import Path
from typing import Protocol

import aiohttp

from store import timestamp
from store.clock import rfc3339
from store.errors import DatabaseMistake
from store.reader import Reader

LOOK_EVERY_S = 600.0
RETRY_MOST_S = 6 * 3600.0

_ANSWER_WITHIN_S = 30.0
_ANSWER_BYTES_MAX = 1 << 20  # tokens weigh a few kilobytes


class Stamps(Protocol):
    """What this needs of `store.writer.Writer`."""

    def stamp(self, head: int, token: bytes) -> None: ...


async def keep_stamped(
    url: str,
    *,
    database: Path,
    store: Stamps,
    log: logging.Logger,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Have each day's head stamped, until cancelled; after a failure again, each time twice as late."""
    wait_s = LOOK_EVERY_S
    while True:
        head = await asyncio.to_thread(_unstamped, database)
        if head is not None:
            number, statement = head
            try:
                token, unix_ns = await ask(url, statement)
            except (aiohttp.ClientError, TimeoutError, ValueError) as error:
                why = str(error) or "no answer in time"
                log.warning("time stamp not got head=%d from=%s why=%s", number, url, why)
                wait_s = min(2 * wait_s, RETRY_MOST_S)
            else:
                store.stamp(number, token)
                log.info("time stamp stored head=%d from=%s time=%s", number, url, rfc3339(unix_ns))
                wait_s = LOOK_EVERY_S
        await sleep(wait_s)


def _unstamped(database: Path) -> tuple[int, bytes] | None:
    """The head that is to be stamped, if any, as far as the database can be read. Blocks."""
    try:
        with closing(Reader.open(database)) as reader:
            return reader.unstamped_head()
    except (DatabaseMistake, sqlite3.Error):  # whoever writes it says so
        return None


async def ask(url: str, statement: bytes) -> tuple[bytes, int]:
    """The response for a statement, checked, and its time in Unix nanoseconds.

    Raises aiohttp.ClientError or TimeoutError when no answer comes, ValueError for one that does not fit.
    """
    asked = timestamp.request(statement)
    limit = aiohttp.ClientTimeout(total=_ANSWER_WITHIN_S)
    async with (
        aiohttp.ClientSession(timeout=limit) as session,
        session.post(url, data=asked.der, headers={"Content-Type": timestamp.MEDIA_TYPE}) as answer,
    ):
        if answer.status != 200:
            raise ValueError(f"the server answered with HTTP status {answer.status}")
        token = await _whole(answer)
    return token, timestamp.accept(token, asked)


async def _whole(answer: aiohttp.ClientResponse) -> bytes:
    token = bytearray()
    async for part in answer.content.iter_chunked(1 << 14):
        token += part
        if len(token) > _ANSWER_BYTES_MAX:
            raise ValueError("the answer is larger than any time stamp")
    return bytes(token)
