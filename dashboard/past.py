"""What was judged of times that are over, kept while the dashboard runs, and months on disk.

They seldom change. A ticket that is noted later changes a month, and so does what comes late, is corrected or
thinned: a month that is kept goes by the fingerprint of what is on record of it, all else by the number of
tickets. Used where one reader is used, in its thread or process. Imports statements, over_time and on_disk.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any, TypeVar, cast

from dashboard import over_time, statements
from dashboard.judge import months
from dashboard.judge.months import Span
from dashboard.on_disk import OnDisk
from dashboard.over_time import Renewal
from dashboard.statements import MonthCount, Statement
from store.clock import NS_PER_S, local, zone
from store.reader import Reader
from store.site import Handoff, Site

MOST_MONTHS = 60  # five years; of a longer term the newest
_SETTLED_S = 3 * 86_400  # after its end hardly anything comes late
_MARGIN_S = 2 * 86_400  # around a month: an outage, a stall or a minute may have begun before it
_MOST = 12 * MOST_MONTHS  # of a dozen handoffs
_FRESH_NS = 600 * NS_PER_S

T = TypeVar("T")
_Key = tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """This month, or its newest part, and with it all before; no `months` while some of these wait for their
    judgement."""

    this: MonthCount
    months: tuple[MonthCount, ...]


class Past:
    """Months, statements and sheets of one site, as they were judged since the dashboard started."""

    def __init__(self, on_disk: OnDisk | None = None) -> None:
        self._found: dict[Hashable, Any] = {}
        self._on_disk = on_disk

    def of(self, site: Site) -> Past:
        """One of another site, with nothing in it but what is on disk."""
        return Past(self._on_disk and self._on_disk.of(site))

    def month(self, reader: Reader, site: Site, handoff: Handoff, month: Span, *, now_s: int) -> MonthCount:
        """The month, judged now or before."""
        settled = _settled(month, now_s)
        key = _key(reader, site, handoff, month) if settled else ()
        known = self._known(key) if settled else None
        if known is not None:
            return known
        found = statements.month_count(reader, site, handoff, month, now_s=now_s)
        if settled:
            self._keep(key, found)
            if self._on_disk is not None:
                self._on_disk.put(repr(key[:-1]), found, stamp=key[-1])
        return found

    def statement(self, reader: Reader, site: Site, handoff: Handoff, day: date, *, now_ns: int) -> Statement:
        """The statement of the month that a day lies in; once a day for one that is over."""
        where, now_s = zone(site.timezone), now_ns // NS_PER_S
        month = months.month(day, where)
        today = local(now_ns, where).date()
        return self._get(
            ("statement", handoff.name, month.from_s, self._notes(reader, handoff), today),
            lambda: statements.find(reader, site, handoff, day=day, now_ns=now_ns),
            settled=_settled(month, now_s),
        )

    def renewal(
        self, reader: Reader, site: Site, handoff: Handoff, judged: Sequence[MonthCount], *, now_ns: int
    ) -> Renewal:
        """The renewal sheet, once a day, as its figures are those of whole days."""
        today = local(now_ns, zone(site.timezone)).date()
        return self._get(
            ("renewal", handoff.name, today, self._notes(reader, handoff), len(judged)),
            lambda: over_time.renewal_of(reader, site, handoff, now_ns=now_ns, judged=judged),
            settled=True,
        )

    def so_far(self, reader: Reader, site: Site, handoff: Handoff, *, now_ns: int) -> SoFar | None:
        """What is known at once: this month as it was within some minutes, and those that are judged already.

        None while nothing is on record.
        """
        every = spans(reader, handoff, zone(site.timezone), now_ns=now_ns)
        if not every or reader.oldest_ns(handoff=handoff.name, since_ns=0) is None:
            return None
        *over, this = every
        notes = self._notes(reader, handoff)
        now = self._get(
            ("now", handoff.name, this.from_s, notes, now_ns // _FRESH_NS),
            lambda: statements.month_count(reader, site, handoff, this, now_s=now_ns // NS_PER_S),
            settled=True,
        )
        before: list[MonthCount] = []
        for one in over:
            known = self._known(_key(reader, site, handoff, one))
            if known is None:
                return SoFar(this=now, months=())
            before.append(known)
        return SoFar(this=now, months=(*before, now))

    def waiting(self, reader: Reader, site: Site, handoff: Handoff, *, now_ns: int) -> list[Span]:
        """The months that are over and were not judged yet, oldest first."""
        return [
            one
            for one in spans(reader, handoff, zone(site.timezone), now_ns=now_ns)
            if _settled(one, now_ns // NS_PER_S) and self._known(_key(reader, site, handoff, one)) is None
        ]

    def _known(self, key: _Key) -> MonthCount | None:
        """A month that was judged of the very record that there is."""
        if key not in self._found and self._on_disk is not None:
            kept = self._on_disk.get(repr(key[:-1]), stamp=key[-1])
            if isinstance(kept, MonthCount):
                self._keep(key, kept)
        return self._found.get(key)

    def _notes(self, reader: Reader, handoff: Handoff) -> int:
        return len(statements.tickets(reader, handoff))

    def _get(self, key: Hashable, make: Callable[[], T], *, settled: bool) -> T:
        if settled and key in self._found:
            return cast(T, self._found[key])
        found = make()
        if settled:
            self._keep(key, found)
        return found

    def _keep(self, key: Hashable, found: Any) -> None:
        self._found[key] = found
        while len(self._found) > _MOST:
            del self._found[next(iter(self._found))]


def spans(reader: Reader, handoff: Handoff, where: tzinfo, *, now_ns: int) -> list[Span]:
    """The months since the service or the record began, within the term, up to this one; cut where the card
    changed."""
    now_s = now_ns // NS_PER_S
    oldest_ns = reader.oldest_ns(handoff=handoff.name, since_ns=0)
    today = local(now_ns, where).date()
    first = today if oldest_ns is None else local(oldest_ns, where).date()
    start = handoff.card_at(now_ns).service_start
    day = max(first, start) if start and start <= today else first
    found = []
    while day <= today:
        month = months.month(day, where)
        found += [one for _, one in statements.versions(handoff, month, where) if one.from_s <= now_s]
        day = month.until_day
    return found[-MOST_MONTHS:]


def every_month(
    past: Past,
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    now_ns: int,
    shown: Sequence[Statement] = (),
) -> tuple[MonthCount, ...]:
    """Each of these months, counted; what the statements `shown` say of one is taken from them."""
    known = {part.month.from_s: part for part in shown if part.period == part.month}
    return tuple(
        _of_statement(known[one.from_s])
        if one.from_s in known and known[one.from_s].month == one
        else past.month(reader, site, handoff, one, now_s=now_ns // NS_PER_S)
        for one in spans(reader, handoff, zone(site.timezone), now_ns=now_ns)
    )


def _of_statement(found: Statement) -> MonthCount:
    return MonthCount(month=found.month, count=found.availability.counts[0], credits=found.credits)


def _key(reader: Reader, site: Site, handoff: Handoff, month: Span) -> _Key:
    """A month's; its end is of what is on record, for a part of a month also of what lies before the part."""
    whole = months.month(month.first_day, zone(site.timezone))
    held = reader.fingerprint(
        handoff=handoff.name,
        since_ns=(whole.from_s - _MARGIN_S) * NS_PER_S,
        until_ns=(month.until_s + _MARGIN_S) * NS_PER_S,
    )
    return ("month", handoff.name, month.from_s, month.until_s, held)


def _settled(month: Span, now_s: int) -> bool:
    return now_s >= month.until_s + _SETTLED_S
