"""An event loop whose time jumps: when nothing can run, it is at once the time of the next timer.

A day of the daemon takes a moment that way, with the product's own waits and no sleep replaced. The host may
sleep and have its clock set, as written down beforehand. Only for tests without other threads or sockets,
which such a loop would outrun.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import pytest

from probe import clock_watch, daemon, hours
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


@dataclass(frozen=True, kw_only=True)
class Leap:
    """After so long awake, the host sleeps for a while, or somebody sets its clock by so much."""

    awake_s: float
    slept_s: float = 0.0
    set_s: float = 0.0


@contextmanager
def unhurried(look_s: float = 60.0, *, clock_look_s: float = 60.0) -> Iterator[None]:
    """For lives of days: a daemon looks less often whether its clock was set and the site's hours are over.

    Those looks cost more than everything that it does in between.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hours, "_LOOK_EVERY_S", look_s)
        patch.setattr(daemon, "ALIVE_EVERY_S", look_s)
        patch.setattr(clock_watch, "LOOK_EVERY_S", clock_look_s)
        yield


def run_from(
    unix_ns: int, work: Callable[[Clock], Coroutine[Any, Any, T]], *, leaps: Sequence[Leap] = ()
) -> T:
    """What `work` returns, run on a loop whose clock starts at `unix_ns` and jumps.

    As on a real host, the loop's timers go by monotonic time and stand still while it sleeps.
    """
    with asyncio.Runner(loop_factory=_JumpingLoop) as runner:
        loop = runner.get_loop()

        to_come, slept_ns, set_ns = sorted(leaps, key=lambda leap: leap.awake_s), 0, 0

        def awake_ns() -> int:
            return round(loop.time() * NS_PER_S)

        def boot_ns() -> int:
            nonlocal slept_ns, set_ns
            while to_come and to_come[0].awake_s <= loop.time():
                leap = to_come.pop(0)
                slept_ns += round(leap.slept_s * NS_PER_S)
                set_ns += round(leap.set_s * NS_PER_S)
            return awake_ns() + slept_ns

        def wall_ns() -> int:
            return boot_ns() + unix_ns + set_ns

        return runner.run(
            work(Clock(monotonic_ns=awake_ns, unix_ns=wall_ns, boot_ns=boot_ns, raw_ns=awake_ns))
        )
