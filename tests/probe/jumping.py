"""An event loop whose time jumps: when nothing can run, it is at once the time of the next timer.

A day of the daemon takes a moment that way, with the product's own waits and no sleep replaced. Only for
tests without other threads or sockets, which such a loop would outrun.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

from store.clock import NS_PER_S, Clock

T = TypeVar("T")


class _JumpingSelector(selectors.DefaultSelector):
    """Never waits for a time-out: it makes that time pass."""

    passed_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            return super().select(None)
        found = super().select(0)
        if not found:
            self.passed_s += max(0.0, timeout)
        return found


class _JumpingLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.passed_s


def run_from(unix_ns: int, work: Callable[[Clock], Coroutine[Any, Any, T]]) -> T:
    """What `work` returns, run on a loop whose clock starts at `unix_ns` and jumps."""
    with asyncio.Runner(loop_factory=_JumpingLoop) as runner:
        loop = runner.get_loop()

        def passed_ns() -> int:
            return round(loop.time() * NS_PER_S)

        clock = Clock(monotonic_ns=passed_ns, unix_ns=lambda: unix_ns + passed_ns())
        return runner.run(work(clock))
