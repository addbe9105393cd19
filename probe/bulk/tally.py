"""What arrived of one direction of a run, per 100 ms bin, from what the kernel says of each flow. Pure.

TCP hands payload over in order: one lost packet holds back all that follow, and its repeat lets go of
them at once. Counted at that moment, a window of some seconds on a full line would be wrong by several
per cent. So bins follow the arrivals that the kernel counts (TCP_INFO `data_segs_in`, in segments), less
what arrived twice:

    segments x MSS - delivered = waiting behind a hole + arrived twice

What arrived twice never shrinks, and nothing waits once the holes are closed; so the least that the left
side is at any later time bounds what had arrived twice by then, and equals it once every hole of that
time has closed. Small segments act like doubles. Where the kernel does not count segments, or counts
merged ones as one, bins follow what was delivered.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from itertools import accumulate

from store.clock import NS_PER_MS, NS_PER_S

BIN_NS = 100 * NS_PER_MS

_MERGED_SEGMENTS = 16  # delivered beyond all counted segments by this many: the counter counts merged ones


class Series:
    """One flow: segments arrived and bytes delivered, at each bin's edge and where they differ least."""

    def __init__(self, bins: int) -> None:
        self._bins = bins
        self._edges: list[tuple[float, float]] = [(0.0, 0.0)]  # segments and bytes at the start of each bin
        self._least: dict[int, tuple[int, int]] = {}  # bin of the sample, the run's tail being one
        self._last = (0, 0, 0)  # time, segments, bytes
        self._mss_bytes = 1

    def note(self, at_ns: int, *, segments: int, delivered_bytes: int, mss_bytes: int) -> None:
        """What the kernel says `at_ns` after the run's first byte; later samples have later times."""
        self._mss_bytes = max(self._mss_bytes, mss_bytes)
        last_ns, last_segments, last_bytes = self._last
        while len(self._edges) <= self._bins and (edge_ns := len(self._edges) * BIN_NS) <= at_ns:
            share = (edge_ns - last_ns) / (at_ns - last_ns)
            self._edges.append(
                (
                    last_segments + (segments - last_segments) * share,
                    last_bytes + (delivered_bytes - last_bytes) * share,
                )
            )
        self._last = at_ns, segments, delivered_bytes
        place = min(at_ns // BIN_NS, self._bins)
        least = self._least.get(place)
        if least is None or self._beyond(segments, delivered_bytes) <= self._beyond(*least):
            self._least[place] = segments, delivered_bytes

    def arrived(self, bins: int) -> list[int]:
        """Bytes that had arrived at the end of each of the first `bins` bins; silence adds nothing."""
        edges = list(self._edges[: bins + 1])
        edges += [self._last[1:]] * (bins + 1 - len(edges))
        doubles = self._doubles(bins)
        if not self._last[1] or min(doubles) < -_MERGED_SEGMENTS * self._mss_bytes:
            return [round(delivered) for _, delivered in edges[1:]]
        found = (
            round(segments * self._mss_bytes - double)
            for (segments, _), double in zip(edges, doubles, strict=True)
        )
        return list(accumulate(found, max, initial=0))[2:]

    def _doubles(self, bins: int) -> list[int]:
        """The bound on what had arrived twice, at each edge of the first `bins` bins."""
        least = self._beyond(*self._last[1:])
        found = []
        for place in range(self._bins, -1, -1):
            if place in self._least:
                least = min(least, self._beyond(*self._least[place]))
            if place <= bins:
                found.append(least)
        return found[::-1]

    def _beyond(self, segments: int, delivered_bytes: int) -> int:
        return segments * self._mss_bytes - delivered_bytes


class Tally:
    """The flows of one direction together, from the first byte of any of them."""

    def __init__(self, *, seconds: float) -> None:
        self.bins = max(1, round(seconds * NS_PER_S) // BIN_NS)
        self.origin_ns: int | None = None
        self._series: list[Series] = []
        self._lock = threading.Lock()

    def series(self) -> Series:
        """A place for one more flow's samples."""
        made = Series(self.bins)
        with self._lock:
            self._series.append(made)
        return made

    def begin(self, now_ns: int) -> int:
        """When the first byte came; the first caller's is the first byte."""
        with self._lock:
            if self.origin_ns is None:
                self.origin_ns = now_ns
            return self.origin_ns

    @property
    def end_ns(self) -> int | None:
        """When the last bin ends; None before the first byte."""
        return None if self.origin_ns is None else self.origin_ns + BIN_NS * self.bins

    def counted(self, now_ns: int) -> tuple[int, ...]:
        """The whole bins up to now."""
        if self.origin_ns is None:
            return ()
        whole = min(self.bins, max(0, now_ns - self.origin_ns) // BIN_NS)
        return _differences(map(sum, zip(*(one.arrived(whole) for one in self._series), strict=True)))


def _differences(sums: Iterable[int]) -> tuple[int, ...]:
    last, found = 0, []
    for value in sums:
        found.append(value - last)
        last = value
    return tuple(found)
