"""Term: one handoff's contract month by month: availability, credits, delay and loss; a page of its own."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, tzinfo
from urllib.parse import quote, urlencode

from multidict import MultiMapping

from dashboard import over_time, statements, text_over_time, text_statement
from dashboard.api import BadQuery, Json, only
from dashboard.figures import days
from dashboard.judge import months
from dashboard.judge.availability import Count
from dashboard.judge.credits import Credits
from dashboard.judge.months import Span
from dashboard.over_time import Renewal
from dashboard.pages import so_far, statement_rows
from dashboard.pages.contracts import MARKS
from dashboard.pages.frame import Frame, circuit_url, side_by_side_url, term_url
from dashboard.pages.ledger import Chart, Entry, Heading, Table, cells, number
from dashboard.pages.wording import DASH
from dashboard.past import MOST_MONTHS, Past, every_month
from dashboard.statements import MonthCount, Statement
from store.clock import NS_PER_S, local, rfc3339, zone
from store.reader import Reader
from store.site import Handoff, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """A month's statement, and every month so far, oldest first."""

    site: Site
    statement: Statement
    months: tuple[MonthCount, ...]
    renewal: Renewal
    now_ns: int


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
    calendar: Chart
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


_FIRST_MONTH = date(2000, 1, 1)  # no record is older, and a database counts no nanoseconds of the year 1287


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
    if found < _FIRST_MONTH:
        raise BadQuery(f"month={text} is before {_FIRST_MONTH:%Y-%m}, the first that can be asked for.")
    return found


def url(handoff: str, month: date, *, suffix: str = "") -> str:
    return f"{term_url(handoff)}{suffix}?{urlencode({'month': f'{month:%Y-%m}'})}"


def find(reader: Reader, *, site: Site, handoff: Handoff, month: date, past: Past, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    where, now_s = zone(site.timezone), now_ns // NS_PER_S
    statement = past.statement(reader, site, handoff, month, now_ns=now_ns)
    every = every_month(past, reader, site, handoff, now_ns=now_ns, shown=statement.parts)
    over = [one for one in every if months.month(one.month.first_day, where).until_s <= now_s]
    return Findings(
        site=site,
        statement=statement,
        months=every,
        renewal=past.renewal(reader, site, handoff, over, now_ns=now_ns),
        now_ns=now_ns,
    )


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
        parts=tuple(_part(one, where, month) for one in _shown(statement)),
        months=_month_table(found),
        since=so_far.since(found.months),
        sheet=(*text_over_time.money_lines(found.renewal), *text_over_time.date_lines(found.renewal)),
        figures=_figure_table(found.renewal),
        side_by_side=side_by_side_url() if len(found.site.handoffs) > 1 else None,
    )


def figure(found: Findings, part: str) -> str | None:
    """The calendar of a part of the month as JSON text; None for a part that there is not."""
    where = zone(found.site.timezone)
    for statement in _shown(found.statement):
        if str(statement.month.from_s) == part:
            return days.figure(statement_rows.day_marks(statement, _main_count(statement), where))
    return None


def _shown(statement: Statement) -> tuple[Statement, ...]:
    return tuple(one for one in statement.parts if one.month.from_s <= one.now_s)


def _main_count(statement: Statement) -> Count:
    return statement.availability.contract or next(
        one for one in statement.availability.counts if one.rule.of_trains
    )


def _calendar(statement: Statement, where: tzinfo, month: date) -> Chart:
    marks = statement_rows.day_marks(statement, _main_count(statement), where)
    name = quote(statement.handoff.name, safe="")
    return Chart(
        url=f"/figures/term/{name}/{statement.month.from_s}.json?month={month:%Y-%m}",
        message=statement_rows.calendar_message(marks),
        key="A filled square is a day with an outage that counts, a crossed one was not wholly measured, an "
        "empty one is without an outage. The number beside it is the day of the month.",
    )


def _part(statement: Statement, where: tzinfo, month: date) -> Part:
    count = _main_count(statement)
    said = statement.part_said(where) if statement.of_changed else ""
    return Part(
        name=f"month{statement.month.from_s}" if said else "month",
        title=f"What the month came to{f', {said}' if said else ''}",
        changed=text_statement.changed_said(statement) if said else "",
        entries=tuple(statement_rows.entries(statement)),
        steps=statement.credits.ours.steps if statement.credits else (),
        rules=statement_rows.rule_table(statement.availability),
        outages=statement_rows.outage_table(count, where),
        promises=statement_rows.promise_table(statement.quality),
        calendar=_calendar(statement, where, month),
        days=statement_rows.day_table(statement, count, where),
    )


def _month_table(found: Findings) -> Table:
    rows = [
        cells(
            _month_name(one.month, zone(found.site.timezone)),
            MARKS[one.count.word],
            statement_rows.available_share(one.count.ratio),
            statement_rows.available_share(one.count.worst_ratio),
            statement_rows.available_share(one.count.best_ratio),
            str(len(one.count.outages)),
            statement_rows.minutes(one.count.down_s),
            statement_rows.minutes(one.count.unwatched_s),
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
        note=f"The newest {MOST_MONTHS} months." if len(found.months) == MOST_MONTHS else "",
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
        rows=tuple(cells(one.name, one.trend.because, text_over_time.moved(one)) for one in found.figures),
    )


def _credit(found: Credits | None) -> str:
    return DASH if found is None or found.ours.amount is None else f"{found.ours.amount.amount:f}"


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
