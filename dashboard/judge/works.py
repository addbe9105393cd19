"""Announced works of the provider: which of their time excuses an outage, and what of an outage is left.

Works excuse only within the weekdays and hours that the contract agreed, announced early enough, up to a cap
on the time that they take a month; what goes beyond counts as an outage like any other. Pure. Imports
months, outages and store.terms.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from dashboard.judge.months import day_at
from dashboard.judge.outages import Spans, merged, total_s, within, without
from store.clock import NS_PER_S, unix_ns_of
from store.terms import AvailabilityTerms, CountsFrom


@dataclass(frozen=True, slots=True, kw_only=True)
class Works:
    """A maintenance window as it was announced; `announced` is None where nobody noted when."""

    name: str
    reference: str | None
    from_s: float
    to_s: float
    announced: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Excuse:
    """Spans in which an outage is excused, before any cap, and what there is to say of windows."""

    spans: Spans
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A report to the provider: when it was opened, and closed, None while it is open."""

    reference: str
    opened_s: float
    closed_s: float | None
    promised_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """An outage and what of it counts.

    `excused_s` lay within works, `overrun_s` came after them and counts, `unreported_s` was before a
    ticket where the clock starts with one. `ticket` is the first that was opened for it.
    """

    from_s: float
    to_s: float
    counts: tuple[tuple[float, float], ...]
    excused_s: float
    overrun_s: float
    unreported_s: float
    ticket: Ticket | None

    @property
    def seconds(self) -> float:
        return total_s(self.counts)


def excuse(works: Iterable[Works], terms: AvailabilityTerms, where: tzinfo) -> Excuse:
    """The time in which announced works excuse an outage."""
    spans: Spans = []
    notes: list[str] = []
    for one in works:
        why = _late(one, terms, where)
        if why:
            notes.append(f"{_called(one)} excuses nothing: {why}.")
            continue
        if terms.maintenance_notice_days and one.announced is None:
            notes.append(f"When {_called(one)} was announced is not noted; it is taken to have been in time.")
        agreed = _agreed(one, terms, where)
        spans += agreed
        if total_s(agreed) < one.to_s - one.from_s - 1:
            beyond_min = (one.to_s - one.from_s - total_s(agreed)) / 60
            notes.append(f"{_called(one)} lies {beyond_min:.0f} min outside of the hours that were agreed.")
    return Excuse(spans=merged(spans), notes=tuple(dict.fromkeys(notes)))


def capped(
    outages: Spans, excuse: Spans, *, cap_s: int | None, where: tzinfo, used: tuple[float, float] = (0, 0)
) -> Spans:
    """What of the outages is excused, of each month no more than the cap, the oldest first.

    `used` is (when, seconds): so much of that month's cap is gone already.
    """
    found: Spans = []
    at = day_at(used[0], where)
    used_s: dict[tuple[int, int], float] = {(at.year, at.month): used[1]}
    for outage in outages:
        for low, high in within(excuse, *outage):
            day = day_at(low, where)
            month = (day.year, day.month)
            left = high - low if cap_s is None else max(0.0, cap_s - used_s.get(month, 0.0))
            high = min(high, low + left)
            used_s[month] = used_s.get(month, 0.0) + high - low
            if high > low:
                found.append((low, high))
    return found


def count(
    outages: Spans,
    *,
    excused: Spans,
    tickets: Sequence[Ticket],
    counts_from: CountsFrom,
    overruns_count: bool,
) -> tuple[Counted, ...]:
    """What of each outage counts; an overrun needs no ticket, since the provider began the works itself."""
    return tuple(
        _count(outage, excused, tickets, counts_from=counts_from, overruns_count=overruns_count)
        for outage in outages
    )


def ticket_of(outage: tuple[float, float], tickets: Iterable[Ticket]) -> Ticket | None:
    """The first ticket that was opened while the outage lasted, or was open when it began."""
    low, high = outage
    found = [one for one in tickets if one.opened_s <= high and (one.closed_s is None or one.closed_s >= low)]
    return min(found, key=lambda one: one.opened_s, default=None)


def _count(
    outage: tuple[float, float],
    excused: Spans,
    tickets: Sequence[Ticket],
    *,
    counts_from: CountsFrom,
    overruns_count: bool,
) -> Counted:
    inside = within(excused, *outage)
    parts = without(outage, inside)
    after = min((low for low, _ in inside), default=outage[1])
    overrun = [part for part in parts if part[0] >= after]
    own = [part for part in parts if part[0] < after]
    ticket = ticket_of(outage, tickets)
    reported = own
    if counts_from is CountsFrom.REPORT:
        reported = within(own, ticket.opened_s, outage[1]) if ticket else []
    kept = overrun if overruns_count else []
    return Counted(
        from_s=outage[0],
        to_s=outage[1],
        counts=tuple(sorted([*reported, *kept])),
        excused_s=total_s(inside) + (0 if overruns_count else total_s(overrun)),
        overrun_s=total_s(kept),
        unreported_s=total_s(own) - total_s(reported),
        ticket=ticket,
    )


def _late(one: Works, terms: AvailabilityTerms, where: tzinfo) -> str:
    days = terms.maintenance_notice_days
    if not days or one.announced is None:
        return ""
    ahead = (day_at(one.from_s, where) - one.announced).days
    return f"it was announced {ahead} days before, and {days} are agreed" if ahead < days else ""


def _agreed(one: Works, terms: AvailabilityTerms, where: tzinfo) -> Spans:
    """What of a window lies on agreed weekdays and hours."""
    if not terms.maintenance_weekdays and terms.maintenance_hours is None:
        return [(one.from_s, one.to_s)]
    from_minute, to_minute = terms.maintenance_hours or (0, 24 * 60)
    to_minute += 24 * 60 if to_minute <= from_minute else 0
    found: Spans = []
    day, last = day_at(one.from_s, where) - timedelta(days=1), day_at(one.to_s, where)
    while day <= last:
        if not terms.maintenance_weekdays or day.weekday() in terms.maintenance_weekdays:
            found.append((_at(day, from_minute, where), _at(day, to_minute, where)))
        day += timedelta(days=1)
    return within(merged(found), one.from_s, one.to_s)


def _at(day: date, minute: int, where: tzinfo) -> float:
    moment = datetime.combine(day, time()) + timedelta(minutes=minute)
    return unix_ns_of(moment, where) / NS_PER_S


def _called(one: Works) -> str:
    return f"The maintenance window {one.name}" + (f" ({one.reference})" if one.reference else "")
