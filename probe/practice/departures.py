"""What leaves the line when: the heap that the relay's loop empties, and the time it counts in.

Line time is monotonic nanoseconds since the line began. Imports the clock only.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable

from store.clock import Clock


class Departures:
    """Actions by the line time at which they are due; equal times keep the order they came in."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began_ns = clock.monotonic_ns()
        self.began_unix_ns = clock.unix_ns()
        self._heap: list[tuple[int, int, Callable[[], None]]] = []
        self._count = 0

    def now_ns(self) -> int:
        """Line time now."""
        return self._clock.monotonic_ns() - self._began_ns

    def arrived_ns(self, stamp_unix_ns: int) -> int:
        """The line time of a kernel stamp of a moment ago; now for a stamp from the future."""
        return self.now_ns() - max(0, self._clock.unix_ns() - stamp_unix_ns)

    def unix_ns(self) -> int:
        """Unix time now."""
        return self._clock.unix_ns()

    def add(self, leaves_ns: int, action: Callable[[], None]) -> None:
        """Call `action` once line time has reached `leaves_ns`."""
        self._count += 1
        heapq.heappush(self._heap, (leaves_ns, self._count, action))

    def let_leave(self) -> None:
        """Call everything that is due, earliest first."""
        while self._heap and self._heap[0][0] <= self.now_ns():
            heapq.heappop(self._heap)[2]()

    @property
    def next_ns(self) -> int | None:
        """When the next one is due; None when nothing waits."""
        return self._heap[0][0] if self._heap else None
