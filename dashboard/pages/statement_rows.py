"""A statement's sentences and tables, for the Term page and for papers.

Imports the judges' values, statements and the shapes that a template knows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo

from dashboard.figures.days import DayMark, DayState
from dashboard.judge import availability, months, outages
from dashboard.judge.availability import Availability, Count
from dashboard.judge.months import Span
from dashboard.judge.verdict import Word
from dashboard.judge.works import Counted
from dashboard.pages.contracts import MARKS
from dashboard.pages.ledger import Cell, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, counted, grouped, moment, span
from dashboard.quality import Quality
from dashboard.statements import Statement
from store.clock import NS_PER_S


def entries(statement: Statement) -> Iterator[Entry]:
    contract = statement.availability.contract
    notes = list(statement.availability.excuse.notes)
    if not statement.over:
        notes.append("The month is not over; what is still to come is neither good nor bad.")
    if contract is None:
        yield Entry(
            mark=MARKS[_unpromised(statement)],
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
            more=(f"Rule: {contract.rule.said()}.", *unseen(contract), *notes),
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


def _unpromised(statement: Statement) -> Word:
    """Without a rule nothing is decided; where no availability is promised either, nothing is tested."""
    promised = statement.handoff.card_at(statement.month.from_s * NS_PER_S).availability_ratio
    return Word.NOT_TESTED if promised is None else Word.UNDECIDED


def unseen(count: Count) -> Iterator[str]:
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


def rule_table(found: Availability) -> Table:
    contract = found.contract
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
                minutes(one.down_s) if one.ratio is not None else DASH,
                *(available_share(each) for each in (one.ratio, one.worst_ratio, one.best_ratio)),
                one.rule.said(),
            )
            for one in found.counts
        ),
    )


def outage_table(count: Count, where: tzinfo) -> Table | None:
    if not count.outages and not count.unplaced:
        return None
    rows = [_outage_row(one, where) for one in count.outages]
    rows += [
        cells(
            _at(low, where),
            _at(high, where),
            minutes(high - low),
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
        minutes(one.to_s - one.from_s),
        minutes(one.seconds),
        minutes(one.excused_s),
        minutes(one.overrun_s),
        ticket,
    )


def promise_table(found: Sequence[Quality]) -> Table | None:
    rows = [
        cells(quality.endpoint, MARKS[part.word], part.because)
        for quality in found
        for part in quality.promises
    ]
    if not rows:
        return None
    return Table(
        caption="Delay, variation and loss outside of outages",
        headings=(Heading(text="Endpoint"), Heading(text="Verdict"), Heading(text="Figures", kind="prose")),
        rows=tuple(rows),
        note=" ".join(dict.fromkeys(filter(None, (_more(one) for one in found)))),
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


def day_table(statement: Statement, count: Count, where: tzinfo) -> Table:
    until_s = min(statement.now_s, statement.month.until_s)
    rows = [
        cells(f"{day.first_day:%a %d %b}", *of_time(count, day, min(until_s, day.until_s)))
        for day in months.days_of(statement.month, where)
        if day.from_s < until_s
    ]
    return Table(
        caption=f"{statement.month.first_day:%B %Y}, day by day",
        headings=(Heading(text="Day"), *TIME_HEADINGS),
        rows=tuple(rows),
    )


def day_marks(statement: Statement, count: Count, where: tzinfo) -> tuple[DayMark, ...]:
    """Each day as a calendar shows it."""
    until_s = min(statement.now_s, statement.month.until_s)
    return tuple(
        _day_mark(count, day, min(until_s, day.until_s))
        for day in months.days_of(statement.month, where)
        if day.from_s < until_s
    )


TIME_HEADINGS = (
    number("Available"),
    number("Outages"),
    number("Counts", "min"),
    number("Not measured", "min"),
)


def of_time(count: Count, span_: Span, until_s: int) -> tuple[str, str, str, str]:
    parts = [part for one in count.outages for part in one.counts]
    down_s = outages.total_s(outages.within(parts, span_.from_s, until_s))
    unseen_s = outages.total_s(outages.within(count.unseen, span_.from_s, until_s))
    seen_s = until_s - span_.from_s - unseen_s
    began = sum(span_.from_s <= one.from_s < until_s for one in count.outages)
    available = available_share(availability.ratio_of(down_s, seen_s)) if seen_s > 0 else DASH
    return available, str(began), minutes(down_s), minutes(unseen_s)


def _day_mark(count: Count, day: Span, until_s: int) -> DayMark:
    available, began, down, unseen_ = of_time(count, day, until_s)
    parts = [part for one in count.outages for part in one.counts]
    state = DayState.CLEAN
    if outages.within(parts, day.from_s, until_s):
        state = DayState.OUTAGE
    elif outages.within(count.unseen, day.from_s, until_s):
        state = DayState.UNSEEN
    said = f"{day.first_day:%a %d %b}: {available} available, {began} outages, {down} min count"
    return DayMark(day=day.first_day, state=state, said=f"{said}, {unseen_} min not measured")


def calendar_message(marks: Sequence[DayMark]) -> str:
    """What the calendar shows, as a sentence."""
    bad, unseen_ = (sum(one.state is state for one in marks) for state in (DayState.OUTAGE, DayState.UNSEEN))
    return (
        f"An outage that counts fell on {bad or 'none'} of {counted(len(marks), 'day')}; "
        f"{len(marks) - bad - unseen_ or 'none'} were wholly measured without one, {unseen_ or 'none'} were "
        "not wholly measured."
    )


def minutes(seconds: float) -> str:
    return f"{seconds / 60:.1f}" if round(seconds) % 60 else grouped(round(seconds / 60))


def available_share(ratio: float | None) -> str:
    return DASH if ratio is None else availability.percent(ratio)


def _at(at_s: float, where: tzinfo) -> str:
    return moment(round(at_s * NS_PER_S), where, form="%d %b %H:%M:%S").text
