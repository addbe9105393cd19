"""The old line of the practice site: its weather on a calendar that is faster than life.

Every figure is invented. Pure and seeded; `line` says what the values mean.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from statistics import NormalDist

from probe.practice.line import How, LaneBehaviour, LineBehaviour, PlannedStall, Spell
from store.clock import NS_PER_MS, NS_PER_S

DAY_S = 60
FAULTS_AS_OFTEN = 60
CALENDAR = (
    f"Faults come faster here than in life: a day of the line passes in {DAY_S} seconds, its evening sag "
    f"taking the usual share of it; stalls and bursts of loss come {FAULTS_AS_OFTEN} times as often as in "
    "life, each at its true length."
)
"""What the practice calendar does to time, for whoever reads the figures."""

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
