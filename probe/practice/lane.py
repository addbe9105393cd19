"""One direction of a practice line at work: what becomes of each packet, and when it leaves.

A single queue, first in first out, which TCP and datagrams share, so that a full upload delays everything
behind it. Times are nanoseconds since the line began, randomness is handed in. Pure: no socket, no clock.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from probe.practice.line import How, LaneBehaviour, PlannedStall, Spell
from store.clock import NS_PER_MS, NS_PER_S

_LATEST_FILL = 0.99  # TCP fills the queue up to here; the rest is left for datagrams
_CHUNK_S = 0.002  # TCP enters in pieces of this much service, so that a datagram waits no longer for one
_TCP_PACE = 2  # times the rate: in slow start each acknowledgement brings two segments (RFC 5681 3.1)
_DUPLICATE_AFTER_NS = NS_PER_MS // 10


class Fate(StrEnum):
    """What became of a datagram."""

    CARRIED = "carried"
    LOSS = "loss"  # lost at random
    QUEUE = "queue"  # the queue was full
    STALL = "stall"  # it came within a stall that loses


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of the cycle in which nothing changes."""

    start_ns: int
    spell: Spell
    stall: PlannedStall | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """What the line does with one datagram: the moments its copies leave (none unless carried)."""

    fate: Fate
    leaves_ns: tuple[int, ...] = ()
    late: bool = False  # sent behind its successors on purpose


class Lane:
    """One direction's queue at work. Times must not run backwards from call to call."""

    def __init__(self, behaviour: LaneBehaviour, *, cycle_ns: int, source: random.Random) -> None:
        self.queue_bytes = behaviour.queue_bytes
        self._cycle_ns = cycle_ns
        self._segments = list(_segments(behaviour))
        self._starts = [segment.start_ns for segment in self._segments]
        self._source = source
        self._waiting: deque[tuple[int, int]] = deque()  # (service ends, bytes)
        self._waiting_bytes = 0
        self._served_ns = 0
        self._tcp_from_ns = 0
        self._last_leaves_ns = 0

    def at(self, now_ns: int) -> Segment:
        """What holds at a moment."""
        return self._segments[bisect_right(self._starts, now_ns % self._cycle_ns) - 1]

    def waiting_bytes(self, now_ns: int) -> int:
        """Bytes in the queue, the one in service included."""
        waiting = self._waiting
        while waiting and waiting[0][0] <= now_ns:
            self._waiting_bytes -= waiting.popleft()[1]
        return self._waiting_bytes

    def chunk_bytes(self, now_ns: int) -> int:
        """How much TCP may enter now in one piece: about 2 ms of service, 0 while it must wait.

        It waits for room in the queue, and for its pace: a queue that filled at once would look like a
        stall to whatever comes behind it.
        """
        if now_ns < self._tcp_from_ns:
            return 0
        wanted = min(max(int(self.at(now_ns).spell.rate_bps * _CHUNK_S / 8), 512), 262_144)
        fits = int(self.queue_bytes * _LATEST_FILL) - self.waiting_bytes(now_ns)
        return wanted if fits >= wanted else 0

    def room_at_ns(self, now_ns: int) -> int:
        """When to ask for room again, while there is none."""
        if now_ns < self._tcp_from_ns:
            return self._tcp_from_ns
        self.waiting_bytes(now_ns)
        return self._waiting[0][0] if self._waiting else now_ns

    def chunk(self, size_bytes: int, now_ns: int) -> int:
        """Take a piece of TCP in; the moment it leaves at the far end. Never refused, never lost."""
        pace_bps = _TCP_PACE * self.at(now_ns).spell.rate_bps
        self._tcp_from_ns = max(now_ns, self._tcp_from_ns) + size_bytes * 8 * NS_PER_S // pace_bps
        return self._in_order(self._serve(size_bytes, now_ns))

    def passing_ns(self, now_ns: int) -> int:
        """When something would arrive that overtakes the queue: the reset of a connection."""
        return now_ns + self.at(now_ns).spell.delay_ns

    def datagram(self, size_bytes: int, now_ns: int) -> Passage:
        """Take a datagram in, or not."""
        now = self.at(now_ns)
        if now.stall is not None and now.stall.how is How.LOST:
            return Passage(fate=Fate.STALL)
        if self.waiting_bytes(now_ns) + size_bytes > self.queue_bytes:
            return Passage(fate=Fate.QUEUE)
        served_ns = self._serve(size_bytes, now_ns)
        spell = now.spell
        if spell.loss_ratio and self._source.random() < spell.loss_ratio:
            return Passage(fate=Fate.LOSS)
        if spell.late_ratio and self._source.random() < spell.late_ratio:
            return Passage(
                fate=Fate.CARRIED, leaves_ns=(served_ns + spell.delay_ns + spell.late_by_ns,), late=True
            )
        leaves_ns = self._in_order(served_ns)
        if spell.duplicate_ratio and self._source.random() < spell.duplicate_ratio:
            return Passage(fate=Fate.CARRIED, leaves_ns=(leaves_ns, leaves_ns + _DUPLICATE_AFTER_NS))
        return Passage(fate=Fate.CARRIED, leaves_ns=(leaves_ns,))

    def stalls_ended(self, from_ns: int, to_ns: int) -> Iterator[PlannedStall]:
        """The stalls that ended within a span, in line time."""
        for cycle in range(from_ns // self._cycle_ns, to_ns // self._cycle_ns + 1):
            for segment in self._segments:
                planned = segment.stall
                if planned is None or segment.start_ns != planned.start_ns:
                    continue
                start_ns = planned.start_ns + cycle * self._cycle_ns
                if from_ns < start_ns + planned.length_ns <= to_ns:
                    yield PlannedStall(start_ns=start_ns, length_ns=planned.length_ns, how=planned.how)

    def _in_order(self, served_ns: int) -> int:
        """Add the way itself; nothing overtakes what was served before it."""
        spell = self.at(served_ns).spell
        jitter_ns = self._source.randrange(spell.jitter_ns + 1) if spell.jitter_ns else 0
        self._last_leaves_ns = max(self._last_leaves_ns, served_ns + spell.delay_ns + jitter_ns)
        return self._last_leaves_ns

    def _serve(self, size_bytes: int, now_ns: int) -> int:
        """Queue `size_bytes` behind all before it; the moment its last bit has been served."""
        at_ns = max(now_ns, self._served_ns)
        left = size_bytes * 8 * NS_PER_S  # bits, times ns a second, so that all stays whole numbers
        while True:
            segment = self.at(at_ns)
            ends_ns = self._ends_ns(segment, at_ns)
            rate_bps = 0 if segment.stall else segment.spell.rate_bps
            if rate_bps and left <= (ends_ns - at_ns) * rate_bps:
                break
            left -= (ends_ns - at_ns) * rate_bps
            at_ns = ends_ns
        self._served_ns = at_ns + math.ceil(left / rate_bps)
        self._waiting.append((self._served_ns, size_bytes))
        self._waiting_bytes += size_bytes
        return self._served_ns

    def _ends_ns(self, segment: Segment, at_ns: int) -> int:
        cycle_start_ns = at_ns - at_ns % self._cycle_ns
        following = bisect_right(self._starts, segment.start_ns)
        within_ns = self._starts[following] if following < len(self._starts) else self._cycle_ns
        return cycle_start_ns + within_ns


def _segments(behaviour: LaneBehaviour) -> Iterator[Segment]:
    """Spells cut at the edges of stalls, by time."""
    spells, stalls = behaviour.spells, behaviour.stalls
    starts = [spell.start_ns for spell in spells]
    stall_starts = [stall.start_ns for stall in stalls]
    edges = {*starts, *stall_starts, *(stall.end_ns for stall in stalls)}
    for edge_ns in sorted(edges):
        before = bisect_right(stall_starts, edge_ns) - 1
        inside = stalls[before] if before >= 0 and edge_ns < stalls[before].end_ns else None
        yield Segment(start_ns=edge_ns, spell=spells[bisect_right(starts, edge_ns) - 1], stall=inside)
