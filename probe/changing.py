"""Something whose changes a task can wait for, and work that such a change may end.

Belongs to one event loop; nothing here is for threads. Imports nothing of the house.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass
from typing import Any, TypeVar

T = TypeVar("T")


class Changing:
    """State that says when it changed."""

    def __init__(self) -> None:
        self._changed = asyncio.Event()

    def changed(self) -> None:
        """Wake everybody who waits for a change."""
        self._changed.set()
        self._changed = asyncio.Event()

    async def until(self, found: Callable[[], T | None]) -> T:
        """What `found` returns once it is not None; it is asked now and after every change."""
        while (value := found()) is None:
            await self._changed.wait()
        return value

    async def change(self) -> None:
        """Wait for the next change."""
        await self._changed.wait()

    async def change_within(self, seconds: float) -> None:
        """Wait for a change, but no longer than this."""
        changed = self._changed
        try:
            async with asyncio.timeout(seconds):
                await changed.wait()
        except TimeoutError:
            return


@dataclass(frozen=True, slots=True, kw_only=True)
class Halted:
    """Work was ended before it was done."""

    why: str


async def unless(work: Awaitable[T], halt: Coroutine[Any, Any, str]) -> T | Halted:
    """What `work` returns, unless `halt` returns first: then the work is cancelled, and has let go."""

    async def run() -> T:
        return await work

    working, waiting = asyncio.create_task(run(), name="work"), asyncio.create_task(halt, name="halt")
    try:
        await asyncio.wait({working, waiting}, return_when=asyncio.FIRST_COMPLETED)
        ended = working.done()
    finally:
        working.cancel()
        waiting.cancel()
        await asyncio.gather(working, waiting, return_exceptions=True)
    return working.result() if ended else Halted(why=waiting.result())
