"""Term: one handoff's contract month by month: availability, credits, delay and loss; a page of its own.

Months that are over are judged once and kept, for nothing changes them but a ticket that is closed later.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, tzinfo
from urllib.parse import urlencode

from multidict import MultiMapping

from dashboard import over_time, statements, text_over_time, text_statement
from dashboard.api import BadQuery, Json, only
from dashboard.judge import availability, months, outages
from dashboard.judge.availability import Count
from dashboard.judge.credits import Credits
from dashboard.judge.months import Span
from dashboard.judge.verdict import Word
from dashboard.judge.works import Counted
from dashboard.over_time import Renewal
from dashboard.pages.contracts import MARKS
from dashboard.pages.frame import Frame, circuit_url, side_by_side_url, term_url
from dashboard.pages.ledger import Cell, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, counted, grouped, moment, span
from dashboard.quality import Quality
from dashboard.statements import MonthCount, Statement
from store.clock import NS_PER_S, local, rfc3339, zone
from store.reader import Reader
from store.site import Handoff, Site

_MOST_MONTHS = 60  # five years; of a longer term the newest
_SETTLED_S = 3 * 86_400  # after its end nothing that comes late changes a month


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """A month's statement, and every month so far, oldest first."""

    site: Site
    statement: Statement
    months: tuple[MonthCount, ...]
    renewal: Renewal
    now_ns: int


class Past:
    """Months that are over, as they were judged since the dashboard started."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, int, int], MonthCount] = {}

    def month(self, reader: Reader, site: Site, handoff: Handoff, month: Span, *, now_s: int) -> MonthCount:
        """The month, judged now or before."""
        notes = len(statements.tickets(reader, handoff))
        key = (handoff.name, month.from_s, notes)
        if key not in self._found or now_s < month.until_s + _SETTLED_S:
            self._found[key] = statements.month_count(reader, site, handoff, month, now_s=now_s)
        return self._found[key]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What a month came to, or a part of one by one version of the card; `name` marks its headings."""

    name: str
    title: str
    changed: str
    entries: tuple[Entry, ...]
    steps: tuple[str, ...]
    rules: Table
    outages: Table | None
    promises: Table | None
    days: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class TermPage:
    """What term.html may use, and nothing else."""

    frame: Frame
    title: str
    month: str
    older: str | None
    newer: str | None
    circuit: str
    parts: tuple[Part, ...]
    months: Table
    since: str
    sheet: tuple[str, ...]
    figures: Table | None
    side_by_side: str | None


def month_of(query: MultiMapping[str], *, site: Site, now_ns: int) -> date:
    """The month that a query asks for, this one unless it says so. Raises BadQuery."""
    only(query, "month")
    today, text = local(now_ns, zone(site.timezone)).date(), query.get("month")
    if text is None:
        return today.replace(day=1)
    try:
        found = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise BadQuery(f"month={text} is no month such as {today:%Y-%m}.") from None
    if found > today:
        raise BadQuery(f"month={text} has not begun yet; this month is {today:%Y-%m}.")
    return found


def url(handoff: str, month: date, *, suffix: str = "") -> str:
    return f"{term_url(handoff)}{suffix}?{urlencode({'month': f'{month:%Y-%m}'})}"


def find(reader: Reader, *, site: Site, handoff: Handoff, month: date, past: Past, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    where, now_s = zone(site.timezone), now_ns // NS_PER_S
    every = tuple(
        past.month(reader, site, handoff, one, now_s=now_s)
        for one in _months(reader, handoff, where, now_ns=now_ns)
    )
    over = [one for one in every if months.month(one.month.first_day, where).until_s <= now_s]
    return Findings(
        site=site,
        statement=statements.find(reader, site, handoff, day=month, now_ns=now_ns),
        months=every,
        renewal=over_time.renewal_of(reader, site, handoff, now_ns=now_ns, judged=over),
        now_ns=now_ns,
    )


def _months(reader: Reader, handoff: Handoff, where: tzinfo, *, now_ns: int) -> list[Span]:
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
    return found[-_MOST_MONTHS:]


# The page


def page(found: Findings, *, frame: Frame) -> TermPage:
    """The findings as the page says them."""
    statement, where = found.statement, zone(found.site.timezone)
    handoff, month = statement.handoff, statement.month.first_day.replace(day=1)
    newer = statement.month.until_day
    return TermPage(
        frame=frame,
        title=handoff.title,
        month=f"{month:%B %Y}",
        older=url(handoff.name, months.months_before(month, 1)),
        newer=url(handoff.name, newer) if newer <= local(found.now_ns, where).date() else None,
        circuit=circuit_url(handoff.name),
        parts=tuple(_part(one, where) for one in statement.parts if one.month.from_s <= one.now_s),
        months=_month_table(found),
        since=_since(found),
        sheet=(*text_over_time.money_lines(found.renewal), *text_over_time.date_lines(found.renewal)),
        figures=_figure_table(found.renewal),
        side_by_side=side_by_side_url() if len(found.site.handoffs) > 1 else None,
    )


def _part(statement: Statement, where: tzinfo) -> Part:
    count = statement.availability.contract or next(
        one for one in statement.availability.counts if one.rule.of_trains
    )
    said = statement.part_said(where) if statement.of_changed else ""
    return Part(
        name=f"month{statement.month.from_s}" if said else "month",
        title=f"What the month came to{f', {said}' if said else ''}",
        changed=text_statement.changed_said(statement) if said else "",
        entries=tuple(_entries(statement)),
        steps=statement.credits.ours.steps if statement.credits else (),
        rules=_rule_table(statement),
        outages=_outage_table(count, where),
        promises=_promise_table(statement),
        days=_day_table(statement, count, where),
    )


def _entries(statement: Statement) -> Iterator[Entry]:
    contract = statement.availability.contract
    notes = list(statement.availability.excuse.notes)
    if not statement.over:
        notes.append("The month is not over; what is still to come is neither good nor bad.")
    if contract is None:
        yield Entry(
            mark=MARKS[Word.UNDECIDED],
            moment=None,
            text="The card does not name the rule by which outages are counted, so none of the figures below "
            "is the contract’s.",
            more=tuple(notes),
        )
    else:
        yield Entry(
            mark=MARKS[contract.word],
            moment=None,
            text=f"Availability: {contract.because}",
            more=(f"Rule: {contract.rule.said()}.", *_unseen(contract), *notes),
        )
    credits = statement.credits
    if credits is None:
        yield Entry(mark=Mark(word="No credit", look="none"), moment=None, text=statement.no_credits)
    else:
        due = bool(credits.ours.share)
        left = f"{credits.days_left} days are left to claim." if due and (credits.days_left or 0) >= 0 else ""
        mark = Mark(word="Credit due", look="bad") if due else Mark(word="None due", look="firm")
        yield Entry(mark=mark, moment=None, text=credits.because, more=(left,) if left else ())
    if statement.repeated:
        mark = (
            Mark(word="Reached", look="bad") if statement.repeated.reached else Mark(word="Open", look="none")
        )
        yield Entry(mark=mark, moment=None, text=f"Repeated failure: {statement.repeated.because}")


def _unseen(count: Count) -> Iterator[str]:
    parts = [
        f"{span(seconds)} {what}"
        for seconds, what in (
            (count.unwatched_s, "not measured"),
            (count.unsure_s, "that could be either"),
            (count.house_s, "with the house’s own network down"),
            (count.unplaced_s, "bad, and nothing tells whether it was the line"),
        )
        if seconds
    ]
    if parts:
        yield f"Neither good nor bad: {', '.join(parts)}."
    if count.floor_s is not None and count.bound_s is not None:
        yield (
            f"Shorter than {count.floor_s:g} s is no outage by this rule; each end is known to "
            f"{count.bound_s:.2f} s."
        )


def _rule_table(statement: Statement) -> Table:
    contract = statement.availability.contract
    return Table(
        caption="The same record by each of the six rules",
        headings=(
            Heading(text="Rule"),
            Heading(text="For"),
            number("Outage", "min"),
            number("Available"),
            number("At least"),
            number("At most"),
            Heading(text="What it says", kind="prose"),
        ),
        rows=tuple(
            cells(
                str(one.rule.rule),
                "the contract" if one is contract else "information",
                _minutes(one.down_s) if one.ratio is not None else DASH,
                *(_percent(each) for each in (one.ratio, one.worst_ratio, one.best_ratio)),
                one.rule.said(),
            )
            for one in statement.availability.counts
        ),
    )


def _outage_table(count: Count, where: tzinfo) -> Table | None:
    if not count.outages and not count.unplaced:
        return None
    rows = [_outage_row(one, where) for one in count.outages]
    rows += [
        cells(
            _at(low, where),
            _at(high, where),
            _minutes(high - low),
            "0",
            DASH,
            DASH,
            "not placed: not counted",
        )
        for low, high in count.unplaced
    ]
    return Table(
        caption="Outages",
        headings=(
            Heading(text="From"),
            Heading(text="To"),
            number("Lasted", "min"),
            number("Counts", "min"),
            number("Excused", "min"),
            number("Beyond works", "min"),
            Heading(text="Ticket", kind="sentence"),
        ),
        rows=tuple(rows),
    )


def _outage_row(one: Counted, where: tzinfo) -> tuple[Cell, ...]:
    ticket = "none"
    if one.ticket:
        ticket = f"{one.ticket.reference}, opened {_at(one.ticket.opened_s, where)}"
    return cells(
        _at(one.from_s, where),
        _at(one.to_s, where),
        _minutes(one.to_s - one.from_s),
        _minutes(one.seconds),
        _minutes(one.excused_s),
        _minutes(one.overrun_s),
        ticket,
    )


def _promise_table(statement: Statement) -> Table | None:
    rows = [
        cells(quality.endpoint, MARKS[part.word], part.because)
        for quality in statement.quality
        for part in quality.promises
    ]
    if not rows:
        return None
    return Table(
        caption="Delay, variation and loss outside of outages",
        headings=(Heading(text="Endpoint"), Heading(text="Verdict"), Heading(text="Figures", kind="prose")),
        rows=tuple(rows),
        note=" ".join(dict.fromkeys(filter(None, (_more(one) for one in statement.quality)))),
    )


def _more(found: Quality) -> str:
    shape, said = found.shape, [found.note] if found.note else []
    if found.classes is not None:
        said.append(f"{found.endpoint} meets ITU-T Y.1541 classes {', '.join(map(str, found.classes))}.")
    if shape and shape.bursts.bursts:
        said.append(
            f"Around stalls to {found.endpoint}: {counted(shape.bursts.bursts, 'burst')} by RFC 3611 among "
            f"{grouped(shape.packets)} packets."
        )
    return " ".join(said)


def _day_table(statement: Statement, count: Count, where: tzinfo) -> Table:
    until_s = min(statement.now_s, statement.month.until_s)
    rows = [
        cells(f"{day.first_day:%a %d %b}", *_of_time(count, day, min(until_s, day.until_s)))
        for day in months.days_of(statement.month, where)
        if day.from_s < until_s
    ]
    return Table(
        caption=f"{statement.month.first_day:%B %Y}, day by day",
        headings=(Heading(text="Day"), *_TIME_HEADINGS),
        rows=tuple(rows),
    )


_TIME_HEADINGS = (
    number("Available"),
    number("Outages"),
    number("Counts", "min"),
    number("Not measured", "min"),
)


def _of_time(count: Count, span_: Span, until_s: int) -> tuple[str, str, str, str]:
    parts = [part for one in count.outages for part in one.counts]
    down_s = outages.total_s(outages.within(parts, span_.from_s, until_s))
    unseen_s = outages.total_s(outages.within(count.unseen, span_.from_s, until_s))
    seen_s = until_s - span_.from_s - unseen_s
    began = sum(span_.from_s <= one.from_s < until_s for one in count.outages)
    available = _percent(availability.ratio_of(down_s, seen_s)) if seen_s > 0 else DASH
    return available, str(began), _minutes(down_s), _minutes(unseen_s)


def _month_table(found: Findings) -> Table:
    rows = [
        cells(
            _month_name(one.month, zone(found.site.timezone)),
            MARKS[one.count.word],
            _percent(one.count.ratio),
            _percent(one.count.worst_ratio),
            _percent(one.count.best_ratio),
            str(len(one.count.outages)),
            _minutes(one.count.down_s),
            _minutes(one.count.unwatched_s),
            _credit(one.credits),
        )
        for one in reversed(found.months)
    ]
    return Table(
        caption="Every month so far, newest first",
        headings=(
            Heading(text="Month"),
            Heading(text="Verdict"),
            number("Available"),
            number("At least"),
            number("At most"),
            number("Outages"),
            number("Counts", "min"),
            number("Not measured", "min"),
            number("Credit", found.renewal.paid.at_first.unit if found.renewal.paid else ""),
        ),
        rows=tuple(rows),
        note=f"The newest {_MOST_MONTHS} months." if len(found.months) == _MOST_MONTHS else "",
    )


def _month_name(month: Span, where: tzinfo) -> str:
    said = months.part_said(month, where)
    return f"{month.first_day:%B %Y}{f', {said}' if said else ''}"


def _figure_table(found: Renewal) -> Table | None:
    if not found.figures:
        return None
    return Table(
        caption="Trends and changes, by day, of the last two quarters",
        headings=(
            Heading(text="Figure"),
            Heading(text="Trend", kind="prose"),
            Heading(text="Moved to another level", kind="prose"),
        ),
        rows=tuple(
            cells(one.name, lines[0], " ".join(each.strip() for each in lines[1:]) or "no")
            for one in found.figures
            for lines in (list(text_over_time.figure_lines(one)),)
        ),
    )


def _since(found: Findings) -> str:
    if not found.months:
        return "Nothing is on record yet."
    first = found.months[0].month.first_day
    down_s, watched_s = (
        sum(getattr(one.count, name) for one in found.months) for name in ("down_s", "watched_s")
    )
    ratio = availability.ratio_of(down_s, watched_s)
    if ratio is None:
        return f"Since {first.day} {first:%B %Y} nothing was watched."
    missed = len(
        {one.month.first_day.replace(day=1) for one in found.months if one.count.word is Word.NOT_MET}
    )
    return (
        f"Since {first.day} {first:%B %Y}: {availability.percent(ratio)} available of {span(watched_s)} "
        f"watched, {availability.minutes(down_s)} of outage; {counted(missed, 'month')} below the promise."
    )


def _credit(found: Credits | None) -> str:
    return DASH if found is None or found.ours.amount is None else f"{found.ours.amount.amount:f}"


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.1f}" if round(seconds) % 60 else grouped(round(seconds / 60))


def _percent(ratio: float | None) -> str:
    return DASH if ratio is None else availability.percent(ratio)


def _at(at_s: float, where: tzinfo) -> str:
    return moment(round(at_s * NS_PER_S), where, form="%d %b %H:%M:%S").text


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    return {
        "kind": "term",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "site": found.site.name,
        "invented": found.site.invented,
        "statement": statements.as_json(found.statement),
        "months": [
            {
                "month": f"{one.month.first_day:%Y-%m}",
                "from": rfc3339(one.month.from_s * NS_PER_S),
                "to": rfc3339(one.month.until_s * NS_PER_S),
                **statements.count_json(one.count),
            }
            for one in found.months
        ],
        "renewal": over_time.renewal_json(found.renewal),
    }
