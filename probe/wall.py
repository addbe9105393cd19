"""How the clock on the wall stands, what it did lately, and waiting for a moment by it.

Whatever is planned by local time waits here, so that a clock that is set, and a host that slept, are noticed
at once and not when a timer of monotonic time runs out. Knows no store and reads no clock but the one it is
handed. Imports store, changing and the judge of readings.
"""

from __future__ import annotations

from collections import deque

from probe.changing import Changing
from probe.clock_judge import ClockJudge
from probe.linux.clock_state import ClockState
from store.clock import NS_PER_S, NS_PER_US, Clock
from store.clock_change import ClockChange, ClockHow

SLEPT = "this host slept"

_KEPT = 100  # changes; whoever asks asks about the last hours
_LOOK_AGAIN_S = 30.0  # should nobody look for changes meanwhile
_SOON_NS = 2 * NS_PER_S  # what a train has of the time around a sleep is no further off than that


class Wall(Changing):
    """Changes whenever the clock was set or the host slept; `count` says how often that was."""

    def __init__(self) -> None:
        super().__init__()
        self.judge = ClockJudge()
        self.state = ClockState(synchronised=None, error_us=None)
        self.count = 0
        self._leaps: deque[ClockChange] = deque(maxlen=_KEPT)

    def note(self, change: ClockChange) -> None:
        """Remember a step or a sleep, and wake everybody who waits by the wall's clock."""
        self._leaps.append(change)
        self.count += 1
        self.changed()

    async def wait_until(self, unix_ns: int, *, clock: Clock) -> None:
        """Wait for a moment on the wall's clock."""
        while (left_ns := unix_ns - clock.unix_ns()) > 0:
            await self.change_within(min(left_ns / NS_PER_S, _LOOK_AGAIN_S))

    def stepped(self, from_ns: int, to_ns: int) -> bool:
        """Whether the clock may have been set within this time, by the clock as it was before.

        Time that a clock set back shows again is taken for the same.
        """
        steps = (one for one in self._leaps if one.how is ClockHow.STEP)
        return any(
            one.started_unix_ns <= to_ns and from_ns <= one.started_unix_ns + one.elapsed_us * NS_PER_US
            for one in steps
        )

    def leapt(self, from_ns: int, to_ns: int) -> str | None:
        """The sentence that says why some of this time never came: slept through, or set over. Else None."""
        for one in reversed(self._leaps):
            began_ns, ended_ns = lost_time(one)
            if began_ns <= to_ns and from_ns < ended_ns:
                if one.how is ClockHow.SUSPEND:
                    return SLEPT
                return f"the clock was set forward over it, by {(one.by_us or 0) / 1e6:.3f} s"
        return None

    def set_back_ns(self, since_count: int) -> int:
        """By how much the clock was set back after `count` was this."""
        lately = list(self._leaps)[max(0, len(self._leaps) - (self.count - since_count)) :]
        back = (min(0, one.by_us or 0) for one in lately if one.how is ClockHow.STEP)
        return -sum(back) * NS_PER_US

    def awake_since(self, unix_ns: int) -> int:
        """When the host woke from the sleep that it was in, or about to fall into, at this moment."""
        for one in reversed(self._leaps):
            began_ns, ended_ns = lost_time(one)
            if one.how is ClockHow.SUSPEND and began_ns - _SOON_NS <= unix_ns <= ended_ns:
                return ended_ns
        return unix_ns


def lost_time(change: ClockChange) -> tuple[int, int]:
    """What of the wall clock's time a sleep or a step forward left out, from and to; nothing otherwise.

    It lies somewhere between two readings a second apart, and is taken to be the last of that.
    """
    by_ns = max(0, change.by_us or 0) * NS_PER_US
    return change.ended_unix_ns - by_ns, change.ended_unix_ns
