"""Events: the fault log by day, a case an entry, with who must act and what comes next.

A case stands under the day on which it began. Its events are in a list below it that opens by a click and
needs no script. What a case is and says comes from store, the same as in a notice and on the command line.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from itertools import groupby
from urllib.parse import urlencode

from multidict import MultiMapping

from dashboard import case_owners
from dashboard.api import BadQuery, Json, NotHere, only
from dashboard.figures import lanes
from dashboard.figures import part_lanes as part_figure
from dashboard.figures.pooling import Stretch
from dashboard.judge.part_lanes import Lane
from dashboard.pages import part_lanes
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Chart, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, Moment, counted, moment, span
from store import case_words, fault_log
from store.cases import Case
from store.clock import NS_PER_S, local, zone
from store.events import Event
from store.notices import Notice, NoticeState, about
from store.reader import Reader
from store.records import Gap, Owner
from store.site import Site

DAYS = 7  # on one page
MOST_EVENTS = 200  # of a case's list; the JSON has all

UNDER_WAY = Mark(word="Under way", look="bad")
OPEN = Mark(word="Open", look="unsure")
OVER = Mark(word="Over", look="none")

_OWNERS = {owner: str(owner) for owner in Owner}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The days up to `last`, and the handoff, None for all."""

    last: date
    handoff: str | None

    @property
    def first(self) -> date:
        return self.last - timedelta(days=DAYS - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The cases that touch the days asked for, oldest first."""

    site: Site
    asked: Asked
    now_ns: int
    cases: tuple[Case, ...]
    notices: tuple[Notice, ...]
    gaps: tuple[Gap, ...]
    parts: tuple[Lane, ...]

    @property
    def zone(self) -> tzinfo:
        return zone(self.site.timezone)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseEntry:
    """A case as a page says it; of a single event its sentence says all, and there is no list."""

    id: str
    mark: Mark
    start: Moment
    when: str
    text: str
    owner: str
    why: str
    next_step: str
    told: str
    summary: str
    url: str
    events: tuple[Entry, ...]
    left: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayEntry:
    """The cases that began on one day, the newest first."""

    title: str
    iso: str
    cases: tuple[CaseEntry, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A handoff to choose; `here` marks the one that is shown."""

    text: str
    url: str
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EventsPage:
    """What events.html may use, and nothing else."""

    frame: Frame
    said: str
    choices: tuple[Choice, ...]
    lanes: Chart | None
    parts: Chart | None
    segments: Table | None
    days: tuple[DayEntry, ...]
    older: str
    newer: str | None
    csv_url: str  # of every event of these cases


@dataclass(frozen=True, slots=True, kw_only=True)
class EventTables:
    """What stands in the page case by case, as one table."""

    events: Table
    segments: Table | None


def asked_of(query: MultiMapping[str], *, site: Site, now_ns: int) -> Asked:
    """What a query asks for: today and the days before it unless it says so. Raises BadQuery, NotHere."""
    only(query, "day", "handoff")
    for name in ("day", "handoff"):
        if len(query.getall(name, [])) > 1:
            raise BadQuery(f"The parameter {name} stands more than once; give it once.")
    today = local(now_ns, zone(site.timezone)).date()
    handoff, text = query.get("handoff") or None, query.get("day")
    known = [each.name for each in site.handoffs]
    if handoff is not None and handoff not in known:
        raise NotHere(f"No handoff is called {handoff!r}. This site has: {', '.join(known)}.")
    try:
        last = today if text is None else date.fromisoformat(text)
    except ValueError:
        raise BadQuery(f"The parameter day cannot be {text!r}; it is a date such as {today}.") from None
    if not date(2000, 1, 1) <= last <= today:
        raise BadQuery(f"The parameter day cannot be {text}; it is a date from 2000-01-01 to {today}.")
    return Asked(last=last, handoff=handoff)


def find(reader: Reader, *, site: Site, asked: Asked, now_ns: int) -> Findings:
    """Read and join; runs in the reader's thread."""
    since_ns, until_ns = fault_log.days(asked.first, asked.last, where=zone(site.timezone))
    found = case_owners.read(
        reader,
        site,
        since_ns=since_ns,
        until_ns=until_ns,
        now_ns=now_ns,
        handoff=asked.handoff,
    )
    told = fault_log.notices(reader, found)
    gaps = tuple(
        one
        for one in reader.troubles(since_ns=since_ns, until_ns=until_ns)
        if isinstance(one, Gap) and (asked.handoff is None or one.handoff in ("", asked.handoff))
    )
    stretch = _stretch(site, asked, now_ns)
    return Findings(
        site=site,
        asked=asked,
        now_ns=now_ns,
        cases=found,
        notices=told,
        gaps=gaps,
        parts=part_lanes.find(reader, site, stretch, handoff=asked.handoff),
    )


def _stretch(site: Site, asked: Asked, now_ns: int) -> Stretch:
    where = zone(site.timezone)
    since_ns, until_ns = fault_log.days(asked.first, asked.last, where=where)
    return Stretch(from_ns=since_ns, to_ns=min(until_ns, now_ns), zone=where)


def page(found: Findings, *, frame: Frame) -> EventsPage:
    """The findings as the page says them."""
    asked = found.asked
    today = local(found.now_ns, found.zone).date()
    after = min(asked.last + timedelta(days=DAYS), today)
    return EventsPage(
        frame=frame,
        said=_said(found),
        choices=_choices(found),
        lanes=_lanes(found),
        parts=_parts(found),
        segments=part_lanes.table(found.parts),
        days=tuple(_days(found)),
        older=url(asked.last - timedelta(days=DAYS), asked.handoff),
        newer=None if asked.last >= today else url(after, asked.handoff),
        csv_url=f"{url(asked.last, asked.handoff, path='/events.csv')}&table=events",
    )


def figure(found: Findings) -> str:
    """The cases as lanes over time, as JSON text."""
    return lanes.figure(found.cases, gaps=found.gaps, stretch=_stretch(found.site, found.asked, found.now_ns))


def parts_figure(found: Findings) -> str:
    """The parts of the way as lanes over the same time, as JSON text."""
    stretch = _stretch(found.site, found.asked, found.now_ns)
    return part_figure.figure(found.parts, gaps=found.gaps, stretch=stretch)


def _parts(found: Findings) -> Chart | None:
    if not found.parts:
        return None
    return Chart(
        url=url(found.asked.last, found.asked.handoff, path="/figures/events/parts.json"),
        message=part_lanes.message(found.parts),
        key=part_lanes.KEY,
    )


def _lanes(found: Findings) -> Chart | None:
    if not found.cases:
        return None
    owners = Counter(case.owner for case in found.cases)
    told = ", ".join(f"{lanes.WORDS[owner].lower()} {count}" for owner, count in owners.most_common())
    asked = found.asked
    return Chart(
        url=url(asked.last, asked.handoff, path="/figures/events.json"),
        message=f"Whose they were, as far as that can be told: {told}.",
        key="A lane for each handoff and owner, a bar for each case from its first event to its last; an "
        "arrow "
        "ends one that is open. Grey bands were not measured.",
    )


def tables(found: Findings) -> EventTables:
    """Every event of the cases, oldest first, with the case that it belongs to."""
    rows = (
        cells(
            case_words.id_of(case),
            case.handoff or "all",
            *_event_row(event, found.zone),
        )
        for case in found.cases
        for event in case.events
    )
    return EventTables(
        events=Table(
            caption="Events with their cases",
            headings=(Heading(text="Case"), Heading(text="Handoff"), *_HEADINGS),
            rows=tuple(rows),
        ),
        segments=part_lanes.table(found.parts),
    )


def url(last: date, handoff: str | None, *, path: str = "/events") -> str:
    """The address of the page of these days."""
    return f"{path}?{urlencode({'day': str(last)} | ({} if handoff is None else {'handoff': handoff}))}"


def entries(
    cases: Iterable[Case], notices: Sequence[Notice], *, where: tzinfo, now_ns: int
) -> tuple[CaseEntry, ...]:
    """Cases as a page says them, the newest first, and what became of the notices of them."""
    newest_first = sorted(cases, key=lambda case: -case.started_unix_ns)
    return tuple(_entry(case, about(case, notices), where=where, now_ns=now_ns) for case in newest_first)


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    asked = found.asked
    since_ns, until_ns = fault_log.days(asked.first, asked.last, where=found.zone)
    told = fault_log.as_json(
        found.cases,
        site=found.site,
        since_ns=since_ns,
        until_ns=until_ns,
        now_ns=found.now_ns,
        handoff=asked.handoff,
    )
    return {**told, "segments": part_lanes.as_json(found.parts)}


def _choices(found: Findings) -> tuple[Choice, ...]:
    last, here = found.asked.last, found.asked.handoff
    names = [("all handoffs", None), *((f"handoff {each.name}", each.name) for each in found.site.handoffs)]
    return tuple(Choice(text=text, url=url(last, name), here=here == name) for text, name in names)


def _said(found: Findings) -> str:
    open_ = sum(case.ended_unix_ns is None for case in found.cases)
    asked = found.asked
    time = f"from {asked.first:%a %d %b} to {asked.last:%a %d %b %Y}"
    if not found.cases:
        return f"No event is on record {time}. Where nothing was measured there is none either."
    return f"{counted(len(found.cases), 'case')} {time}, {open_ or 'none'} of them open."


def _days(found: Findings) -> Iterable[DayEntry]:
    def day(case: Case) -> date:
        return local(case.started_unix_ns, found.zone).date()

    newest_first = sorted(found.cases, key=lambda case: -case.started_unix_ns)
    for one, cases in groupby(newest_first, key=day):
        yield DayEntry(
            title=f"{one:%A %d %B %Y}",
            iso=str(one),
            cases=entries(cases, found.notices, where=found.zone, now_ns=found.now_ns),
        )


def _entry(case: Case, told: Sequence[Notice], *, where: tzinfo, now_ns: int) -> CaseEntry:
    mark = UNDER_WAY if case.under_way else OPEN if case.ended_unix_ns is None else OVER
    shown = case.events[-MOST_EVENTS:] if len(case.events) > 1 else ()
    left = max(0, len(case.events) - MOST_EVENTS)
    return CaseEntry(
        id=case_words.id_of(case),
        mark=mark,
        start=moment(case.started_unix_ns, where, form="%a %d %b %H:%M:%S"),
        when=_when(case, where=where, now_ns=now_ns),
        text=case_words.says(case),
        owner=_OWNERS[case.owner],
        why=case.why,
        next_step=case_words.next_step(case),
        told=" ".join(_told(notice, where) for notice in told),
        summary=counted(len(case.events), "event"),
        url=f"{url(local(case.started_unix_ns, where).date(), None)}#{case_words.id_of(case)}",
        events=tuple(_event(event, case, where) for event in shown),
        left=f"{counted(left, 'earlier event')} left out here; the JSON has all." if left else "",
    )


def _when(case: Case, *, where: tzinfo, now_ns: int) -> str:
    same_day = local(case.last_unix_ns, where).date() == local(case.started_unix_ns, where).date()
    last = moment(case.last_unix_ns, where, form="%H:%M:%S" if same_day else "%a %d %b %H:%M:%S").text
    if case.under_way:
        return f"Since then, for {span(max(0, now_ns - case.started_unix_ns) / NS_PER_S)}."
    seconds = (case.last_unix_ns - case.started_unix_ns) / NS_PER_S
    alone = len(case.events) == 1  # its sentence says how long
    lasted = f"Until {last}, {span(seconds)} from first to last." if seconds >= 1 and not alone else ""
    if case.ended_unix_ns is None:
        return f"{lasted} Quiet since {last}; a next event would belong to it.".lstrip()
    return lasted


def _told(notice: Notice, where: tzinfo) -> str:
    at = moment(notice.started_unix_ns, where, form="%a %H:%M:%S").text
    match notice.state:
        case NoticeState.DELIVERED:
            return f"Notice to {notice.channel} delivered {at}."
        case NoticeState.FAILED:
            tries = counted(notice.tries, "try", "tries")
            return f"Notice to {notice.channel} given up {at} after {tries}: {notice.why}."
        case _:
            return f"Notice to {notice.channel} queued {at}, not delivered yet."


def _event(event: Event, case: Case, where: tzinfo) -> Entry:
    """What happened; whose it was said to be at the time, where the case is now said to be another's."""
    other = event.owner not in (case.owner, Owner.UNKNOWN)
    then = f"; owner then: {_OWNERS[event.owner]}" if other else ""
    at = moment(event.started_unix_ns, where, form="%a %d %b %H:%M:%S")
    return Entry(mark=None, moment=at, text=f"{event.says}{then}")


_HEADINGS = (
    Heading(text="Time"),
    Heading(text="What"),
    Heading(text="What happened", kind="prose"),
    number("Lasted", "s"),
    Heading(text="Owner"),
)


def _event_row(event: Event, where: tzinfo) -> tuple[str | Moment, ...]:
    return (
        moment(event.started_unix_ns, where, form="%a %d %b %H:%M:%S"),
        str(event.what),
        event.says,
        DASH if event.seconds is None else f"{event.seconds:.1f}",
        _OWNERS[event.owner],
    )
