"""The shapes a template knows: marks, entries, tables, charts. Text is ready to read in all of them.

Imports wording only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dashboard.pages.wording import DASH, Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A verdict's word and how its border looks: firm, bad, unsure or none.

    The border repeats what the word says, so a mark reads the same without colour.
    """

    word: str
    look: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A sentence of the book, with what stands in its margin and what follows from it."""

    mark: Mark | None
    moment: Moment | None
    text: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A table's cell: a time, with or without a mark behind it, a mark or a text, which may lead on."""

    text: str = DASH
    url: str = ""
    moment: Moment | None = None
    mark: Mark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A column's heading; the unit of its figures stands here and nowhere else.

    `kind` says how its cells are set: ``number`` to the right, ``prose`` over several lines, a ``sentence``
    over few.
    """

    text: str
    unit: str = ""
    kind: Literal["word", "number", "prose", "sentence"] = "word"


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """How a marked row is to be read: its sentence, between the time of the row and that of the writing."""

    mark: Mark
    started: Moment
    text: str
    written: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its caption, a note on what was left out, and how its marked rows are to be read.

    `csv_url` is where it is as CSV (`pages.spread`).
    """

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    corrections: tuple[Correction, ...] = ()
    csv_url: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart: where its JSON is, its message in a sentence, how to read its signs, and which form it has."""

    url: str
    message: str
    key: str
    tall: bool = False


def number(text: str, unit: str = "") -> Heading:
    """The heading of a column of figures."""
    return Heading(text=text, unit=unit, kind="number")


def cells(*values: str | Moment | Mark) -> tuple[Cell, ...]:
    """A row of a table."""
    return tuple(_cell(value) for value in values)


def _cell(value: str | Moment | Mark) -> Cell:
    match value:
        case Moment():
            return Cell(moment=value)
        case Mark():
            return Cell(mark=value)
        case text:
            return Cell(text=text)
