"""How a practice line behaves over time, and what it does to each packet: pure and seeded.

A `LineBehaviour` is data: per direction the spells of rate, delay and loss, and the stalls, over one cycle
that then repeats. A `Lane` plays one direction of it: a single queue, first in first out, which TCP and
datagrams share, so that a full upload delays everything behind it. Times are nanoseconds since the line
began. Stands at the bottom of practice; imports no socket and reads no clock.

Rates are payload, as the relay carries it: it sees neither headers nor acknowledgements.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import Any

from store.clock import NS_PER_MS, NS_PER_S
from store.records import Direction

DAY_S = 60
FAULTS_AS_OFTEN = 60
CALENDAR = (
    f"Faults come faster here than in life: a day of the line passes in {DAY_S} seconds, its evening sag "
    f"taking the usual share of it; stalls and bursts of loss come {FAULTS_AS_OFTEN} times as often as in "
    "life, each at its true length."
)
"""What the practice calendar does to time, for whoever reads the figures."""

_UNLIMITED_BPS = 10_000_000_000  # far above what a relay in Python carries
_LATEST_FILL = 0.99  # TCP fills the queue up to here; the rest is left for datagrams
_CHUNK_S = 0.002  # TCP enters in pieces of this much service, so that a datagram waits no longer for one
_TCP_PACE = (
    2  # times the rate: a starting sender answers each acknowledgement with two segments (RFC 5681 3.1)
)
_DUPLICATE_AFTER_NS = NS_PER_MS // 10


class How(StrEnum):
    """What a stall does to datagrams that arrive in it. What already waits is held in either case."""

    HELD = "held"
    LOST = "lost"


class Fate(StrEnum):
    """What became of a datagram."""

    CARRIED = "carried"
    LOSS = "loss"  # lost at random
    QUEUE = "queue"  # the queue was full
    STALL = "stall"  # it came within a stall that loses


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """What holds from `start_ns` until the next spell. Jitter is uniform from 0 to `jitter_ns`, on top."""

    start_ns: int
    rate_bps: int
    delay_ns: int
    jitter_ns: int = 0
    loss_ratio: float = 0.0
    duplicate_ratio: float = 0.0
    late_ratio: float = 0.0  # share of datagrams that arrive `late_by_ns` late, behind their successors
    late_by_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStall:
    """A time without service."""

    start_ns: int
    length_ns: int
    how: How

    @property
    def end_ns(self) -> int:
        return self.start_ns + self.length_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneBehaviour:
    """One direction over one cycle: spells and stalls by time, the first spell at 0, stalls apart."""

    queue_bytes: int
    spells: tuple[Spell, ...]
    stalls: tuple[PlannedStall, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LineBehaviour:
    """Both directions over a cycle that repeats; equal seeds give equal fates to equal arrivals."""

    cycle_ns: int
    seed: int
    up: LaneBehaviour
    down: LaneBehaviour

    def lane(self, direction: Direction) -> LaneBehaviour:
        """One direction (UP or DOWN)."""
        return self.up if direction is Direction.UP else self.down


def as_json(behaviour: LineBehaviour) -> dict[str, Any]:
    """The behaviour as a JSON object; `from_json` undoes it."""
    return asdict(behaviour)


def from_json(data: dict[str, Any]) -> LineBehaviour:
    """A behaviour from what `as_json` made of it."""

    def lane(found: dict[str, Any]) -> LaneBehaviour:
        stalls = (PlannedStall(**{**stall, "how": How(stall["how"])}) for stall in found["stalls"])
        return LaneBehaviour(
            queue_bytes=found["queue_bytes"],
            spells=tuple(Spell(**spell) for spell in found["spells"]),
            stalls=tuple(stalls),
        )

    return LineBehaviour(
        cycle_ns=data["cycle_ns"], seed=data["seed"], up=lane(data["up"]), down=lane(data["down"])
    )


# The two lines


def fixed_line(
    *,
    delay_ms: float,
    jitter_ms: float = 0.0,
    rate_up_bps: int = _UNLIMITED_BPS,
    rate_down_bps: int = _UNLIMITED_BPS,
    queue_bytes: int = 1_400_000,
    loss_up: float = 0.0,
    loss_down: float = 0.0,
    duplicate: float = 0.0,
    reorder: float = 0.0,
    reorder_by_ms: float = 60.0,
    stalls_up: Sequence[PlannedStall] = (),
    stalls_down: Sequence[PlannedStall] = (),
    seed: int = 1,
) -> LineBehaviour:
    """A line that never changes but for the stalls given; the delay is that of each direction.

    `reorder` is the share of datagrams that come `reorder_by_ms` late; the spacing of a train must be
    shorter than that for one to be overtaken. Stalls count from the start of the line.
    """

    def lane(rate_bps: int, loss_ratio: float, stalls: Sequence[PlannedStall]) -> LaneBehaviour:
        spell = Spell(
            start_ns=0,
            rate_bps=rate_bps,
            delay_ns=round(delay_ms * NS_PER_MS),
            jitter_ns=round(jitter_ms * NS_PER_MS),
            loss_ratio=loss_ratio,
            duplicate_ratio=duplicate,
            late_ratio=reorder,
            late_by_ns=round(reorder_by_ms * NS_PER_MS),
        )
        return LaneBehaviour(queue_bytes=queue_bytes, spells=(spell,), stalls=tuple(stalls))

    return LineBehaviour(
        cycle_ns=86_400 * NS_PER_S,
        seed=seed,
        up=lane(rate_up_bps, loss_up, stalls_up),
        down=lane(rate_down_bps, loss_down, stalls_down),
    )


def stall_at(start_s: float, length_s: float, *, how: How = How.HELD) -> PlannedStall:
    """A stall by the second, for a `fixed_line`."""
    return PlannedStall(start_ns=round(start_s * NS_PER_S), length_ns=round(length_s * NS_PER_S), how=how)


# The old line of the practice site. Every figure of it is invented.
_WEEKS = 9  # of the practice calendar in one cycle
_DAY_NS = DAY_S * NS_PER_S
_HOUR_NS = _DAY_NS // 24
_OPENS_AT = 10 * _HOUR_NS  # the line begins on a Monday at 10:00 of its calendar
_REDRAWN_NS = 5 * NS_PER_S  # the rate is drawn anew this often: one draw for most of a run

_UP_HEALTHY = NormalDist(16.9e6, 1.1e6 / 1.645)  # p50 16.9, p5 15.8 Mb/s; 1.645 sd hold 95 %
_UP_SAG = NormalDist(9.2e6, 4.1e6 / 1.645)  # p50 9.2, p5 5.1 Mb/s
_UP_MOST_BPS = 18_000_000  # what was sold, "up to"
_UP_LEAST_BPS = 4_200_000  # the full queue then takes 2.7 s, and a train waits 3 s for a reply
_DOWN_BPS = (260e6, 272e6)
_UP_QUEUE_BYTES = 1_400_000
_DOWN_QUEUE_BYTES = 2_000_000
_UP_DELAY_NS, _DOWN_DELAY_NS = 11_200_000, 9_000_000  # with half the jitters: RTT 21 ms
_UP_JITTER_NS, _DOWN_JITTER_NS = 1_200_000, 400_000  # a shared upstream waits for its turn
_SAG_DELAY_NS = 14 * NS_PER_MS
_LOSS_RATIO, _BURST_LOSS_RATIO = 0.0001, 0.018
_SAG_HOURS = ((18.5, 22.75),) * 5 + ((17.0, 22.75),) * 2  # Monday to Sunday
_STALL_HOURS = (19.0, 22.5)
_STALLS_PER_HOUR = (5.0, 0.4)  # within those hours, and else
_STALL_S = (0.6, 2.4, 0.9)  # shortest, longest, most frequent of a triangle with mean 1.3
_HELD_SHARE = 0.7
_BURSTS_PER_WEEK = 2 * 30 / 7  # two half hours a week with one about every 7 min
_BURST_S = (20.0, 90.0)


def old_line(*, seed: int = 28) -> LineBehaviour:
    """The practice site's cable line with its usual faults, on the calendar that `CALENDAR` tells.

    Healthy: down 260 to 272, up 16.9 Mb/s at the median and 15.8 at p5, RTT 21 ms, loss 0.01 %. Faults, all
    upward: the evening sag (9.2 and 5.1 Mb/s, RTT +14 ms), stalls of 0.6 to 2.4 s (70 % held, the others
    lost), bursts of 1.8 % loss; and always a queue of 1.4 MB, which a full upload fills. The default seed
    brings a stall within the first half minute.
    """
    source = random.Random(seed)  # noqa: S311 - weather, not secrets
    cycle_ns = _WEEKS * 7 * _DAY_NS
    return LineBehaviour(
        cycle_ns=cycle_ns,
        seed=seed,
        up=LaneBehaviour(
            queue_bytes=_UP_QUEUE_BYTES,
            spells=_up_spells(cycle_ns, source),
            stalls=tuple(_stalls(cycle_ns, source)),
        ),
        down=LaneBehaviour(queue_bytes=_DOWN_QUEUE_BYTES, spells=_down_spells(cycle_ns, source)),
    )


def _hour_of(at_ns: int) -> tuple[int, float]:
    """(weekday, hour) of the practice calendar."""
    day, rest_ns = divmod(at_ns + _OPENS_AT, _DAY_NS)
    return day % 7, rest_ns / _HOUR_NS


def _sags(at_ns: int) -> bool:
    weekday, hour = _hour_of(at_ns)
    return _SAG_HOURS[weekday][0] <= hour < _SAG_HOURS[weekday][1]


def _up_spells(cycle_ns: int, source: random.Random) -> tuple[Spell, ...]:
    bursts = list(_bursts(cycle_ns, source))
    edges = {0, *(edge for burst in bursts for edge in burst)}
    edges |= {day * _DAY_NS + offset for day in range(-1, _WEEKS * 7) for offset in _sag_edges(day)}
    starts = list(_divided(sorted(edge for edge in edges if 0 <= edge < cycle_ns), cycle_ns))
    sags = [_sags(start_ns) for start_ns in starts]
    rates = {
        True: _draws(_UP_SAG, sags.count(True), source),
        False: _draws(_UP_HEALTHY, sags.count(False), source),
    }
    return tuple(
        Spell(
            start_ns=start_ns,
            rate_bps=next(rates[sag]),
            delay_ns=_UP_DELAY_NS + _SAG_DELAY_NS * sag,
            jitter_ns=_UP_JITTER_NS,
            loss_ratio=_BURST_LOSS_RATIO if any(a <= start_ns < b for a, b in bursts) else _LOSS_RATIO,
        )
        for start_ns, sag in zip(starts, sags, strict=True)
    )


def _down_spells(cycle_ns: int, source: random.Random) -> tuple[Spell, ...]:
    return tuple(
        Spell(
            start_ns=start_ns,
            rate_bps=round(source.uniform(*_DOWN_BPS)),
            delay_ns=_DOWN_DELAY_NS,
            jitter_ns=_DOWN_JITTER_NS,
            loss_ratio=_LOSS_RATIO,
        )
        for start_ns in range(0, cycle_ns, _REDRAWN_NS)
    )


def _sag_edges(day: int) -> tuple[int, int]:
    """Where the sag of a day begins and ends, from the day's own start in line time."""
    from_hour, to_hour = _SAG_HOURS[day % 7]
    return round(from_hour * _HOUR_NS) - _OPENS_AT, round(to_hour * _HOUR_NS) - _OPENS_AT


def _divided(edges: Sequence[int], end_ns: int) -> Iterator[int]:
    """The edges, and further ones between them so that none lie much more than `_REDRAWN_NS` apart."""
    for start_ns, until_ns in zip(edges, [*edges[1:], end_ns], strict=True):
        parts = max(1, round((until_ns - start_ns) / _REDRAWN_NS))
        yield from (start_ns + (until_ns - start_ns) * part // parts for part in range(parts))


def _draws(law: NormalDist, count: int, source: random.Random) -> Iterator[int]:
    """`count` rates that cover the law evenly, in random order, so that one cycle has its percentiles."""
    shares = [(rank + 0.5) / count for rank in range(count)]
    source.shuffle(shares)
    return (round(min(max(law.inv_cdf(share), _UP_LEAST_BPS), _UP_MOST_BPS)) for share in shares)


def _stalls(cycle_ns: int, source: random.Random) -> Iterator[PlannedStall]:
    """Stalls at random gaps: drawn at the evening's pace, kept outside it by the ratio of the paces."""
    busy, calm = _STALLS_PER_HOUR
    mean_gap_s = 3600 / busy / FAULTS_AS_OFTEN
    at_ns = 0
    while True:
        at_ns += round(source.expovariate(1 / mean_gap_s) * NS_PER_S)
        length_ns = round(source.triangular(*_STALL_S) * NS_PER_S)
        how = How.HELD if source.random() < _HELD_SHARE else How.LOST
        if at_ns + length_ns >= cycle_ns:
            return
        evening = _STALL_HOURS[0] <= _hour_of(at_ns)[1] < _STALL_HOURS[1]
        if evening or source.random() < calm / busy:
            yield PlannedStall(start_ns=at_ns, length_ns=length_ns, how=how)
            at_ns += length_ns


def _bursts(cycle_ns: int, source: random.Random) -> Iterator[tuple[int, int]]:
    mean_gap_s = 7 * 86_400 / _BURSTS_PER_WEEK / FAULTS_AS_OFTEN
    at_ns = 0
    while True:
        at_ns += round(source.expovariate(1 / mean_gap_s) * NS_PER_S)
        end_ns = at_ns + round(source.uniform(*_BURST_S) * NS_PER_S)
        if end_ns >= cycle_ns:
            return
        yield at_ns, end_ns
        at_ns = end_ns


# One direction at work


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
