"""Calendar months of a site, as instants: 28 to 31 days, one hour shorter or longer where clocks change.

Pure. Imports store.clock and store.terms.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise

from store.clock import NS_PER_S, local, unix_ns_of
from store.terms import AvailabilityPeriod


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From one local midnight to another, in whole Unix seconds; `until_s` is not in it.

    Where a card changed on a day (`pieces`) it begins or ends within that day, which both have.
    """

    first_day: date
    until_day: date
    from_s: int
    until_s: int

    @property
    def seconds(self) -> int:
        return self.until_s - self.from_s


def month(day: date, where: tzinfo) -> Span:
    """The month that `day` lies in."""
    first = day.replace(day=1)
    return between(first, _months_on(first, 1), where)


def period(kind: AvailabilityPeriod, day: date, where: tzinfo) -> Span:
    """The calendar month, quarter or year that `day` lies in."""
    lasts = {AvailabilityPeriod.MONTH: 1, AvailabilityPeriod.QUARTER: 3, AvailabilityPeriod.YEAR: 12}[kind]
    first = date(day.year, (day.month - 1) // lasts * lasts + 1, 1)
    return between(first, _months_on(first, lasts), where)


def between(first: date, until: date, where: tzinfo) -> Span:
    """From the midnight that `first` begins with to that of `until`."""
    return Span(
        first_day=first, until_day=until, from_s=_midnight_s(first, where), until_s=_midnight_s(until, where)
    )


def pieces(span: Span, cuts_s: Iterable[int], where: tzinfo) -> list[Span]:
    """The same time cut at these instants; the days of a piece are those that it touches."""
    edges = [span.from_s, *sorted({cut for cut in cuts_s if span.from_s < cut < span.until_s}), span.until_s]
    return [
        Span(
            first_day=day_at(low, where),
            until_day=day_at(high - 1, where) + timedelta(days=1),
            from_s=low,
            until_s=high,
        )
        for low, high in pairwise(edges)
    ]


def part_said(span: Span, where: tzinfo) -> str:
    """Which part of its month it is, ``from 14 Nov 10:00``; empty where it is all of it."""
    whole = month(span.first_day, where)
    ends = (("from", span.from_s, whole.from_s), ("to", span.until_s, whole.until_s))
    said = [f"{word} {local(at * NS_PER_S, where):%d %b %H:%M}" for word, at, edge in ends if at != edge]
    return " ".join(said)


def months_before(day: date, months: int) -> date:
    """The same day that many months earlier, or the last one of a shorter month."""
    return _months_on(day, -months)


def days_of(span: Span, where: tzinfo) -> list[Span]:
    """Its days, one by one; the first and the last as far as they lie in it."""
    starts, day = [], span.first_day + timedelta(days=1)
    while day < span.until_day:
        starts.append(_midnight_s(day, where))
        day += timedelta(days=1)
    return pieces(span, starts, where)


def day_at(unix_s: float, where: tzinfo) -> date:
    """The local day of an instant."""
    return local(int(unix_s) * NS_PER_S, where).date()


def _midnight_s(day: date, where: tzinfo) -> int:
    return unix_ns_of(datetime.combine(day, time()), where) // NS_PER_S


def _months_on(day: date, months: int) -> date:
    years, month_ = divmod(day.year * 12 + day.month - 1 + months, 12)
    for last in range(day.day, 27, -1):
        try:
            return date(years, month_ + 1, last)
        except ValueError:
            continue
    return date(years, month_ + 1, day.day)
