"""A line over months, and two lines side by side: what the judges of change look at, and what they say.

Reads with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta, tzinfo
from statistics import median
from typing import Any

from dashboard import statements
from dashboard.judge import change_points, contract, evidence, months, renewal
from dashboard.judge import trend as trends
from dashboard.judge.change_points import Change
from dashboard.judge.renewal import Cost, Dates
from dashboard.judge.trend import Trend
from dashboard.judge.verdict import Word
from dashboard.statements import MonthCount, plain
from store.card import Card
from store.cells import Length
from store.clock import NS_PER_S, local, zone
from store.histogram import RELATIVE_ERROR, Histogram
from store.light import Light
from store.reader import Reader
from store.records import Direction, RateRun, RateSide
from store.rollup import Rolled
from store.site import Handoff, Site, Where
from store.terms import Money, Once

TREND_DAYS = 182  # two quarters: enough for a slope, and a year's seasons do not bend it
_DELIVERED_DAYS = 91
_DAY_NS = 86_400 * NS_PER_S
_DIRECTIONS = (Direction.UP, Direction.DOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A daily figure: its trend, and the days on which it moved."""

    name: str
    unit: str
    trend: Trend
    changes: tuple[tuple[date, Change], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourSide:
    """One line in one hour of the day, over all the days compared; None of what was not measured.

    Rates are payload, medians of the runs that count; delays of the round trip; `stalls_per_hour` over the
    time that was watched.
    """

    runs_up: int
    runs_down: int
    up_bps: int | None
    down_bps: int | None
    rtt_p50_us: int | None
    rtt_p95_us: int | None
    loss_ratio: float | None
    stalls_per_hour: float | None
    watched_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Two lines by hour of the local day, over `first_day` to `last_day`; and what both cost meanwhile."""

    old: Handoff
    new: Handoff
    first_day: date
    last_day: date
    hours: tuple[tuple[HourSide, HourSide], ...]
    overlap: tuple[date, date] | None
    cost: tuple[Money, Money] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """What a term came to so far: cost, credits, months that failed, what a Mb/s cost, dates, trends."""

    handoff: Handoff
    dates: Dates
    paid: Cost | None
    whole_term: Cost | None
    once: tuple[Once, ...]  # by now
    paid_with_once: Money | None
    term_with_once: Money | None  # at the first price
    credits: Money | None
    months: int
    failed: int
    undecided: int
    untested: int  # no record, or nothing promised
    delivered_bps: tuple[int | None, int | None]
    per_mbps: tuple[Money | None, Money | None]
    figures: tuple[Figure, ...]


# Figures by day


def figures(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    now_ns: int,
    days: int = TREND_DAYS,
    runs: Sequence[RateRun] | None = None,
) -> tuple[Figure, ...]:
    """Rates, delay and light of a handoff by day, up to the last whole one; `runs` are its own of that time
    and more, if at hand."""
    where = zone(site.timezone)
    until = local(now_ns, where).date()
    span = months.between(until - timedelta(days=days), until, where)
    since_ns, until_ns = span.from_s * NS_PER_S, span.until_s * NS_PER_S
    if runs is None:
        runs = _own_runs(reader, site, handoff, since_ns=since_ns, until_ns=until_ns)
    runs = [run for run in runs if since_ns <= run.started_unix_ns < until_ns]
    series = [
        (f"Rate {direction}", "Mb/s", _runs_by_day(runs, handoff, direction, where))
        for direction in _DIRECTIONS
    ]
    for endpoint in _outside(reader, site, handoff):
        cells = [
            one
            for one in _sums(reader, handoff, endpoint, since_ns, until_ns, Length.DAY, histograms=False)
            if one.length is Length.DAY
        ]
        delays = [(_day(one.started_unix_ns, where), one.delays["rtt"]) for one in cells]
        series += [
            (f"RTT p50 to {endpoint}", "ms", [(day, each.p50 / 1000) for day, each in delays if each]),
            (f"RTT p95 to {endpoint}", "ms", [(day, each.p95 / 1000) for day, each in delays if each]),
        ]
    light = reader.documents(Light, handoff=handoff.name, since_ns=since_ns, until_ns=until_ns)
    received = [(one.started_unix_ns, one.received_nw / 1000) for one in light if one.received_nw]
    series.append(("Light received", "uW", _medians(received, where)))
    return tuple(_figure(name, unit, values) for name, unit, values in series if values)


_FINEST = {"ms": 2 * RELATIVE_ERROR, "Mb/s": contract.METHOD_ERROR_RATIO}  # a bucket is twice its error wide


def _own_runs(reader: Reader, site: Site, handoff: Handoff, *, since_ns: int, until_ns: int) -> list[RateRun]:
    """A handoff's rate runs to endpoints outside."""
    runs = reader.rate_runs(handoff=handoff.name, since_ns=since_ns, until_ns=until_ns, bins=False)
    return evidence.of_line(site, handoff.name, runs)


def _figure(name: str, unit: str, values: Sequence[tuple[int, float]]) -> Figure:
    """A step is no slope, so the trend is that of the days since the last one."""
    found = change_points.changes(values)
    since = [each for each in values if not found or each[0] >= found[-1].day]
    what = f"{name} since {date.fromordinal(found[-1].day)}" if found else name
    return Figure(
        name=name,
        unit=unit,
        trend=trends.trend(what, since, finest_ratio=_FINEST.get(unit, 0.0)),
        changes=tuple((date.fromordinal(one.day), one) for one in found),
    )


def _runs_by_day(
    runs: Sequence[RateRun], handoff: Handoff, direction: Direction, where: tzinfo
) -> list[tuple[int, float]]:
    counted = _counted(runs, handoff, direction)
    return _medians([(run.started_unix_ns, side.rates.goodput_bps / 1e6) for run, side in counted], where)


def _counted(
    runs: Sequence[RateRun], handoff: Handoff, direction: Direction
) -> list[tuple[RateRun, RateSide]]:
    """The runs that count, each by the card of its time."""
    return [
        pair
        for card in handoff.cards
        for pair in contract.counted(
            [run for run in runs if handoff.card_at(run.started_unix_ns) is card], card, direction
        )
    ]


def _medians(values: Sequence[tuple[int, float]], where: tzinfo) -> list[tuple[int, float]]:
    by_day: dict[int, list[float]] = {}
    for unix_ns, value in values:
        by_day.setdefault(_day(unix_ns, where), []).append(value)
    return [(day, median(each)) for day, each in sorted(by_day.items())]


def _day(unix_ns: int, where: tzinfo) -> int:
    return local(unix_ns, where).date().toordinal()


def _outside(reader: Reader, site: Site, handoff: Handoff) -> list[str]:
    measured = {endpoint for name, endpoint in reader.paths() if name == handoff.name}
    return [one.name for one in site.endpoints if one.where is Where.OUTSIDE and one.name in measured]


def _sums(
    reader: Reader,
    handoff: Handoff,
    endpoint: str,
    since_ns: int,
    until_ns: int,
    longest: Length,
    *,
    histograms: bool = True,
) -> list[Rolled]:
    return reader.train_sums(
        handoff=handoff.name,
        endpoint=endpoint,
        since_ns=since_ns,
        until_ns=until_ns,
        longest=longest,
        histograms=histograms,
        pdv=False,
    )


def _cards(handoff: Handoff, where: tzinfo) -> Callable[[date], Card]:
    """The version of a card in force at the end of a day."""

    def card_on(day: date) -> Card:
        return handoff.card_at(months.between(day, day + timedelta(days=1), where).until_s * NS_PER_S - 1)

    return card_on


# Two lines


def compared(
    reader: Reader,
    site: Site,
    old: Handoff,
    new: Handoff,
    *,
    now_ns: int,
    days: int,
    last: date | None = None,
) -> Compared:
    """Both lines over the days up to the `last`, today if None, and the days on which both cost money.

    Where the card of the old one has no end, its record's last day stands for it.
    """
    where = zone(site.timezone)
    today = local(now_ns, where).date()
    last = min(last or today, today)
    first = last - timedelta(days=days - 1)
    span = months.between(first, last + timedelta(days=1), where)
    since_ns, now_ns = span.from_s * NS_PER_S, min(now_ns, span.until_s * NS_PER_S)
    sides = [
        _by_hour(reader, site, one, since_ns=since_ns, until_ns=now_ns, where=where) for one in (old, new)
    ]
    both = _overlap(
        old.card_at(now_ns), new.card_at(now_ns), min(today, _last_day(reader, old, where) or today)
    )
    return Compared(
        old=old,
        new=new,
        first_day=first,
        last_day=last,
        hours=tuple(zip(*sides, strict=True)),
        overlap=both,
        cost=renewal.overlap(_cards(old, where), _cards(new, where), from_day=both[0], until_day=both[1])
        if both
        else None,
    )


def _overlap(old: Card, new: Card, today: date) -> tuple[date, date] | None:
    """From the start of the new line to the end of the old one, or to today; None without a start."""
    start = new.service_start
    ended = old.ends()
    last = min(today, ended) if ended else today
    return (start, last) if start and start <= last else None


def _last_day(reader: Reader, handoff: Handoff, where: tzinfo) -> date | None:
    """The day of the newest minute of its trains."""
    newest = reader.train_spans(handoff=handoff.name, histograms=False, limit=1)
    return local(newest[-1].started_unix_ns, where).date() if newest else None


def _by_hour(
    reader: Reader, site: Site, handoff: Handoff, *, since_ns: int, until_ns: int, where: tzinfo
) -> list[HourSide]:
    runs = _own_runs(reader, site, handoff, since_ns=since_ns, until_ns=until_ns)
    rates: dict[Direction, dict[int, list[int]]] = {}
    for direction in _DIRECTIONS:
        by_hour = rates.setdefault(direction, {})
        for run, side in _counted(runs, handoff, direction):
            by_hour.setdefault(local(run.started_unix_ns, where).hour, []).append(side.rates.goodput_bps)
    trains: dict[int, list[Rolled]] = {}
    for endpoint in _outside(reader, site, handoff):
        for one in _sums(reader, handoff, endpoint, since_ns, until_ns, Length.HOUR):
            trains.setdefault(local(one.started_unix_ns, where).hour, []).append(one)
    return [
        _hour(rates[Direction.UP].get(hour, []), rates[Direction.DOWN].get(hour, []), trains.get(hour, []))
        for hour in range(24)
    ]


def _hour(up: Sequence[int], down: Sequence[int], sums: Sequence[Rolled]) -> HourSide:
    pooled = Histogram()
    for one in sums:
        pooled.merge(one.rtt)
    delays = pooled.delays()
    watched_s, sent = sum(one.seconds for one in sums), sum(one.sent for one in sums)
    lost = sum(one.lost_up + one.lost_down + one.lost_unattributed for one in sums)
    stalls = sum(one.stalls for one in sums)
    return HourSide(
        runs_up=len(up),
        runs_down=len(down),
        up_bps=round(median(up)) if up else None,
        down_bps=round(median(down)) if down else None,
        rtt_p50_us=delays.p50 if delays else None,
        rtt_p95_us=delays.p95 if delays else None,
        loss_ratio=lost / sent if sent else None,
        stalls_per_hour=stalls * 3600 / watched_s if watched_s else None,
        watched_s=watched_s,
    )


def compared_json(found: Compared) -> dict[str, Any]:
    """The comparison as a program reads it."""
    return {
        "old": found.old.name,
        "new": found.new.name,
        "from": found.first_day.isoformat(),
        "to": found.last_day.isoformat(),
        "hours": [
            {"hour": hour, "old": asdict(old), "new": asdict(new)}
            for hour, (old, new) in enumerate(found.hours)
        ],
        "overlap": None
        if found.overlap is None
        else {"from": found.overlap[0].isoformat(), "to": found.overlap[1].isoformat()},
        "cost": None
        if found.cost is None
        else {"old": plain(asdict(found.cost[0])), "new": plain(asdict(found.cost[1]))},
    }


# The term


def renewal_of(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    now_ns: int,
    judged: Sequence[MonthCount] | None = None,
) -> Renewal:
    """What a handoff's term came to by now; months that are over are judged one by one, or at hand."""
    where, now_s = zone(site.timezone), now_ns // NS_PER_S
    today = local(now_ns, where).date()
    card_on, card = _cards(handoff, where), handoff.card_at(now_ns)
    counts = judged
    if counts is None:
        over = _months_over(reader, handoff, card, today, where)
        counts = [statements.month_count(reader, site, handoff, one, now_s=now_s) for one in over]
    every, failed, undecided, untested = (
        {one.month.first_day.replace(day=1) for one in counts if one.count.word in words}
        for words in ((*Word,), (Word.NOT_MET,), (Word.UNDECIDED,), (Word.NOT_TESTED,))
    )
    ends = card.ends()
    paid = renewal.cost(card_on, until=today)
    whole_term = renewal.cost(card_on, until=ends) if ends else None
    paid_once = renewal.once(card, until=today)
    since_ns = now_ns - (TREND_DAYS + 1) * _DAY_NS  # the first day began up to a day before
    runs = _own_runs(reader, site, handoff, since_ns=since_ns, until_ns=now_ns)
    delivered = _delivered(runs, handoff, now_ns=now_ns)
    return Renewal(
        handoff=handoff,
        dates=renewal.dates(card, today=today),
        paid=paid,
        whole_term=whole_term,
        once=paid_once,
        paid_with_once=renewal.with_once(paid.at_first if paid else None, paid_once),
        term_with_once=renewal.with_once(whole_term.at_first if whole_term else None, card.once),
        credits=_sum([one.credits.ours.amount for one in counts if one.credits is not None]),
        months=len(every),
        failed=len(failed),
        undecided=len(undecided - failed),
        untested=len(untested - undecided - failed),
        delivered_bps=delivered,
        per_mbps=(renewal.per_mbps(card, delivered[0]), renewal.per_mbps(card, delivered[1])),
        figures=figures(reader, site, handoff, now_ns=now_ns, runs=runs),
    )


def _months_over(
    reader: Reader, handoff: Handoff, card: Card, today: date, where: tzinfo
) -> list[months.Span]:
    """The months of service that are over and lie in the record, in whole or in part; cut where the card
    changed."""
    oldest_ns = reader.oldest_ns(handoff=handoff.name, since_ns=0)
    if oldest_ns is None:
        return []
    first = local(oldest_ns, where).date()
    day = max(first, card.service_start) if card.service_start else first
    found = []
    while (month := months.month(day, where)).until_day <= today:
        found += [span for _, span in statements.versions(handoff, month, where)]
        day = month.until_day
    return found


def _sum(amounts: Sequence[Money | None]) -> Money | None:
    """All of them together; None where there is none, or where one is no number."""
    known = [each for each in amounts if each is not None]
    if not known or len(known) < len(amounts) or len({each.unit for each in known}) > 1:
        return None
    total = known[0].amount
    for each in known[1:]:
        total += each.amount
    return Money(amount=total, unit=known[0].unit)


def _delivered(runs: Sequence[RateRun], handoff: Handoff, *, now_ns: int) -> tuple[int | None, int | None]:
    """Median payload up and down of the runs that count, of the last quarter."""
    since_ns = now_ns - _DELIVERED_DAYS * _DAY_NS
    runs = [run for run in runs if run.started_unix_ns >= since_ns]
    up, down = (
        [side.rates.goodput_bps for _, side in _counted(runs, handoff, direction)]
        for direction in _DIRECTIONS
    )
    return (round(median(up)) if up else None, round(median(down)) if down else None)


def renewal_json(found: Renewal) -> dict[str, Any]:
    """The renewal sheet as a program reads it."""
    return {
        "handoff": found.handoff.name,
        "dates": plain(asdict(found.dates)),
        "paid": None if found.paid is None else plain(asdict(found.paid)),
        "whole_term": None if found.whole_term is None else plain(asdict(found.whole_term)),
        "once": [plain(asdict(one)) for one in found.once],
        **{
            name: None if value is None else plain(asdict(value))
            for name, value in (
                ("paid_with_once", found.paid_with_once),
                ("term_with_once", found.term_with_once),
                ("credits", found.credits),
            )
        },
        "months": found.months,
        "months_failed": found.failed,
        "months_undecided": found.undecided,
        "months_not_tested": found.untested,
        "delivered_up_goodput_bps": found.delivered_bps[0],
        "delivered_down_goodput_bps": found.delivered_bps[1],
        "per_mbps_up": None if found.per_mbps[0] is None else plain(asdict(found.per_mbps[0])),
        "per_mbps_down": None if found.per_mbps[1] is None else plain(asdict(found.per_mbps[1])),
        "figures": [
            {
                "name": one.name,
                "unit": one.unit,
                "trend": asdict(one.trend),
                "changes": [
                    {"day": day.isoformat(), "before": each.before, "after": each.after, "ratio": each.ratio}
                    for day, each in one.changes
                ],
            }
            for one in found.figures
        ],
    }
