"""The raw data of an evidence pack: a CSV file for each kind of record, and the dictionary of their columns.

Files are as those of `linebook export` (RFC 4180, UTF-8); what the redaction withholds has no column, and the
dictionary says so. A kind without a record has no file. Imports store and redaction.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

from dashboard.papers.redaction import Redaction
from store.cells import Length
from store.columns import values_of, values_of_sum
from store.dictionary import ABOUT, EXPORTED, HOURS, Column, Table, described
from store.export import cell
from store.reader import Reader
from store.records import OpenKind, Record, WindowClosed, WindowOpened

_LINE = frozenset(  # kinds that speak of the line, and of how it was measured
    (
        *("rate", "train", "stall", "failed", "skipped", "gap", "campaign", "correction", "thinned"),
        *("window opened", "window closed", "event", "clock change", "paced", "capacity", "burst", "sizes"),
        *("steps", "loaded delay", "mtu", "soak begun", "soak", "split", "hops", "witnesses", "samples"),
        *("light", "ceiling", "ticket", HOURS.kind),
    )
)
TABLES = tuple(table for table in EXPORTED if table.kind in _LINE)
_PLACE = "data"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Whose records, and of which time, its end not included; local times are those of `where`."""

    handoff: str
    since_ns: int
    until_ns: int
    where: tzinfo


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Rows by file, in the order of the dictionary."""

    rows: tuple[tuple[str, int], ...]


def columns() -> dict[str, tuple[Column, ...]]:
    """Every column that a pack could have, by its table."""
    return {table.file: _flat(table) for table in TABLES}


def write(reader: Reader, to: Path, span: Span, redaction: Redaction) -> Written:
    """Write the CSV files and the dictionary below `to`."""
    (to / _PLACE).mkdir()
    rows = []
    kept = []
    for table in TABLES:
        name = f"{_PLACE}/{table.file}.csv"
        count = _write(to / name, table, _rows(reader, table, span, redaction), redaction)
        if count:
            rows.append((name, count))
            kept.append(table)
        else:
            (to / name).unlink()
    _dictionary(to / _PLACE / "dictionary.csv", kept, redaction)
    return Written(rows=tuple(rows))


def _rows(reader: Reader, table: Table, span: Span, redaction: Redaction) -> Iterator[dict[str, Any]]:
    if table is HOURS:
        for found in reader.sums(
            Length.HOUR, handoff=span.handoff, since_ns=span.since_ns, until_ns=span.until_ns
        ):
            yield values_of_sum(found, site="", where=span.where)
        return
    for seq, record in reader.each(
        table.kind, handoff=span.handoff, since_ns=span.since_ns, until_ns=span.until_ns
    ):
        if not (redaction.on and _private(record)):
            yield values_of(record, seq=seq, site="", where=span.where)


def _private(record: Record) -> bool:
    """A window of the house's own: when there is a show is nobody's business."""
    match record:
        case WindowOpened() | WindowClosed():
            return record.window not in (OpenKind.MAINTENANCE, OpenKind.STOP)
    return False


def _write(file: Path, table: Table, rows: Iterator[dict[str, Any]], redaction: Redaction) -> int:
    shown = [column for column in _flat(table) if redaction.shows(column) and column.name != "site"]
    count = 0
    with file.open("w", encoding="utf-8", newline="") as out:
        table_out = csv.writer(out, lineterminator="\r\n")
        table_out.writerow([column.name for column in shown])
        for row in rows:
            table_out.writerow(
                [cell(redaction.cell(column, row[column.name]), column.type) for column in shown]
            )
            count += 1
    return count


def _dictionary(file: Path, tables: list[Table], redaction: Redaction) -> None:
    """The dictionary of what was written; a withheld column stands in it and says so."""
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow([*ABOUT, "in this pack"])
        for table in tables:
            held = {column.name for column in _flat(table) if redaction.shows(column)} - {"site"}
            for row in described((table,)):
                nested = row[1] not in {column.name for column in _flat(table)}
                if not nested:
                    writer.writerow([*row, "yes" if row[1] in held else "withheld"])


def _flat(table: Table) -> tuple[Column, ...]:
    return tuple(column for column in table.columns if not column.type.nested)
