"""The Ledger page: every verdict of one handoff, with every rule and without each.

What was left out to suit is the first thing that the other side asks; here is what each rule did. Imports
ledgers, rate_history, and the other pages' shapes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import ledgers, rate_history, rates_told
from dashboard.judge.exclusions import Ledger
from dashboard.judge.verdict import Word
from dashboard.ledgers import Ledgers
from dashboard.pages.contracts import MARKS
from dashboard.pages.frame import Frame, circuit_url, ledger_url
from dashboard.pages.ledger import Cell, Heading, Mark, Table, cells
from dashboard.pages.today import ANSWERS
from dashboard.pages.wording import DASH, counted
from dashboard.rate_history import Rates
from store.reader import Reader
from store.site import Handoff, Site

DAYS = 30
_MARKS = {str(word): mark for word, mark in (*MARKS.items(), *ANSWERS.items())}
_NO_RULE = "(none of them)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The ledgers of one handoff, and when they were made."""

    site: Site
    handoff: Handoff
    rates: Rates
    others: Ledgers
    now_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerPage:
    """What verdict_rules.html may use, and nothing else."""

    frame: Frame
    said: str
    about: str
    circuit: str
    verdicts: Table
    rules: Table | None


def find(reader: Reader, *, site: Site, handoff: Handoff, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    seconds = DAYS * 86_400
    return Findings(
        site=site,
        handoff=handoff,
        rates=rate_history.read(reader, site, handoff, now_unix_ns=now_ns, seconds=seconds),
        others=ledgers.read(reader, site, handoff, now_unix_ns=now_ns, seconds=seconds),
        now_ns=now_ns,
    )


def as_json(found: Findings) -> dict[str, Any]:
    """What `linebook ledger --json` prints of this handoff."""
    return rates_told.ledger_json(found.site, [found.rates], [found.others], now_unix_ns=found.now_ns)


def url(handoff: str) -> str:
    """The page's JSON."""
    return f"{ledger_url(handoff)}.json"


def page(found: Findings, *, frame: Frame) -> LedgerPage:
    """The findings as the page says them."""
    meanings, rows = dict(_meanings(found)), tuple(_rows(found))
    return LedgerPage(
        frame=frame,
        said=_said(rows),
        about=f"What was left out of each verdict on {found.handoff.title} in the last {DAYS} days, by which "
        "rule, and what the verdict would be without that rule. The verdict that counts is the one with "
        "every rule.",
        circuit=circuit_url(found.handoff.name),
        verdicts=Table(
            caption="Verdicts with and without each rule",
            headings=(
                Heading(text="Verdict on"),
                Heading(text="With every rule"),
                Heading(text="Rule"),
                Heading(text="Left out", kind="prose"),
                Heading(text="Without it"),
                Heading(text="Changes it"),
            ),
            rows=rows,
            note="Rows of the acceptance sheet and stream plans have times of their own. Rows of the sheet "
            "that nobody has tested, and that no rule keeps untested, are in the JSON alone.",
        ),
        rules=Table(
            caption="Rules",
            headings=(Heading(text="Rule"), Heading(text="Leaves out", kind="sentence")),
            rows=tuple(cells(code, meaning) for code, meaning in meanings.items()),
        )
        if meanings
        else None,
    )


def _said(rows: Sequence[tuple[Cell, ...]]) -> str:
    """How much of what is left out decides something, first of all."""
    ruled = [row for row in rows if row[-1].text != DASH]
    if not ruled:
        return "No rule left anything out of these verdicts."
    changing = sum(row[-1].text == "yes" for row in ruled)
    if not changing:
        return "What the rules left out changes none of these verdicts."
    return (
        f"Without its rule {counted(changing, 'verdict')} of {len(ruled)} would be another: rows with “yes”."
    )


def _rows(found: Findings) -> Iterator[tuple[Cell, ...]]:
    for version in found.rates.versions:
        for ledger in version.ledgers:
            if ledger.verdict.needed_bps is not None:
                yield from _of_rates(ledger)
    for one in found.others.all:
        words = {one.outcome.word, one.bare.word, *(rule.without.word for rule in one.rules)}
        if one in found.others.acceptance and words == {str(Word.NOT_TESTED)}:
            continue
        with_all = _MARKS[one.outcome.word]
        for rule in one.rules:
            yield _row(one.about, with_all, rule.code, rule.left_out, _MARKS[rule.without.word])
        if not one.rules:
            yield cells(one.about, with_all, DASH, DASH, DASH, DASH)
        if len(one.rules) > 1:
            yield _row(one.about, with_all, _NO_RULE, DASH, _MARKS[one.bare.word])


def _of_rates(ledger: Ledger) -> Iterator[tuple[Cell, ...]]:
    about, with_all = f"Rate {ledger.direction}", MARKS[ledger.verdict.word]
    for rule in ledger.rules:
        yield _row(about, with_all, rule.code, f"{rule.left_out} runs", MARKS[rule.without.word])
    if not ledger.rules:
        yield cells(about, with_all, DASH, DASH, DASH, DASH)
    if len(ledger.rules) > 1:
        yield _row(about, with_all, _NO_RULE, DASH, MARKS[ledger.bare.word])


def _row(about: str, with_all: Mark, code: str, left_out: str, without: Mark) -> tuple[Cell, ...]:
    return cells(about, with_all, code, left_out, without, "yes" if without != with_all else "no")


def _meanings(found: Findings) -> Iterator[tuple[str, str]]:
    for version in found.rates.versions:
        for ledger in version.ledgers:
            yield from ((rule.code, rule.meaning) for rule in ledger.rules)
    for one in found.others.all:
        yield from ((rule.code, rule.meaning) for rule in one.rules)
