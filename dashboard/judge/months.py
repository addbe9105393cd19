"""Calendar months of a site, as instants: 28 to 31 days, one hour shorter or longer where clocks change.

Pure. Imports store.clock and store.terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from store.clock import NS_PER_S, local, unix_ns_of
from store.terms import AvailabilityPeriod


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From one local midnight to another, in whole Unix seconds; `until_s` is not in it."""

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


def months_before(day: date, months: int) -> date:
    """The same day that many months earlier, or the last one of a shorter month."""
    return _months_on(day, -months)


def days_of(span: Span, where: tzinfo) -> list[Span]:
    """Its days, one by one."""
    found, day = [], span.first_day
    while day < span.until_day:
        found.append(between(day, day + timedelta(days=1), where))
        day += timedelta(days=1)
    return found


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
