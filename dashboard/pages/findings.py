"""Findings: which signatures one handoff's record of four weeks shows, with owner and what to ask for.

A page of its own, since it looks at four weeks of single packets' counts and takes seconds, not milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import urlencode

from multidict import MultiMapping

from dashboard import found, text_findings
from dashboard.api import BadQuery, Json, only
from dashboard.judge import findings as judge
from dashboard.judge.finding import Finding, chance_text
from dashboard.judge.findings import Examined
from dashboard.judge.material import Mark
from dashboard.pages.frame import Frame, circuit_url, findings_url
from dashboard.pages.ledger import Mark as Stamp
from dashboard.pages.wording import Moment, counted, moment
from store import fault_log
from store.clock import local, zone
from store.errors import UserMistake
from store.reader import Reader
from store.records import Owner
from store.site import Handoff, Site

_LOOKS = {Owner.PROVIDER: "bad", Owner.HOUSE: "unsure", Owner.ENDPOINT: "unsure", Owner.UNKNOWN: "unsure"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What was found on one handoff from the first to the last day."""

    site: Site
    handoff: Handoff
    first: date
    last: date
    since_ns: int
    until_ns: int
    now_ns: int
    examined: Examined
    own: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A finding as the page says it."""

    mark: Stamp
    title: str
    first: Moment
    last: Moment
    seen: str
    cause: str
    owner: str
    because: str
    decides: str
    ask: str
    chance: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingsPage:
    """What findings.html may use, and nothing else."""

    frame: Frame
    said: str
    entries: tuple[Entry, ...]
    own: str
    older: str
    newer: str | None
    circuit: str
    untested: tuple[str, ...]


def last_day(query: MultiMapping[str], *, site: Site, now_ns: int) -> date:
    """The last day that a query asks for, today unless it says so. Raises BadQuery."""
    only(query, "day")
    today, text = local(now_ns, zone(site.timezone)).date(), query.get("day")
    try:
        last = today if text is None else date.fromisoformat(text)
    except ValueError:
        raise BadQuery(f"The parameter day cannot be {text!r}; it is a date such as {today}.") from None
    if not date(2000, 1, 1) <= last <= today:
        raise BadQuery(f"The parameter day cannot be {text}; it is a date from 2000-01-01 to {today}.")
    return last


def find(reader: Reader, *, site: Site, handoff: Handoff, last: date, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    first = last - timedelta(days=found.DAYS - 1)
    since_ns, until_ns = fault_log.days(first, last, where=zone(site.timezone))
    until_ns = min(until_ns, now_ns)
    marks: tuple[Mark, ...] = ()
    try:
        marks = found.own_marks(site, since_ns=since_ns, until_ns=until_ns)
        own = _own(marks)
    except UserMistake as mistake:
        own = f"The house’s own list is left out: {mistake}."
    shown = found.examined(reader, site, handoff, since_ns=since_ns, until_ns=until_ns, marks=marks)
    return Findings(
        site=site,
        handoff=handoff,
        first=first,
        last=last,
        since_ns=since_ns,
        until_ns=until_ns,
        now_ns=now_ns,
        examined=shown,
        own=own,
    )


def _own(marks: Sequence[Mark]) -> str:
    if not marks:
        return ""
    names = ", ".join(sorted({one.name for one in marks}))
    return f"Held against {counted(len(marks), 'time')} at which the house’s own loads were on: {names}."


def page(shown: Findings, *, frame: Frame) -> FindingsPage:
    """The findings as the page says them."""
    where = zone(shown.site.timezone)
    today = local(shown.now_ns, where).date()
    step = timedelta(days=found.DAYS)
    days = f"from {shown.first:%d %b} to {shown.last:%d %b %Y}"
    some = counted(len(shown.examined.found), "signature shows", "signatures show")
    return FindingsPage(
        frame=frame,
        said=f"{some} {days}." if shown.examined.found else f"No signature shows {days}.",
        entries=tuple(
            Entry(
                mark=_mark(one),
                title=f"{one.number}. {text_findings.title(one)}",
                first=moment(one.first_unix_ns, where, form="%a %d %b %H:%M"),
                last=moment(one.last_unix_ns, where, form="%a %d %b %H:%M"),
                seen=one.seen,
                cause=one.signature.cause,
                owner=text_findings.whose(one),
                because=one.because,
                decides=one.decides,
                ask=one.ask,
                chance="" if one.chance is None else chance_text(one.chance),
            )
            for one in shown.examined.found
        ),
        own=shown.own,
        older=url(shown.handoff.name, shown.last - step),
        newer=None if shown.last >= today else url(shown.handoff.name, min(today, shown.last + step)),
        circuit=circuit_url(shown.handoff.name),
        untested=tuple(
            text_findings.untested(why, of) for why, of in text_findings.by_why(shown.examined.untested)
        ),
    )


def url(handoff: str, last: date | None, *, suffix: str = "") -> str:
    """The address of the page of four weeks up to a day; up to today for None."""
    path = f"{findings_url(handoff)}{suffix}"
    return path if last is None else f"{path}?{urlencode({'day': str(last)})}"


def as_json(shown: Findings) -> Json:
    """The same as one JSON object."""
    return answer([shown.examined], shown.since_ns, shown.until_ns, shown.site)


def answer(shown: Sequence[Examined], since_ns: int, until_ns: int, site: Site) -> Json:
    """Findings of one handoff or several as one JSON object."""
    return judge.answer(shown, since_ns=since_ns, until_ns=until_ns, invented=site.invented)


def _mark(one: Finding) -> Stamp:
    if one.owner is None:
        return Stamp(word="Noted", look="none")
    return Stamp(word=str(one.owner).capitalize(), look=_LOOKS[one.owner])
