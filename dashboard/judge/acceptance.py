"""The acceptance sheet of a handoff: every row judged, what is open, what comes next, and until when.

Rows are judged from records where a method exists, and typed in where none does. The decision is the user's:
nothing here accepts or refuses. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date

from dashboard.judge import (
    acceptance_delays,
    acceptance_names,
    acceptance_ports,
    acceptance_rates,
    acceptance_shapes,
)
from dashboard.judge.acceptance_material import Material
from dashboard.judge.acceptance_rows import BY_ID, QUESTIONS, ROWS, Question, Row
from dashboard.judge.acceptance_verdict import RowVerdict, untested
from dashboard.judge.deemed import Deemed, deemed
from dashboard.judge.verdict import Word
from store.acceptance import About, AcceptanceNote
from store.records import Owner

JUDGES: dict[str, Callable[[Material], RowVerdict]] = {
    "A1": acceptance_ports.port,
    "A2": acceptance_ports.light,
    "A3": acceptance_ports.packet_size,
    "A6": acceptance_rates.rate_alone,
    "A7": acceptance_rates.rate_both,
    "A8": acceptance_shapes.steps_below,
    "A9": acceptance_shapes.steps_above,
    "A10": acceptance_shapes.sizes,
    "A11": acceptance_shapes.burst,
    "A12": acceptance_delays.loaded_delay,
    "A13": acceptance_delays.delay_variation,
    "A14": acceptance_delays.loss_soak,
    "A15": acceptance_rates.handoffs_at_once,
    "A16": acceptance_rates.one_flow,
    "A17": acceptance_delays.failover,
    "A18": acceptance_rates.busy_hours,
    "A19": acceptance_ports.ceilings,
    "A20": acceptance_names.names,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A safety question and its newest answer; None while nobody gave one."""

    question: Question
    answer: str | None

    @property
    def holds(self) -> bool:
        """Whether the tests must wait for it."""
        return self.answer != self.question.safe


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """What is not as agreed: a row that is not met, or something that somebody noted."""

    name: str
    says: str
    since_unix_ns: int | None
    owner: Owner
    mended: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One handoff's acceptance. `decision` is the newest that the user put on record, None before any."""

    handoff: str
    safety: tuple[Answered, ...]
    rows: tuple[RowVerdict, ...]
    defects: tuple[Defect, ...]
    deemed: Deemed
    decision: AcceptanceNote | None
    next_row: Row | None
    next_step: str

    @property
    def counts(self) -> dict[Word, int]:
        """How many of the rows that apply have which word."""
        words = [verdict.word for verdict in self.rows if verdict.applies]
        return {word: words.count(word) for word in Word}


def sheet(found: Material, *, today: date, holidays: Collection[date] = ()) -> Sheet:
    """Everything about one handoff, as it stands."""
    rows = tuple(row_verdict(row, found) for row in ROWS)
    safety = tuple(_answered(question, found) for question in QUESTIONS)
    decisions = [note for note in found.notes if note.about is About.DECISION]
    next_row = next((BY_ID[one.row] for one in rows if one.applies and one.word is Word.NOT_TESTED), None)
    return Sheet(
        handoff=found.handoff,
        safety=safety,
        rows=rows,
        defects=_defects(rows, found),
        deemed=deemed(found.card, today=today, holidays=holidays),
        decision=decisions[-1] if decisions else None,
        next_row=next_row,
        next_step=_next_step(safety, rows, next_row, decided=bool(decisions)),
    )


def row_verdict(row: Row, found: Material) -> RowVerdict:
    """One row: measured where a record decides it, else as somebody typed it in."""
    verdict = JUDGES[row.id](found) if row.id in JUDGES else untested(row.id, "Nobody has answered it yet.")
    note = _newest_note(found, About.ROW, row.id)
    if note is None or row.id == "A17" or verdict.word is not Word.NOT_TESTED or not verdict.applies:
        return verdict
    return RowVerdict(
        row=row.id,
        word=Word(note.word),
        because=f"Typed in: {note.says or note.word}.",
        found=note.says,
        error="as the person saw it",
        started_unix_ns=note.started_unix_ns,
        typed=True,
    )


def _answered(question: Question, found: Material) -> Answered:
    note = _newest_note(found, About.SAFETY, question.id)
    return Answered(question=question, answer=note.word if note else None)


def _defects(rows: tuple[RowVerdict, ...], found: Material) -> tuple[Defect, ...]:
    """Rows that are not met, then what was noted: the newest word on each."""
    own = [
        Defect(name=one.row, says=one.because, since_unix_ns=one.started_unix_ns, owner=one.owner)
        for one in rows
        if one.word is Word.NOT_MET
    ]
    noted: dict[str, Defect] = {}
    for note in (one for one in found.notes if one.about is About.DEFECT):
        before = noted.get(note.of)
        noted[note.of] = Defect(
            name=note.of,
            says=note.says or (before.says if before else ""),
            since_unix_ns=before.since_unix_ns if before else note.started_unix_ns,
            owner=Owner.UNKNOWN,
            mended=note.word == "mended",
        )
    return (*own, *noted.values())


def _next_step(
    safety: tuple[Answered, ...], rows: tuple[RowVerdict, ...], row: Row | None, *, decided: bool
) -> str:
    waiting = [one for one in safety if one.holds]
    if waiting:
        one = waiting[0]
        how = "is not answered" if one.answer is None else f"is answered with {one.answer}"
        return f"Safety first: {one.question.id} {how}. {one.question.asks}"
    if row is not None:
        by_hand = " Look at it and type in what you saw." if row.by_hand else ""
        return f"{row.id}: {row.what.lower()}, {row.how_long}.{by_hand}"
    open_ = [one.row for one in rows if one.applies and one.word is Word.UNDECIDED]
    if open_:
        return f"Undecided still: {', '.join(open_)}. Each says what is missing."
    return "Every row is decided." + (
        "" if decided else " Decide: accepted, accepted with defects, or refused."
    )


def _newest_note(found: Material, about: About, of: str) -> AcceptanceNote | None:
    own = [note for note in found.notes if note.about is about and note.of == of]
    return own[-1] if own else None
