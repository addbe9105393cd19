"""/calendar.ics: shows, show windows, the provider's works and the contract's deadlines.

RFC 5545 through the icalendar library. An entry's UID is made from what it is about and when, so that it
stays the same at every reading and a moved show is another entry. Deadlines are whole days. Times are those
of the site's zone; where the site has a fixed offset instead of a zone, they are in UTC.

`find` reads; the rest is pure. Imports the judges of dates, and Term's months that are over.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from dashboard.judge import hours, months, renewal
from dashboard.judge.deemed import deemed
from dashboard.past import Past
from store.acceptance import About, AcceptanceNote
from store.clock import NS_PER_S, local, zone
from store.reader import Reader
from store.site import Handoff, Site, Window, WindowKind

CONTENT_TYPE = "text/calendar"
BACK = timedelta(days=31)
AHEAD = timedelta(days=120)  # of shows and windows; deadlines stand however far off they are

_KINDS = {WindowKind.SHOW: "Show window", WindowKind.MAINTENANCE: "Provider's works"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry: `start` and `end` are both moments, or both days with `end` the day after."""

    about: str  # what makes the UID, with the start
    start: datetime | date
    end: datetime | date
    title: str
    text: str
    category: str


def find(reader: Reader, site: Site, past: Past, *, now_ns: int) -> tuple[Entry, ...]:
    """Every entry, oldest first; runs in the reader's thread."""
    where = zone(site.timezone)
    found = [*shows(site, now_ns=now_ns)]
    for handoff in site.handoffs:
        found += deadlines(site, handoff, now_ns=now_ns, decided=_decided(reader, handoff))
        found += _claims(reader, site, handoff, past, now_ns=now_ns)
    return tuple(sorted(found, key=lambda one: (_moment(one.start, where), one.about)))


def shows(site: Site, *, now_ns: int) -> Iterator[Entry]:
    """Plans' shows, show windows and works around now."""
    where = zone(site.timezone)
    from_ns, to_ns = (now_ns - _ns(BACK), now_ns + _ns(AHEAD))

    def each(times: Any, **what: str) -> Iterator[Entry]:
        for start_ns, end_ns in hours.held(times, where, from_ns=from_ns, to_ns=to_ns):
            yield Entry(start=local(start_ns, where), end=local(end_ns, where), **what)

    for plan in site.plans:
        yield from each(
            plan.times,
            about=f"show-{plan.name}",
            title=plan.title,
            text=f"Stream plan {plan.name} on handoff {plan.handoff}.",
            category="Show",
        )
    for window in site.windows:
        if window.kind in _KINDS:
            yield from each(
                window.times,
                about=f"{window.kind}-{window.name}",
                title=f"{_KINDS[window.kind]}: {window.name}",
                text=_window(window),
                category=_KINDS[window.kind],
            )


def deadlines(site: Site, handoff: Handoff, *, now_ns: int, decided: bool) -> Iterator[Entry]:
    """What the contract of a handoff asks for by a day; none of what its card does not state."""
    card, name = handoff.card_at(now_ns), handoff.name
    today = local(now_ns, zone(site.timezone)).date()
    dates = renewal.dates(card, today=today)
    if dates.notice_by is not None and dates.ends is not None:
        says = f"Without notice by then the contract of handoff {name} goes on after {dates.ends}."
        yield _day(dates.notice_by, f"notice-{name}", f"Last day of notice: handoff {name}", says)
        for day in dates.remind:
            title = f"Notice for handoff {name} is due by {dates.notice_by}"
            yield _day(day, f"remind-{name}", title, says)
    if dates.ends is not None:
        yield _day(
            dates.ends,
            f"end-{name}",
            f"Term ends: handoff {name}",
            "Last day of the term by the contract card.",
        )
    if dates.index_from is not None:
        says = f"From then on the price of handoff {name} may rise, by its contract card."
        yield _day(dates.index_from, f"index-{name}", f"Price may rise: handoff {name}", says)
    accepted = deemed(card, today=today, holidays=site.holidays)
    if accepted.last_day is not None and not decided:
        title = f"Last day to refuse handoff {name}"
        yield _day(accepted.last_day, f"deemed-{name}", title, "After it, silence counts as acceptance.")


def text(entries: Iterable[Entry], *, site: Site, now_ns: int) -> bytes:
    """The calendar as RFC 5545 has it."""
    import icalendar  # only who asks for a calendar pays for it

    where = zone(site.timezone)
    made = icalendar.Calendar()
    made.add("prodid", "-//Linebook//the log book of an internet line//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", site.name)
    stamp = datetime.fromtimestamp(now_ns // NS_PER_S, UTC)
    listed = [*entries]
    for one in listed:
        event = icalendar.Event()
        event.add("uid", uid(one, site))
        event.add("dtstamp", stamp)
        event.add("dtstart", _written(one.start, where))
        event.add("dtend", _written(one.end, where))
        event.add("summary", f"{one.title} (invented)" if site.invented else one.title)
        event.add("description", one.text)
        event.add("categories", [one.category])
        event.add("transp", "OPAQUE" if isinstance(one.start, datetime) else "TRANSPARENT")
        made.add_component(event)
    timed = [one.start.date() for one in listed if isinstance(one.start, datetime)]
    if timed and isinstance(where, ZoneInfo):
        day = timedelta(days=1)
        made.add_missing_timezones(first_date=min(timed) - day, last_date=max(timed) + day)
    return bytes(made.to_ical())


def uid(one: Entry, site: Site) -> str:
    """The same for the same thing at the same time, whenever it is asked for; other at another site."""
    at = _moment(one.start, zone(site.timezone)).astimezone(UTC)
    of_site = hashlib.sha256(site.name.encode()).hexdigest()[:12]
    return f"{quote(one.about, safe='')}-{at:%Y%m%dT%H%M%SZ}-{of_site}@linebook"


def _claims(reader: Reader, site: Site, handoff: Handoff, past: Past, *, now_ns: int) -> Iterator[Entry]:
    """Credits that months just over have earned, each with the day by which it must be claimed."""
    where, now_s = zone(site.timezone), now_ns // NS_PER_S
    today = local(now_ns, where).date()
    if (days := handoff.card_at(now_ns).credits.claim_days) is None:
        return
    last = today.replace(day=1) - timedelta(days=1)  # of the month before
    while last + timedelta(days=days) >= today:
        month = months.month(last.replace(day=1), where)
        judged = past.month(reader, site, handoff, month, now_s=now_s)
        credit = judged.credits
        if credit is not None and credit.claim_until is not None and credit.ours.share:
            amount = "" if credit.ours.amount is None else f" {credit.ours.amount.said()}"
            yield _day(
                credit.claim_until,
                f"claim-{handoff.name}-{last:%Y-%m}",
                f"Last day to claim{amount} for {last:%B %Y}: handoff {handoff.name}",
                credit.because,
            )
        last = last.replace(day=1) - timedelta(days=1)


def _decided(reader: Reader, handoff: Handoff) -> bool:
    notes = reader.documents(AcceptanceNote, handoff=handoff.name)
    return any(note.about is About.DECISION for note in notes)


def _day(day: date, about: str, title: str, says: str) -> Entry:
    after = day + timedelta(days=1)
    return Entry(about=about, start=day, end=after, title=title, text=says, category="Deadline")


def _window(window: Window) -> str:
    on = f"On handoff {', '.join(window.handoffs)}." if window.handoffs else "On all handoffs."
    return f"{on} Reference: {window.reference}." if window.reference else on


def _moment(at: datetime | date, where: tzinfo) -> datetime:
    if isinstance(at, datetime):
        return at
    return datetime(at.year, at.month, at.day, tzinfo=where)


def _written(at: datetime | date, where: tzinfo) -> datetime | date:
    if isinstance(at, datetime) and not isinstance(where, ZoneInfo):
        return at.astimezone(UTC)
    return at


def _ns(span: timedelta) -> int:
    return round(span.total_seconds()) * NS_PER_S
