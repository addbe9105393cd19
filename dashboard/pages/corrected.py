"""Corrected records as pages show them: a mark in their row, and under the table how they are to be read.

A correction is a sentence that somebody put on record; no figure follows it. Imports ledger and wording.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import tzinfo

from dashboard.pages.ledger import Cell, Correction, Mark
from dashboard.pages.wording import counted, moment
from store.corrections import Corrected
from store.records import Gap, RateRun, Record, Skipped, Stall, TrainSpan

MARK = Mark(word="Corrected", look="unsure")


def marked(row: tuple[Cell, ...], found: Corrected | None) -> tuple[Cell, ...]:
    """A row of a table with the mark in its first cell, if its record has been corrected."""
    return row if found is None else (replace(row[0], mark=MARK), *row[1:])


def notes(found: Iterable[Corrected], where: tzinfo) -> tuple[Correction, ...]:
    """A sentence for each correction."""
    return tuple(_notes(found, where))


def behind(count: int, what: str) -> str:
    """The sentence beside figures that count corrected records; empty for none. `what` is what they stand
    behind, ``this verdict``."""
    if not count:
        return ""
    verb, them = ("has", "it") if count == 1 else ("have", "them")
    return (
        f"{counted(count, 'record')} behind {what} {verb} been corrected; the figures still count {them} as "
        "measured."
    )


def _notes(found: Iterable[Corrected], where: tzinfo) -> Iterator[Correction]:
    for one in found:
        for each in one.corrections:
            yield Correction(
                mark=MARK,
                started=moment(_started_ns(one.record), where),
                text=f"{_name(one.record)}, record {one.seq}: {_sentence(each.what)} "
                f"How that is known: {_sentence(each.why)}",
                written=moment(each.written_unix_ns, where, form="%a %d %b %Y %H:%M"),
            )


def _started_ns(record: Record) -> int:
    return record.planned_unix_ns if isinstance(record, Skipped) else record.started_unix_ns


def _name(record: Record) -> str:
    match record:
        case RateRun():
            return f"rate run {record.direction}"
        case TrainSpan():
            return f"minute of the train to {record.endpoint}"
        case Stall():
            return f"stall of {record.seconds:.2f} s"
        case Gap():
            return "gap"
        case _:
            return record.kind


def _sentence(text: str) -> str:
    """What somebody wrote, ended as a sentence is."""
    return text if text.endswith((".", "!", "?")) else f"{text}."
