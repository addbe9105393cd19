"""The contract as pages show it: its card, and each verdict as an entry, a row of counts and JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from dashboard.judge import evidence
from dashboard.judge.verdict import RateVerdict, Word
from dashboard.pages import corrected
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, LAYERS, grouped, percent, span, stated_mbps, stated_percent
from store import terms
from store.layers import Layer
from store.records import REASONS
from store.site import Card, Handoff

MARKS = {
    Word.MET: Mark(word="Met", look="firm"),
    Word.NOT_MET: Mark(word="Not met", look="bad"),
    Word.UNDECIDED: Mark(word="Undecided", look="unsure"),
    Word.NOT_TESTED: Mark(word="Not tested", look="none"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CardRow:
    """A line of the contract card."""

    name: str
    value: str
    where: str


def card_rows(card: Card) -> tuple[CardRow, ...]:
    """The card field by field; what it does not say reads so, and is never guessed."""
    pages = dict(card.pages)

    def rate(bps: int | None) -> str | None:
        return None if bps is None else f"{stated_mbps(bps)} Mb/s"

    fields = (
        ("provider", "Provider", card.provider),
        ("reference", "Contract reference", card.reference),
        ("rate_up", "Rate up", rate(card.rate_up_bps)),
        ("rate_down", "Rate down", rate(card.rate_down_bps)),
        ("layer", "Layer of the rates", None if card.layer is Layer.NOT_STATED else LAYERS[card.layer]),
        ("reach", "Share of a rate that counts as reached", stated_percent(card.reach_ratio)),
        ("met_ratio", "Share of runs that must reach them", stated_percent(card.met_ratio)),
        ("port_rate", "Port rate", rate(card.port_rate_bps)),
        ("delay", "RTT, p95", None if card.rtt_p95_us is None else f"{card.rtt_p95_us / 1000:g} ms"),
        (
            "delay_variation",
            "PDV, p99",
            None if card.pdv_p99_us is None else f"{card.pdv_p99_us / 1000:g} ms",
        ),
        ("loss", "Packet loss", None if card.loss_ratio is None else stated_percent(card.loss_ratio)),
        (
            "availability",
            "Availability",
            None if card.availability_ratio is None else stated_percent(card.availability_ratio),
        ),
        ("availability_rule", "What counts as an outage", card.availability_rule),
        ("fee", "Fee a month", card.fee_per_month),
        ("service_start", "Service start", card.service_start and card.service_start.isoformat()),
        ("term_end", "Term end", card.term_end and card.term_end.isoformat()),
        ("notice", "Notice", card.notice),
        ("mtu", "Largest IP packet", None if card.mtu_bytes is None else f"{card.mtu_bytes} bytes"),
        (
            "maintenance_cap",
            "Provider's works, at most a month",
            None if card.maintenance_cap_s is None else span(card.maintenance_cap_s),
        ),
    )
    return tuple(
        CardRow(name=name, value=value or "not stated", where=pages.get(key, ""))
        for key, name, value in fields
    )


def card_json(card: Card) -> dict[str, Any]:
    """The card as a program reads it: null is what it does not state, `not_stated` names those keys."""
    dates = {
        name: None if day is None else day.isoformat()
        for name, day in (("service_start", card.service_start), ("term_end", card.term_end))
    }
    parts = {"outages": terms.as_json(card.outages), "credits": terms.as_json(card.credits)}
    return asdict(card) | dates | parts | {"pages": dict(card.pages), "not_stated": list(card.not_stated)}


def entry(verdict: RateVerdict, *, corrected_records: int) -> Entry:
    """The verdict as a sentence, with what was left out, what was corrected and what would decide."""
    more = [
        verdict.conversion and f"{verdict.conversion}.",
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
                _bounds(verdict) if verdict.n else DASH,
                stated_percent(verdict.met_ratio),
            )
            for handoff, verdict in rows
        ),
        note=note,
    )


def _bounds(verdict: RateVerdict) -> str:
    """The bounds rounded outwards, so that neither says more than the runs support."""
    low, high = math.floor(verdict.bound_low * 1000) / 10, math.ceil(verdict.bound_high * 1000) / 10
    return f"{low:g} % – {high:g} %"


def as_json(handoff: Handoff, verdict: RateVerdict, *, corrected_records: int) -> dict[str, Any]:
    """The verdict with its counts, as a program reads it."""
    return {
        "handoff": handoff.name,
        **asdict(verdict),
        "excluded_why": dict(verdict.excluded_why),
        "corrected_records": corrected_records,
    }
