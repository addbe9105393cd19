"""What was judged of times that are over, kept while the dashboard runs: it does not change any more.

Only a ticket that is noted later changes a month, so what is kept goes by their number. Used where one reader
is used, in its thread or process. Imports statements and over_time.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any, TypeVar, cast

from dashboard import over_time, statements
from dashboard.judge import months
from dashboard.judge.months import Span
from dashboard.over_time import Renewal
from dashboard.statements import MonthCount, Statement
from store.clock import NS_PER_S, local, zone
from store.reader import Reader
from store.site import Handoff, Site

MOST_MONTHS = 60  # five years; of a longer term the newest
_SETTLED_S = 3 * 86_400  # after its end nothing that comes late changes a month
_MOST = 12 * MOST_MONTHS  # of a dozen handoffs
_FRESH_NS = 600 * NS_PER_S

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """This month, or its newest part, and with it all before; no `months` while some of these wait for their
    judgement."""

    this: MonthCount
    months: tuple[MonthCount, ...]


class Past:
    """Months, statements and sheets, as they were judged since the dashboard started."""

    def __init__(self) -> None:
        self._found: dict[Hashable, Any] = {}

    def month(self, reader: Reader, site: Site, handoff: Handoff, month: Span, *, now_s: int) -> MonthCount:
        """The month, judged now or before."""
        return self._get(
            ("month", handoff.name, month.from_s, month.until_s, self._notes(reader, handoff)),
            lambda: statements.month_count(reader, site, handoff, month, now_s=now_s),
            settled=_settled(month, now_s),
        )

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
        keys = [("month", handoff.name, one.from_s, one.until_s, notes) for one in over]
        if any(key not in self._found for key in keys):
            return SoFar(this=now, months=())
        return SoFar(this=now, months=(*(self._found[key] for key in keys), now))

    def waiting(self, reader: Reader, site: Site, handoff: Handoff, *, now_ns: int) -> list[Span]:
        """The months that are over and were not judged yet, oldest first."""
        notes, now_s = self._notes(reader, handoff), now_ns // NS_PER_S
        return [
            one
            for one in spans(reader, handoff, zone(site.timezone), now_ns=now_ns)
            if _settled(one, now_s)
            and ("month", handoff.name, one.from_s, one.until_s, notes) not in self._found
        ]

    def _notes(self, reader: Reader, handoff: Handoff) -> int:
        return len(statements.tickets(reader, handoff))

    def _get(self, key: Hashable, make: Callable[[], T], *, settled: bool) -> T:
        if settled and key in self._found:
            return cast(T, self._found[key])
        found = make()
        if settled:
            self._found[key] = found
            while len(self._found) > _MOST:
                del self._found[next(iter(self._found))]
        return found


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


def _settled(month: Span, now_s: int) -> bool:
    return now_s >= month.until_s + _SETTLED_S
