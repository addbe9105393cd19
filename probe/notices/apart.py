"""Blocking work in a thread that nothing waits for: it can be broken off at once, and never delays the end.

The event loop's own threads are waited for when a program ends, and a name that does not resolve may hold
one for half a minute. Imports nothing of the house.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from typing import Protocol


class Blocking(Protocol):
    """Work that blocks. `abort` may be called from another thread at any moment, and after the end."""

    def send(self) -> None: ...
    def abort(self) -> None: ...


async def run(work: Blocking) -> None:
    """Do the work; raises what it raises. Cancelled, it breaks the work off and returns at once."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def settle(error: Exception | None) -> None:
        if done.done():
            return
        if error is None:
            done.set_result(None)
        else:
            done.set_exception(error)

    def work_apart() -> None:
        found: Exception | None = None
        try:
            work.send()
        except Exception as error:
            found = error
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody wants to know any more
            loop.call_soon_threadsafe(settle, found)

    threading.Thread(target=work_apart, name="notice", daemon=True).start()
    try:
        await done
    finally:
        work.abort()
