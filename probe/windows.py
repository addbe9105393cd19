"""When a handoff must be left alone: show, quiet and maintenance windows as instants.

A stream plan's hours are a show window by themselves. No rate run may touch a show or a quiet window, and no
light one either: it fills nothing, but what it takes is a risk all the same. A maintenance window is the
provider's and forbids nothing, it is known so that a record can be read beside it. Local times become
instants here: a time that the clock skips counts with the offset before the change (RFC 5545 section 3.3.5),
and where a time comes twice a window opens at the first and closes at the last, so that it covers too much
rather than too little.

Pure: times are Unix nanoseconds that the caller hands in. Imports store only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from store.clock import NS_PER_S, local, zone
from store.site import Site, Times, Window, WindowKind

_DAY_MINUTES = 24 * 60
_SEARCH_DAYS = 400  # further off than a year's dates no change is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """One opening of a window: from `start_ns` up to, not including, `end_ns`."""

    window: Window
    start_ns: int
    end_ns: int


def windows_of(site: Site, handoff: str) -> tuple[Window, ...]:
    """The windows that concern a handoff, the hours of its stream plans among them."""
    shows = (
        Window(
            name=plan.name,
            kind=WindowKind.SHOW,
            times=plan.times,
            handoffs=(plan.handoff,),
            reference=None,
        )
        for plan in site.plans
    )
    return tuple(
        window for window in (*site.windows, *shows) if not window.handoffs or handoff in window.handoffs
    )


def open_within(site: Site, handoff: str, *, from_ns: int, to_ns: int) -> tuple[Opening, ...]:
    """The windows of a handoff that are open at some time from one instant to another, both included.

    Earliest opening first.
    """
    return tuple(_touching(site, handoff, from_ns, to_ns + 1))


def blocking(site: Site, handoff: str, *, from_ns: int, to_ns: int) -> Opening | None:
    """The first show or quiet window that a run from `from_ns` to `to_ns` would touch, or None."""
    for opening in _touching(site, handoff, from_ns, to_ns):
        if opening.window.kind is not WindowKind.MAINTENANCE:
            return opening
    return None


def stretches(times: Times, *, from_ns: int, to_ns: int, where: tzinfo) -> tuple[tuple[int, int], ...]:
    """The whole stretches of some hours that touch a span, each from its first instant up to its end."""
    first = local(from_ns, where).date() - timedelta(days=1)
    found = _stretches(times, first, local(to_ns, where).date(), where=where)
    return tuple(one for one in found if one[0] < to_ns and from_ns < one[1])


def closed(site: Site, handoff: str, *, from_ns: int, to_ns: int) -> tuple[tuple[int, int], ...]:
    """When within a span no run may fill a handoff: the show and quiet windows that touch it."""
    return tuple(
        (opening.start_ns, opening.end_ns)
        for opening in _touching(site, handoff, from_ns, to_ns)
        if opening.window.kind is not WindowKind.MAINTENANCE
    )


def next_change(site: Site, handoff: str, *, after_ns: int) -> int | None:
    """The next instant at which a window of a handoff opens or closes; None for none in 400 days."""
    where = zone(site.timezone)
    today = local(after_ns, where).date()
    for days in range(-1, _SEARCH_DAYS):
        day = today + timedelta(days=days)
        edges = {
            edge_ns
            for window in windows_of(site, handoff)
            for opening in _openings(window, day, day + timedelta(days=2), where=where)
            for edge_ns in (opening.start_ns, opening.end_ns)
            if edge_ns > after_ns
        }
        if edges:
            return min(edges)
    return None


def _touching(site: Site, handoff: str, from_ns: int, to_ns: int) -> list[Opening]:
    where = zone(site.timezone)
    first = local(from_ns, where).date() - timedelta(days=1)  # a window may have opened yesterday
    last = local(to_ns, where).date()
    found = (
        opening
        for window in windows_of(site, handoff)
        for opening in _openings(window, first, last, where=where)
        if opening.start_ns < to_ns and from_ns < opening.end_ns
    )
    return sorted(found, key=lambda opening: opening.start_ns)


def _openings(window: Window, first: date, last: date, *, where: tzinfo) -> Iterator[Opening]:
    """The openings that begin on the local days `first` to `last`; a clock change may empty one."""
    for start_ns, end_ns in _stretches(window.times, first, last, where=where):
        yield Opening(window=window, start_ns=start_ns, end_ns=end_ns)


def _stretches(times: Times, first: date, last: date, *, where: tzinfo) -> Iterator[tuple[int, int]]:
    lasts_minutes = times.to_minute - times.from_minute
    if lasts_minutes <= 0:
        lasts_minutes += _DAY_MINUTES
    day = first
    while day <= last:
        if _on(times, day):
            opens = datetime.combine(day, time()) + timedelta(minutes=times.from_minute)
            start_ns = _first_ns(opens, where=where)
            end_ns = _last_ns(opens + timedelta(minutes=lasts_minutes), where=where)
            if start_ns < end_ns:
                yield start_ns, end_ns
        day += timedelta(days=1)


def _on(times: Times, day: date) -> bool:
    return day in times.dates or day.weekday() in times.weekdays


def _first_ns(wall: datetime, *, where: tzinfo) -> int:
    """The instant at which the local clock reads `wall`, the first of two.

    A time that the clock skips counts with the offset before the change (RFC 5545 section 3.3.5).
    """
    return _unix_ns(wall.replace(tzinfo=where, fold=0))


def _last_ns(wall: datetime, *, where: tzinfo) -> int:
    """As `_first_ns`, but the last of two instants."""
    return max(_first_ns(wall, where=where), _unix_ns(wall.replace(tzinfo=where, fold=1)))


def _unix_ns(moment: datetime) -> int:
    return round(moment.timestamp()) * NS_PER_S
