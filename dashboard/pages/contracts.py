"""Verdicts on the contract as pages show them: as an entry, a row of counts and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from dashboard.judge import evidence
from dashboard.judge.verdict import RateVerdict, Word, outward
from dashboard.pages import corrected
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, LAYERS, grouped, percent, stated_mbps, stated_percent
from store.records import REASONS
from store.site import Handoff

MARKS = {
    Word.MET: Mark(word="Met", look="firm"),
    Word.NOT_MET: Mark(word="Not met", look="bad"),
    Word.UNDECIDED: Mark(word="Undecided", look="unsure"),
    Word.NOT_TESTED: Mark(word="Not tested", look="none"),
}


def entry(verdict: RateVerdict, *, corrected_records: int, parts: Sequence[str] = ()) -> Entry:
    """The verdict as a sentence, with what was left out, what was corrected and what would decide.

    `parts` are sentences on the same runs looked at more closely.
    """
    more = [
        verdict.conversion and f"{verdict.conversion}.",
        *parts,
        _left_out(verdict),
        corrected.behind(corrected_records, "this verdict"),
        verdict.question and f"To ask the provider: {verdict.question}",
    ]
    return Entry(
        mark=MARKS[verdict.word], moment=None, text=verdict.because, more=tuple(text for text in more if text)
    )


def _left_out(verdict: RateVerdict) -> str:
    """What the reason codes in the verdict's sentence mean."""
    why = "; ".join(f"{code}: {_reason(code)} ({grouped(count)})" for code, count in verdict.excluded_why)
    return f"Left out as {why}." if why else ""


def _reason(code: str) -> str:
    if code == evidence.BOTH_AT_ONCE:
        return "both directions ran at once, and runs of one direction alone are there to judge by"
    return REASONS[code][1]


def table(rows: Sequence[tuple[Handoff, RateVerdict]], *, caption: str, note: str = "") -> Table:
    """The counts behind the verdicts."""
    return Table(
        caption=caption,
        headings=(
            Heading(text="Handoff"),
            Heading(text="Direction"),
            Heading(text="Verdict"),
            number("Stated", "Mb/s"),
            Heading(text="Layer"),
            number("Valid runs"),
            number("Count as", "independent"),
            number("Reached"),
            number("Missed"),
            number("Open"),
            number("Share", "reached"),
            number("95 % bounds", "at least – at most"),
            number("Needed"),
        ),
        rows=tuple(
            cells(
                handoff.name,
                str(verdict.direction),
                MARKS[verdict.word],
                DASH if verdict.needed_bps is None else stated_mbps(verdict.needed_bps),
                LAYERS[verdict.layer_used],
                grouped(verdict.n),
                f"{verdict.effective_n:.0f}",
                grouped(verdict.met),
                grouped(verdict.not_met),
                grouped(verdict.open_),
                percent(verdict.share),
                bounds(verdict) if verdict.n else DASH,
                stated_percent(verdict.met_ratio),
            )
            for handoff, verdict in rows
        ),
        note=note,
    )


def of_one(handoff: Handoff, verdicts: Sequence[RateVerdict], *, caption: str) -> Table:
    """The same for a paper of one handoff, whose name stands in its head."""
    whole = table([(handoff, one) for one in verdicts], caption=caption)
    return replace(whole, headings=whole.headings[1:], rows=tuple(row[1:] for row in whole.rows))


def bounds(verdict: RateVerdict) -> str:
    """The bounds rounded outwards, so that neither says more than the runs support."""
    low, high = outward(verdict.bound_low, verdict.bound_high)
    return f"{low * 100:g} – {high * 100:g} %"


def as_json(handoff: Handoff, verdict: RateVerdict, *, corrected_records: int) -> dict[str, Any]:
    """The verdict with its counts, as a program reads it."""
    return {
        "handoff": handoff.name,
        **asdict(verdict),
        "excluded_why": dict(verdict.excluded_why),
        "corrected_records": corrected_records,
    }
