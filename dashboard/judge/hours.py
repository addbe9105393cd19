"""Comparable hours of a stream plan, and when its show comes next; all in the site's local time.

Evenings differ from mornings and weekends from weekdays, so a plan is compared only with what was
measured from one hour before its start to its end, on days of its own class (Monday to Friday, or
Saturday and Sunday). The day is that on which the show starts: 01:00 on Saturday belongs to Friday's
show. Wall-clock time decides, so a clock change moves nothing and an hour that comes twice counts twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, timezone, tzinfo
from functools import cache, lru_cache

from store.clock import NS_PER_S, day_and_minute, local, unix_ns_of
from store.site import Times

_BEFORE_MINUTES = 60
_DAY_MINUTES = 24 * 60
_DAY_NS = 86_400 * NS_PER_S
_SATURDAY = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """One showing of a plan, as instants."""

    start_unix_ns: int
    end_unix_ns: int


@lru_cache(maxsize=64)
def comparable(times: Times, where: tzinfo) -> Callable[[int], bool]:
    """A test for instants in Unix nanoseconds: do they lie in hours comparable with `times`?"""
    weekend = _classes(times)
    start = timedelta(minutes=times.from_minute - _BEFORE_MINUTES)
    end = timedelta(minutes=_end_minute(times))

    @cache  # a month has thousands of instants and few days
    def hours_around(day: date) -> tuple[tuple[datetime, datetime], ...]:
        days = (one for one in _days_around(day) if _is_weekend(one) in weekend)
        return tuple((_midnight(one) + start, _midnight(one) + end) for one in days)

    def on_the_clock(unix_ns: int) -> bool:
        moment = local(unix_ns, where).replace(tzinfo=None)
        return any(begin <= moment < over for begin, over in hours_around(moment.date()))

    @cache
    def instants(utc_day: int) -> tuple[tuple[int, int], ...] | None:
        """The hours around a day of UTC as instants; None where the clocks change in it."""
        first, last = (local((utc_day + ahead) * _DAY_NS, where) for ahead in (0, 1))
        if first.utcoffset() != last.utcoffset():
            return None
        days = {each.date() for each in (first, last)}
        spans = {span for day in days for span in hours_around(day)}
        offset = timezone(first.utcoffset() or timedelta())
        return tuple((unix_ns_of(begin, offset), unix_ns_of(over, offset)) for begin, over in spans)

    def within(unix_ns: int) -> bool:
        spans = instants(unix_ns // _DAY_NS)
        if spans is None:
            return on_the_clock(unix_ns)
        for begin, over in spans:  # two or three; a page asks of thousands of instants
            if begin <= unix_ns < over:
                return True
        return False

    return within


def inside(times: Times, where: tzinfo) -> Callable[[int], bool]:
    """A test for instants in Unix nanoseconds: do they lie in `times`? A night belongs to its evening."""
    over = times.to_minute <= times.from_minute

    def on(day: date) -> bool:
        return day in times.dates or day.weekday() in times.weekdays

    def within(unix_ns: int) -> bool:
        day, minute = day_and_minute(unix_ns, where)
        if not over:
            return on(day) and times.from_minute <= minute < times.to_minute
        if minute >= times.from_minute:
            return on(day)
        return minute < times.to_minute and on(day - timedelta(days=1))

    return within


def comparable_hours(
    times: Times, where: tzinfo, *, since_unix_ns: int, until_unix_ns: int
) -> Iterator[Show]:
    """The same hours as instants, oldest first and apart, as far as they lie between the two."""
    weekend = _classes(times)
    day = local(since_unix_ns, where).date() - timedelta(days=1)
    last = local(until_unix_ns, where).date() + timedelta(days=1)
    told_ns = since_unix_ns
    while day <= last:
        start_ns = max(told_ns, _instant(day, times.from_minute - _BEFORE_MINUTES, where))
        end_ns = min(until_unix_ns, _instant(day, _end_minute(times), where))
        if _is_weekend(day) in weekend and start_ns < end_ns:
            yield Show(start_unix_ns=start_ns, end_unix_ns=end_ns)
            told_ns = end_ns  # hours of a show around the clock reach into the next day's
        day += timedelta(days=1)


def past_shows(times: Times, where: tzinfo, *, since_unix_ns: int, until_unix_ns: int) -> Iterator[Show]:
    """What would have been this plan's shows, on each day of its class between the two; whole ones only.

    Oldest first; for one that lasts around the clock each begins with its day.
    """
    weekend = _classes(times)
    day = local(since_unix_ns, where).date() - timedelta(days=1)
    last = local(until_unix_ns, where).date()
    while day <= last:
        start_ns = _instant(day, times.from_minute, where)
        end_ns = _instant(day, _end_minute(times), where)
        if _is_weekend(day) in weekend and since_unix_ns <= start_ns and end_ns <= until_unix_ns:
            yield Show(start_unix_ns=start_ns, end_unix_ns=end_ns)
        day += timedelta(days=1)


def describe(times: Times) -> str:
    """The comparable hours in words: ``Mon-Fri 18:00-21:00``."""
    weekend = _classes(times)
    days = "all days" if len(weekend) > 1 else "Sat-Sun" if weekend == {True} else "Mon-Fri"
    start = (times.from_minute - _BEFORE_MINUTES) % _DAY_MINUTES
    return f"{days} {_clock(start)}-{_clock(times.to_minute % _DAY_MINUTES)}"


def next_show(times: Times, where: tzinfo, *, now_unix_ns: int, within_s: int) -> Show | None:
    """The show that runs now or starts first within `within_s`; None when there is none."""
    latest = now_unix_ns + within_s * NS_PER_S
    first = local(now_unix_ns, where).date() - timedelta(days=1)
    days = (first + timedelta(days=ahead) for ahead in range(within_s // 86_400 + 4))
    for show in _shows(times, where, days):
        if show.end_unix_ns > now_unix_ns and show.start_unix_ns <= latest:
            return show
    return None


def held(times: Times, where: tzinfo, *, from_ns: int, to_ns: int) -> Iterator[tuple[int, int]]:
    """When some hours are, as far as that touches a span; oldest first. A plan's hours are its shows."""
    first = local(from_ns, where).date() - timedelta(days=1)
    days = (first + timedelta(days=ahead) for ahead in range((to_ns - from_ns) // _DAY_NS + 4))
    for show in _shows(times, where, days):
        if show.start_unix_ns < to_ns and from_ns < show.end_unix_ns:
            yield show.start_unix_ns, show.end_unix_ns


def show_on(times: Times, where: tzinfo, day: date) -> Show | None:
    """The show that begins on a day; None when there is none."""
    return next(_shows(times, where, iter((day,))), None)


def last_show(times: Times, where: tzinfo, *, now_unix_ns: int, within_s: int) -> Show | None:
    """The last show that is over and began within that time; None when there is none."""
    today = local(now_unix_ns, where).date()
    days = (today - timedelta(days=back) for back in range(within_s // 86_400 + 2))
    for show in _shows(times, where, days):
        if show.end_unix_ns <= now_unix_ns:
            return show if show.start_unix_ns >= now_unix_ns - within_s * NS_PER_S else None
    return None


def _shows(times: Times, where: tzinfo, days: Iterator[date]) -> Iterator[Show]:
    for day in days:
        if day in times.dates or day.weekday() in times.weekdays:
            yield Show(
                start_unix_ns=_instant(day, times.from_minute, where),
                end_unix_ns=_instant(day, _end_minute(times), where),
            )


def _instant(day: date, minute: int, where: tzinfo) -> int:
    at = _midnight(day) + timedelta(minutes=minute)
    return int(at.replace(tzinfo=where).timestamp()) * NS_PER_S


def _end_minute(times: Times) -> int:
    over = times.to_minute <= times.from_minute
    return times.to_minute + (_DAY_MINUTES if over else 0)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time())


def _days_around(day: date) -> tuple[date, ...]:
    """The days whose show could reach into this one: an hour early, or over midnight."""
    return tuple(day + timedelta(days=ahead) for ahead in (-1, 0, 1))


def _is_weekend(day: date) -> bool:
    return day.weekday() >= _SATURDAY


def _classes(times: Times) -> set[bool]:
    """Which classes of days the plan lies on; True is the weekend."""
    return {weekday >= _SATURDAY for weekday in times.weekdays} | {_is_weekend(day) for day in times.dates}


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
