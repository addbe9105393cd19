"""Delay, its variation and loss of a month against what the card promises, each with its rule stated.

A percentile comes from the month's pooled histogram, whose buckets are 1/32 wide, so it is known between two
values and not better. Lost packets have no delay: left out of a percentile they flatter the line (RFC 6703
section 5 leaves them out and reports loss beside), counted as infinite they do not (RFC 7679 section 5); both
are worked out, and where they disagree nothing is decided. Losses come in bursts, so packets overstate how
much is known: bounds count minutes with loss as one event each. Pure. Imports sampling and verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from dashboard.judge import sampling
from dashboard.judge.verdict import Word
from store.histogram import Histogram, rank_of
from store.quantities import grouped

MINUTE_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A percentile in microseconds: it lies from `low_us` to `high_us`; both are None when it is infinite."""

    low_us: int | None
    high_us: int | None
    count: int


class Promise(Protocol):
    """What every promise here says of itself."""

    @property
    def word(self) -> Word: ...

    @property
    def because(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayPromise:
    """A percentile against its limit, with lost packets left out and counted as infinite."""

    what: str
    share: float
    limit_us: int | None
    arrived: Value | None
    with_lost: Value | None
    word: Word
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LossPromise:
    """Loss one way against its limit, over all the time.

    `events` are minutes in which packets were lost, `effective_n` what the packets are worth where a minute's
    losses are one event; the bounds are exact, one-sided, at 95 %.
    """

    what: str
    limit_ratio: float | None
    lost: int
    sent: int
    events: int
    effective_n: float
    ratio: float | None
    bound_low: float
    bound_high: float
    word: Word
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalLoss:
    """Loss in any interval of a length: the worst one, and how many of the clock's were over the limit."""

    what: str
    interval_s: int
    limit_ratio: float
    intervals: int
    over: int
    worst_ratio: float | None
    worst_from_s: float | None
    word: Word
    because: str


def value_of(histogram: Histogram, share: float, *, lost: int = 0) -> Value | None:
    """The percentile (RFC 2330 section 11.3) of what arrived and `lost` infinite ones; None of nothing."""
    count = histogram.count + lost
    if not count:
        return None
    rank = rank_of(share, count)
    if rank > histogram.count:
        return Value(low_us=None, high_us=None, count=count)
    if rank == histogram.count:
        return Value(low_us=histogram.max, high_us=histogram.max, count=count)
    seen = 0
    for low, high, times in histogram.limits():
        seen += times
        if seen >= rank:
            return Value(
                low_us=max(low, histogram.min or 0), high_us=min(high, histogram.max or high), count=count
            )
    raise AssertionError("a rank within the count lies in some bucket")


def delay(what: str, histogram: Histogram, *, share: float, limit_us: int | None, lost: int) -> DelayPromise:
    """A delay promise: `histogram` of what arrived, `lost` packets beside it."""
    arrived, with_lost = value_of(histogram, share), value_of(histogram, share, lost=lost)
    words = [_under(each, limit_us) for each in (arrived, with_lost)]
    word = words[0] if words[0] is words[1] else Word.UNDECIDED
    return DelayPromise(
        what=what,
        share=share,
        limit_us=limit_us,
        arrived=arrived,
        with_lost=with_lost,
        word=word,
        because=_delay_because(what, arrived, with_lost, limit_us, words, word),
    )


def _under(value: Value | None, limit_us: int | None) -> Word:
    if value is None or limit_us is None:
        return Word.NOT_TESTED
    if value.low_us is None or value.low_us > limit_us:
        return Word.NOT_MET
    return Word.MET if value.high_us is not None and value.high_us <= limit_us else Word.UNDECIDED


def _delay_because(
    what: str,
    arrived: Value | None,
    with_lost: Value | None,
    limit_us: int | None,
    words: Sequence[Word],
    word: Word,
) -> str:
    if arrived is None or with_lost is None:
        return f"{what}: nothing came back."
    said = f"{what} is {_between(arrived)} of {grouped(arrived.count)} packets that arrived"
    if with_lost.count > arrived.count:
        said += (
            f", {_between(with_lost)} with the {grouped(with_lost.count - arrived.count)} lost ones as "
            "infinite"
        )
    if limit_us is None:
        return f"{said}; no limit is stated."
    said += f"; {_ms(limit_us)} is promised: {word}"
    if words[0] is not words[1]:
        return f"{said}, for how lost packets count decides, and the card has to say it."
    return f"{said}, for the record tells no finer." if word is Word.UNDECIDED else f"{said}."


def loss(what: str, *, lost: int, sent: int, events: int, limit_ratio: float | None) -> LossPromise:
    """A promise on loss over all the time; `events` are the minutes in which something was lost."""
    if sent <= 0:
        return LossPromise(
            what=what,
            limit_ratio=limit_ratio,
            lost=lost,
            sent=0,
            events=events,
            effective_n=0.0,
            ratio=None,
            bound_low=0.0,
            bound_high=1.0,
            word=Word.NOT_TESTED,
            because=f"{what}: nothing was sent.",
        )
    counted = min(events, lost) if lost else 0
    worth = sent * counted / lost if lost else float(sent)
    low, high = sampling.lower_bound(counted, worth), sampling.upper_bound(counted, worth)
    word = _loss_word(low, high, limit_ratio)
    because = f"{what}: {grouped(lost)} of {grouped(sent)} packets, {_share(lost / sent)}"
    because += (
        f" in {grouped(events)} minutes, so between {_share(low)} and "
        if lost
        else ", which supports less than "
    )
    because += f"{_share(high)} at 95 %"
    because += "." if limit_ratio is None else f"; {_stated(limit_ratio)} is promised: {word}."
    return LossPromise(
        what=what,
        limit_ratio=limit_ratio,
        lost=lost,
        sent=sent,
        events=events,
        effective_n=worth,
        ratio=lost / sent,
        bound_low=low,
        bound_high=high,
        word=word,
        because=because,
    )


def _loss_word(low: float, high: float, limit: float | None) -> Word:
    if limit is None:
        return Word.NOT_TESTED
    if high <= limit:
        return Word.MET
    return Word.NOT_MET if low > limit else Word.UNDECIDED


@dataclass(frozen=True, slots=True, kw_only=True)
class LossyMinute:
    """A minute in which packets were lost one way: what was sent that way and how many were lost."""

    from_s: float
    seconds: float
    sent: int
    lost: int


def intervals(
    what: str,
    minutes: Sequence[LossyMinute],
    *,
    interval_s: int,
    limit_ratio: float,
    watched_s: float,
) -> IntervalLoss:
    """Loss in any interval of that length; `minutes` are those with loss, oldest first.

    An interval is as many minutes of the record in a row as fit in; those without loss are taken to have
    sent as much as those with it. The clock's own intervals over the limit are counted by the minutes that
    began in them.
    """
    worst: tuple[float, float] | None = None
    of_clock: dict[int, int] = {}
    first = 0
    longer = [one for one in minutes if one.seconds > interval_s + 0.5]  # nobody knows where in it they were
    vague = sum(one.lost > limit_ratio * _sent_in(one, interval_s) for one in longer)
    minutes = [one for one in minutes if one.seconds <= interval_s + 0.5]
    for nth, one in enumerate(minutes):
        while one.from_s + one.seconds - minutes[first].from_s > interval_s + 0.5:
            first += 1
        lost = sum(each.lost for each in minutes[first : nth + 1])
        ratio = min(1.0, lost / _sent_in(one, interval_s))
        if worst is None or ratio > worst[0]:
            worst = (ratio, minutes[first].from_s)
        place = int(one.from_s // interval_s)
        of_clock[place] = of_clock.get(place, 0) + one.lost
    sent = _sent_in(minutes[0], interval_s) if minutes else 0
    over = sum(lost > limit_ratio * sent for lost in of_clock.values())
    word = Word.NOT_TESTED if watched_s <= 0 else Word.MET
    if worst is not None and worst[0] > limit_ratio:
        word = Word.NOT_MET
    elif vague and word is Word.MET:
        word = Word.UNDECIDED
    count = round(watched_s / interval_s)
    unsaid = f", and {vague} spans of the record are longer and lost too much to tell" if vague else ""
    most = (
        "no packet was lost"
        if worst is None and not longer
        else "nothing was lost in shorter spans"
        if (worst is None)
        else f"the worst has {_share(worst[0])}"
    )
    length = f"{interval_s // MINUTE_S} min" if interval_s % MINUTE_S == 0 else f"{interval_s} s"
    return IntervalLoss(
        what=what,
        interval_s=interval_s,
        limit_ratio=limit_ratio,
        intervals=count,
        over=over,
        worst_ratio=None if worst is None else worst[0],
        worst_from_s=None if worst is None else worst[1],
        word=word,
        because=f"{what}: of {count} intervals of {length} {over} are over {_stated(limit_ratio)}; "
        f"{most}{unsaid}: {word}.",
    )


def _sent_in(minute: LossyMinute, interval_s: int) -> float:
    return minute.sent / minute.seconds * interval_s


def _between(value: Value) -> str:
    if value.low_us is None or value.high_us is None:
        return "infinite"
    return (
        _ms(value.low_us) if value.low_us == value.high_us else f"{_ms(value.low_us)} to {_ms(value.high_us)}"
    )


def _stated(ratio: float) -> str:
    return f"{ratio * 100:.6g} %"


def _ms(us: int) -> str:
    return f"{us / 1000:g} ms"


def _share(ratio: float) -> str:
    if ratio == 0:
        return "0 %"
    digits = max(0, 2 - math.ceil(math.log10(ratio * 100)))
    return f"{ratio * 100:.{min(digits, 6)}f} %"
