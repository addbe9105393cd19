"""When an upload is over: walked hour by hour over whole days as they were, minus the hours kept free.

A day is 24 h from the clock time at which the upload may begin, so that a night stays whole. Each day ahead
is one of the past days of its class (Monday to Friday, or Saturday and Sunday), each as likely, and every
way to put them together is walked, or many of them drawn; equal data parts at unequal rates never average
arithmetically. The rate of an hour is what the runs nearest to it on that day carried, and never more than
the receiver takes. Pure.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import product
from statistics import median

from dashboard.judge import evidence
from store.clock import NS_PER_S, local, unix_ns_of
from store.receipts import Receipt
from store.records import Direction, RateRun

HISTORY_S = 28 * 86_400
LEAST_RUNS = 3  # of a past day, for it to stand for a day ahead
FRESH_S = 7 * 86_400  # a line without a valid run for longer may be gone, and carries no plan
LEAST_DAYS = 10  # with fewer, the worst of them stands in for 90 %
LONGEST_S = 14 * 86_400  # what is not over then is not planned here
OF_LINE = 0.8  # an upload that got so much of the line's rate was held by the line, not by its receiver

_HOUR_NS = 3600 * NS_PER_S
_DAY_HOURS = 24
_MOST_WAYS = 600
_SEED = 1
_SATURDAY = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """What a receiver takes at most. `bps` is None where nothing but the line ever held an upload there;
    `seen_bps` is the fastest upload, `n` counts them, `held` those that the receiver held."""

    to: str
    bps: int | None
    seen_bps: int
    n: int
    held: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """The upload on one uplink. Times are None where it is not over within two weeks, or nothing is known.

    `other_class` says that no past day of the class of the first day ahead is on record, so that others stand
    in. `usual_ns` and `safe_ns` are the ends with 50 and 90 % confidence, `latest_start_ns` the latest start
    that keeps the deadline with 90 %. `days` past days it rests on.
    """

    handoff: str
    days: int
    usual_ns: int | None
    safe_ns: int | None
    latest_start_ns: int | None
    ceiling_bps: int | None
    other_class: bool = False

    @property
    def few(self) -> bool:
        return self.days < LEAST_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """24 hours of one past day from the clock time of the start: TCP payload up in each, in bit/s."""

    weekend: bool
    hours_bps: tuple[int, ...]


def days_of(runs: Iterable[RateRun], *, start_ns: int, now_ns: int, zone: tzinfo) -> list[Day]:
    """The past four weeks in days that begin at the clock time of `start_ns`; those with too few runs left
    out.
    """
    counted = evidence.counted(runs, Direction.UP)[0]
    moments = [run.started_unix_ns for run, _ in counted]
    rates = [side.rates.goodput_bps for _, side in counted]
    found: list[Day] = []
    if not moments or now_ns - moments[-1] > FRESH_S * NS_PER_S:
        return found
    clock = local(start_ns, zone)
    last = local(now_ns, zone).date()
    for back in range(1, HISTORY_S // 86_400 + 1):
        day = last - timedelta(days=back)
        begin_ns = unix_ns_of(datetime.combine(day, clock.time()), zone)
        end_ns = begin_ns + _DAY_HOURS * _HOUR_NS
        if end_ns > now_ns:
            continue
        first, after = bisect_left(moments, begin_ns), bisect_left(moments, end_ns)
        if after - first >= LEAST_RUNS:
            found.append(
                Day(
                    weekend=day.weekday() >= _SATURDAY,
                    hours_bps=_hours(moments[first:after], rates[first:after], begin_ns),
                )
            )
    return found


def _hours(moments: Sequence[int], rates: Sequence[int], begin_ns: int) -> tuple[int, ...]:
    """Each hour's rate: the mean of its runs, or what the run nearest to its middle carried."""
    found = []
    for hour in range(_DAY_HOURS):
        from_ns = begin_ns + hour * _HOUR_NS
        own = [rate for at, rate in zip(moments, rates, strict=True) if from_ns <= at < from_ns + _HOUR_NS]
        middle_ns = from_ns + _HOUR_NS // 2
        nearest = min(range(len(moments)), key=lambda place: abs(moments[place] - middle_ns))
        found.append(round(sum(own) / len(own)) if own else rates[nearest])
    return tuple(found)


def plan(
    handoff: str,
    days: Sequence[Day],
    *,
    size_bytes: int,
    start_ns: int,
    deadline_ns: int | None,
    closed: Sequence[tuple[int, int]],
    ceiling_bps: int | None,
    zone: tzinfo,
) -> Ahead:
    """The upload on one uplink; `closed` are spans in which nothing may be sent, oldest first and apart."""
    ways, free = _ways(days, start_ns, zone), _Free(start_ns, closed)

    def ends(from_ns: int) -> list[float]:
        return sorted(_end(way, size_bytes, from_ns, free, ceiling_bps) for way in ways)

    over = ends(start_ns)
    usual, safe = _at(over, 0.5), _at(over, 0.9)
    latest = None
    if deadline_ns is not None and ways:
        latest = _latest(lambda at_ns: _at(ends(at_ns), 0.9), start_ns, deadline_ns)
    return Ahead(
        handoff=handoff,
        days=len(days),
        usual_ns=usual,
        safe_ns=safe,
        latest_start_ns=latest,
        ceiling_bps=ceiling_bps,
        other_class=_weekend(start_ns, zone) not in {day.weekend for day in days},
    )


def _weekend(unix_ns: int, zone: tzinfo) -> bool:
    return local(unix_ns, zone).weekday() >= _SATURDAY


def best(found: Sequence[Ahead]) -> Ahead | None:
    """The uplink on which the upload is over first with 90 % confidence; None where none is."""
    told = [one for one in found if one.safe_ns is not None]
    return min(told, key=lambda one: (one.safe_ns or 0, one.usual_ns or 0), default=None)


def ceilings(receipts: Iterable[Receipt]) -> tuple[Ceiling, ...]:
    """What each receiver takes, as real uploads showed it, by name.

    An upload that got less than four fifths of what its line carried on that day was held by the receiver
    (or a disk, or a single flow); their median is its ceiling.
    """
    by: dict[str, list[Receipt]] = {}
    for receipt in receipts:
        by.setdefault(receipt.to, []).append(receipt)
    return tuple(_ceiling(name, by[name]) for name in sorted(by))


def _ceiling(name: str, receipts: Sequence[Receipt]) -> Ceiling:
    held = [
        one.goodput_bps
        for one in receipts
        if one.line_goodput_bps is not None and one.goodput_bps < OF_LINE * one.line_goodput_bps
    ]
    return Ceiling(
        to=name,
        bps=round(median(held)) if held else None,
        seen_bps=max(one.goodput_bps for one in receipts),
        n=len(receipts),
        held=len(held),
    )


def _ways(days: Sequence[Day], start_ns: int, zone: tzinfo) -> list[tuple[Day, ...]]:
    """Ways to put past days together for the days ahead: the first two each with each, as far as these are
    few, and drawn for the rest."""
    count = LONGEST_S // 86_400
    ahead = [
        local(start_ns + day * _DAY_HOURS * _HOUR_NS, zone).weekday() >= _SATURDAY for day in range(count)
    ]
    choices = [[day for day in days if day.weekend is weekend] or [*days] for weekend in ahead]
    if not days:
        return []
    draw = random.Random(_SEED)  # noqa: S311 - no secret
    firsts = [*product(choices[0], choices[1])]
    if len(firsts) > _MOST_WAYS:
        firsts = [(draw.choice(choices[0]), draw.choice(choices[1])) for _ in range(_MOST_WAYS)]
    return [(*first, *(draw.choice(among) for among in choices[2:])) for first in firsts]


class _Free:
    """The time that is not closed, hour by hour from the start on; worked out once for all ways."""

    def __init__(self, start_ns: int, closed: Sequence[tuple[int, int]]) -> None:
        self.start_ns = start_ns
        self._closed = closed
        self._hours: dict[int, tuple[tuple[int, int], ...]] = {}

    def of(self, hour: int) -> tuple[tuple[int, int], ...]:
        """The open spans of an hour."""
        if hour not in self._hours:
            from_ns = self.start_ns + hour * _HOUR_NS
            self._hours[hour] = tuple(_spans(from_ns, from_ns + _HOUR_NS, self._closed))
        return self._hours[hour]


def _end(way: Sequence[Day], size_bytes: int, from_ns: int, free: _Free, ceiling_bps: int | None) -> float:
    """When all is sent, in Unix nanoseconds; infinite when not within the days of `way`."""
    left_bits = size_bytes * 8.0
    for hour in range((from_ns - free.start_ns) // _HOUR_NS, len(way) * _DAY_HOURS):
        rate_bps = way[hour // _DAY_HOURS].hours_bps[hour % _DAY_HOURS]
        rate_bps = rate_bps if ceiling_bps is None else min(rate_bps, ceiling_bps)
        for span_from_ns, span_to_ns in free.of(hour):
            begun_ns = max(span_from_ns, from_ns)
            sent = rate_bps * max(0, span_to_ns - begun_ns) / NS_PER_S
            if rate_bps and sent >= left_bits:
                return begun_ns + left_bits / rate_bps * NS_PER_S
            left_bits -= sent
    return math.inf


def _spans(from_ns: int, to_ns: int, closed: Sequence[tuple[int, int]]) -> Iterable[tuple[int, int]]:
    at_ns = from_ns
    for start_ns, end_ns in closed:
        if end_ns <= at_ns or start_ns >= to_ns:
            continue
        if start_ns > at_ns:
            yield at_ns, start_ns
        at_ns = max(at_ns, end_ns)
    if at_ns < to_ns:
        yield at_ns, to_ns


def _at(ends: Sequence[float], confidence: float) -> int | None:
    """The end that so many of the ways keep; None when they do not end."""
    if not ends:
        return None
    found = ends[max(0, math.ceil(confidence * len(ends)) - 1)]
    return None if math.isinf(found) else round(found)


def _latest(safe: Callable[[int], int | None], start_ns: int, deadline_ns: int) -> int | None:
    """The latest start, to the minute, that keeps the deadline; None when the earliest does not.

    A later start never ends earlier, so halving finds it.
    """
    minute_ns = 60 * NS_PER_S

    def keeps(minute: int) -> bool:
        end_ns = safe(start_ns + minute * minute_ns)
        return end_ns is not None and end_ns <= deadline_ns

    low, high = 0, max(0, (deadline_ns - start_ns) // minute_ns)
    if not keeps(low):
        return None
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if keeps(middle) else (low, middle - 1)
    return start_ns + low * minute_ns
