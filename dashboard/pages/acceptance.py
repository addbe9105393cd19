"""Acceptance: one handoff's sheet as a page to read, to print and to sign."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from dashboard import acceptance
from dashboard.acceptance import Found
from dashboard.acceptance_plans import RUNNABLE
from dashboard.api import Json
from dashboard.judge.acceptance_rows import BY_ID, ROWS
from dashboard.judge.acceptance_verdict import RowVerdict
from dashboard.judge.verdict import Word
from dashboard.pages.contracts import MARKS
from dashboard.pages.frame import Frame, acceptance_url, circuit_url
from dashboard.pages.ledger import Cell, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, grouped, moment
from store.clock import zone
from store.reader import Reader
from store.site import Handoff, Site

_NOT_HERE = Mark(word="Does not apply", look="none")
_DECIDED = {
    "accepted": Mark(word="Accepted", look="firm"),
    "accepted with defects": Mark(word="Accepted with defects", look="unsure"),
    "refused": Mark(word="Refused", look="bad"),
}
_UNDECIDED = Mark(word="No decision yet", look="none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The sheet that is asked for, and those of the other handoffs of its contract."""

    site: Site
    found: Found
    mates: tuple[Found, ...]
    now_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptancePage:
    """What acceptance.html may use, and nothing else."""

    frame: Frame
    title: str
    contract: str
    next_step: str
    deemed: str
    decision: Entry
    safety: Table
    rows: Table
    how: Table
    defects: Table | None
    together: Table | None
    circuit: str
    command: str
    handoff: str
    runnable: tuple[tuple[str, str], ...]


def find(reader: Reader, *, site: Site, handoff: Handoff, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    found = acceptance.read(reader, site, handoff, now_unix_ns=now_ns)
    mates = [
        acceptance.read(reader, site, each, now_unix_ns=now_ns)
        for each in site.handoffs
        if each is not handoff and found.card.same_contract(each.card_at(now_ns))
    ]
    return Findings(site=site, found=found, mates=tuple(mates), now_ns=now_ns)


def as_json(found: Findings) -> Json:
    """The sheet as a program reads it."""
    return acceptance.as_json(found.found, found.site, now_unix_ns=found.now_ns)


def page(findings: Findings, *, frame: Frame) -> AcceptancePage:
    """The sheet as the page shows it."""
    found, site = findings.found, findings.site
    handoff, sheet, where = found.handoff, found.sheet, zone(site.timezone)
    stated = found.card.reference or "not stated"
    return AcceptancePage(
        frame=frame,
        title=handoff.title,
        contract=f"{found.card.provider or 'Provider not stated'}, contract {stated}; records from "
        f"{moment(found.from_unix_ns, where, form='%a %d %b %Y').text} on",
        next_step=sheet.next_step,
        deemed=sheet.deemed.because,
        decision=_decision(found, where),
        safety=_safety(found),
        rows=_rows(found, where),
        how=_how(found, site),
        defects=_defects(found, where),
        together=_together(findings),
        circuit=circuit_url(handoff.name),
        command=f"linebook accept {site.file.name} --handoff {handoff.name}",
        handoff=handoff.name,
        runnable=tuple((row, BY_ID[row].what) for row in RUNNABLE),
    )


def _decision(found: Found, where: tzinfo) -> Entry:
    note = found.sheet.decision
    counts = ", ".join(f"{grouped(count)} {word}" for word, count in found.sheet.counts.items())
    text = f"Rows that apply: {counts}."
    if note is None:
        return Entry(
            mark=_UNDECIDED,
            moment=None,
            text=f"{text} Whether it is accepted, accepted with defects or refused is yours to decide.",
        )
    return Entry(
        mark=_DECIDED[note.word],
        moment=moment(note.started_unix_ns, where),
        text=text,
        more=(note.says,) if note.says else (),
    )


def _safety(found: Found) -> Table:
    looks = {True: "unsure", False: "firm"}
    return Table(
        caption="Safety, before anything is filled or pulled",
        headings=(Heading(text="Question"), Heading(text="Answer"), Heading(text="Asked", kind="prose")),
        rows=tuple(
            cells(
                one.question.id,
                Mark(word=one.answer or "not answered", look=looks[one.holds]),
                one.question.asks,
            )
            for one in found.sheet.safety
        ),
        note="No row is run while one of them is open.",
    )


def _rows(found: Found, where: tzinfo) -> Table:
    return Table(
        caption=f"Acceptance sheet of {found.handoff.name}",
        headings=(
            Heading(text="Row"),
            Heading(text="What", kind="prose"),
            Heading(text="Verdict"),
            Heading(text="Why", kind="sentence"),
            Heading(text="Limit", kind="prose"),
            Heading(text="Method error", kind="prose"),
            Heading(text="Record"),
        ),
        rows=tuple(_row(verdict, where) for verdict in found.sheet.rows),
        note="Undecided: tested, and nearer to the limit than the method's error, or shorter than asked, or "
        "with a part missing. A calibrated instrument with a reflector at the far end is the referee where "
        "both sides disagree.",
    )


def _row(verdict: RowVerdict, where: tzinfo) -> tuple[Cell, ...]:
    tested = verdict.word is not Word.NOT_TESTED
    return cells(
        verdict.row,
        BY_ID[verdict.row].what,
        MARKS[verdict.word] if verdict.applies else _NOT_HERE,
        verdict.because,
        verdict.limit if tested and verdict.limit else DASH,
        verdict.error if tested and verdict.error else DASH,
        DASH
        if verdict.started_unix_ns is None
        else moment(verdict.started_unix_ns, where, form="%d %b %H:%M"),
    )


def _how(found: Found, site: Site) -> Table:
    return Table(
        caption="How each row is tested",
        headings=(
            Heading(text="Row"),
            Heading(text="How long"),
            Heading(text="Passes when", kind="sentence"),
            Heading(text="Source", kind="prose"),
            Heading(text="Cautions", kind="prose"),
            Heading(text="Command", kind="prose"),
        ),
        rows=tuple(
            cells(
                row.id,
                row.how_long,
                row.passes,
                row.source,
                " ".join(row.cautions) or DASH,
                acceptance.command_of(row, site, found.handoff) or "by hand, then typed in",
            )
            for row in ROWS
        ),
    )


def _defects(found: Found, where: tzinfo) -> Table | None:
    if not found.sheet.defects:
        return None
    state = {True: Mark(word="Mended", look="firm"), False: Mark(word="Open", look="bad")}
    return Table(
        caption="Defects",
        headings=(
            Heading(text="Defect"),
            Heading(text="State"),
            Heading(text="Since"),
            Heading(text="Owner"),
            Heading(text="What", kind="sentence"),
        ),
        rows=tuple(
            cells(
                one.name,
                state[one.mended],
                DASH if one.since_unix_ns is None else moment(one.since_unix_ns, where, form="%d %b %Y"),
                str(one.owner),
                one.says,
            )
            for one in found.sheet.defects
        ),
    )


def _together(findings: Findings) -> Table | None:
    """The handoffs of one contract side by side; None where there is only one."""
    if not findings.mates:
        return None
    return Table(
        caption="Every handoff of this contract",
        headings=(
            Heading(text="Handoff"),
            Heading(text="Decision"),
            *(number(str(word).capitalize()) for word in Word),
            Heading(text="All at once (A15)"),
        ),
        rows=tuple(_side(one) for one in (findings.found, *findings.mates)),
        note="A service sold as a total is often delivered as several handoffs; each is judged alone, "
        "and A15 judges all of them together.",
    )


def _side(found: Found) -> tuple[Cell, ...]:
    note = found.sheet.decision
    (together,) = (one for one in found.sheet.rows if one.row == "A15")
    counts = found.sheet.counts
    return cells(
        found.handoff.name,
        _DECIDED[note.word] if note else _UNDECIDED,
        *(grouped(counts[word]) for word in Word),
        MARKS[together.word] if together.applies else _NOT_HERE,
    )


def url(handoff: str) -> str:
    """Where its JSON is."""
    return f"{acceptance_url(handoff)}.json"
