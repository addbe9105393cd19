"""A paper as files: the page, the PDF, its tables as CSV and its figures as JSON, by the file's ending.

The CSV has every table of the paper one after the other, each with its caption in a line of its own; cells
are what a reader sees (RFC 4180, UTF-8). Imports paper, pdf and store's cells.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard.pages.ledger import Cell, Table
from dashboard.papers import paper as papers
from dashboard.papers.paper import Paper
from dashboard.papers.pdf import pdf
from store.dictionary import Type
from store.errors import UserMistake
from store.export import cell

ENDINGS = (".html", ".pdf", ".csv", ".json")


@dataclass(frozen=True, slots=True, kw_only=True)
class Texts:
    """A paper in the three forms that are texts."""

    html: str
    tables: str
    figures: str


def texts(paper: Paper, figures: Mapping[str, Any]) -> Texts:
    """The paper as texts; `figures` is what programs get."""
    return Texts(html=papers.html(paper), tables=tables(paper), figures=json.dumps(figures, indent=1) + "\n")


def write_all(paper: Paper, figures: Mapping[str, Any], to: Sequence[Path]) -> None:
    """Write each form that was asked for. Raises UserMistake, NoPdf."""
    for file in to:
        check(file)
    made = texts(paper, figures)
    for file in to:
        write(made, file)


def write(found: Texts, to: Path) -> None:
    """Write the form that the file's ending names. Raises UserMistake, NoPdf."""
    made = octets(found, check(to).suffix.lower())
    try:
        to.write_bytes(made)
    except OSError as error:
        raise UserMistake(f"--paper: {to} cannot be written: {error.strerror or error}") from None


def check(to: Path) -> Path:
    """The file, when its ending names a form. Raises UserMistake."""
    if to.suffix.lower() not in ENDINGS:
        raise UserMistake(f"--paper: {to} has no ending of {', '.join(ENDINGS)}, which says what is written")
    return to


def octets(found: Texts, ending: str) -> bytes:
    """One form of the paper. Raises NoPdf."""
    if ending == ".pdf":
        return pdf(found.html)
    return {".html": found.html, ".csv": found.tables, ".json": found.figures}[ending].encode()


def tables(paper: Paper) -> str:
    """Every table of the paper, one after the other."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    for part in paper.parts:
        for table in part.tables:
            _table(writer, table)
    return out.getvalue()


def _table(writer: Any, table: Table) -> None:
    headings = [f"{one.text} ({one.unit})" if one.unit else one.text for one in table.headings]
    for words in ([table.caption], headings):
        writer.writerow([cell(word, Type.TEXT) for word in words])
    for row in table.rows:
        writer.writerow([cell(_text(one), Type.TEXT) for one in row])
    writer.writerow([])


def _text(one: Cell) -> str:
    if one.moment is not None:
        return one.moment.iso
    return one.mark.word if one.mark is not None else one.text
