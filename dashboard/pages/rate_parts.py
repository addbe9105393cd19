"""Rate verdicts by day, in the busy hours and without each rule, as tables of the Circuit page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from dashboard.judge.rate_detail import RateDetail
from dashboard.judge.together import Together
from dashboard.judge.verdict import RateVerdict
from dashboard.pages.contracts import MARKS, bounds
from dashboard.pages.ledger import Cell, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, DIRECTIONS, grouped, mbps, moment, percent
from dashboard.rate_history import Rates, Version

_ASKED = (number("Valid runs"), number("Reached"), number("Missed"), number("Share", "reached"))


def parts(details: Sequence[RateDetail], *, caption: str) -> Table | None:
    """All hours, the busy ones and the others side by side, with what was carried; None without a run."""
    tested = [one for one in details if one.whole.n]
    if not tested:
        return None
    rows = [
        _part(detail, name, verdict)
        for detail in tested
        for name, verdict in (
            ("all hours", detail.whole),
            ("busy hours", detail.busy),
            ("other hours", detail.rest),
        )
    ]
    return Table(
        caption=caption,
        headings=(
            Heading(text="Direction"),
            Heading(text="Hours"),
            Heading(text="Verdict"),
            *_ASKED,
            number("95 % bounds", "at least – at most"),
            number("Middle run", "Mb/s at its layer"),
            number("Middle run", "Mb/s of payload"),
        ),
        rows=tuple(rows),
    )


def days(details: Sequence[RateDetail], *, caption: str) -> Table | None:
    """Each day with a counted run, newest first; None without any."""
    rows = [
        (
            day.day,
            cells(
                f"{day.day:%a %d %b %Y}",
                DIRECTIONS[detail.whole.direction],
                MARKS[day.word],
                grouped(day.n),
                grouped(day.met),
                grouped(day.not_met),
                percent(day.met / day.n),
            ),
        )
        for detail in details
        for day in detail.days
    ]
    if not rows:
        return None
    return Table(
        caption=caption,
        headings=(Heading(text="Day"), Heading(text="Direction"), Heading(text="Verdict"), *_ASKED),
        rows=tuple(row for _, row in sorted(rows, key=lambda one: one[0], reverse=True)),
        note="The runs of one day are few, so most days stay undecided alone; together they decide.",
    )


def rules(version: Version, *, caption: str) -> Table | None:
    """The verdict with and without each rule that left out a run; None where none did."""
    rows: list[tuple[Cell, ...]] = []
    for ledger in version.ledgers:
        if not ledger.rules or ledger.verdict.needed_bps is None:
            continue
        way = DIRECTIONS[ledger.direction]
        out = ledger.verdict.excluded + ledger.verdict.void
        rows.append(cells("with every rule", way, grouped(out), DASH, *_counts(ledger.verdict)))
        rows += [
            cells(
                f"without: {rule.meaning}",
                way,
                grouped(rule.left_out),
                grouped(rule.alone),
                *_counts(rule.without),
            )
            for rule in ledger.rules
        ]
        rows.append(cells("with no rule", way, "0", DASH, *_counts(ledger.bare)))
    if not rows:
        return None
    return Table(
        caption=caption,
        headings=(
            Heading(text="Rule", kind="prose"),
            Heading(text="Direction"),
            number("Runs left out"),
            number("by it alone"),
            Heading(text="Verdict"),
            *_ASKED,
            number("95 % bounds", "at least – at most"),
        ),
        rows=tuple(rows),
        note="The verdict is the one with every rule. The others show what leaving out has changed.",
    )


def together(found: Together | None) -> tuple[Entry, ...]:
    """The handoffs of the contract as one; nothing where there is only one."""
    if found is None:
        return ()
    totals = [Entry(mark=MARKS[one.word], moment=None, text=one.because) for one in found.totals]
    return (*totals, *(Entry(mark=None, moment=None, text=text) for text in found.shares))


def earlier(rates: Rates, where: tzinfo) -> tuple[Entry, ...]:
    """The verdicts under versions of the card that were in force before, newest first."""
    return tuple(
        Entry(
            mark=MARKS[detail.whole.word],
            moment=None,
            text=f"Until {moment(version.until_unix_ns, where, form='%a %d %b %Y, %H:%M').text}, by the card "
            f"then in force: {detail.whole.because}",
        )
        for version in rates.versions[1:]
        for detail in version.details
    )


def _part(detail: RateDetail, name: str, verdict: RateVerdict) -> tuple[Cell, ...]:
    carried = detail.carried if verdict is detail.whole else None
    return cells(
        DIRECTIONS[detail.whole.direction],
        name,
        *_counts(verdict),
        mbps(carried.p50_bps) if carried else DASH,
        mbps(carried.p50_payload_bps) if carried else DASH,
    )


def _counts(verdict: RateVerdict) -> tuple[str | Mark, ...]:
    return (
        MARKS[verdict.word],
        grouped(verdict.n),
        grouped(verdict.met),
        grouped(verdict.not_met),
        percent(verdict.share),
        bounds(verdict) if verdict.n else DASH,
    )
