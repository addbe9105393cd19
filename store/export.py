"""The record as files that other programs read: CSV, JSON lines, Parquet; and a copy of the database.

One file for each kind of record; Parquet one for each kind and local day, under ``site=.../day=.../``, so
that the exports of many places can be queried as one. Beside them stands the data dictionary of what they
hold. A record belongs to the day on which it started, so exports of neighbouring days never overlap.

Rows go through one by one, for Parquet in batches, so memory stays the same whatever the size. All are of
one moment, though the probe writes on. A file appears under its name only when the whole export is there.
Sources: RFC 4180 (CSV), RFC 8259 (JSON), RFC 3339 (times). Imports reader, columns and dictionary; pyarrow
only for Parquet.
"""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self, TextIO
from urllib.parse import quote

from store import schema
from store.cells import Cells, Length
from store.clock import NS_PER_S, local, rfc3339
from store.columns import Values, values_of, values_of_sum
from store.dictionary import ABOUT, DAYS, EXPORTED, HOURS, LIST_FIELDS, Column, Table, Type, described
from store.errors import UserMistake
from store.reader import Reader

# A cell that begins so may run as a formula in a spreadsheet. The apostrophe itself is among them, so that
# taking one off always gives the text back.
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "'")


class Format(StrEnum):
    CSV = "csv"
    JSONL = "jsonl"
    PARQUET = "parquet"
    SQLITE = "sqlite"


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is exported. `first` and `last` are local days at `where`, both included; None means no end."""

    site: str
    where: tzinfo
    first: date | None = None
    last: date | None = None
    handoff: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """Rows written by kind, and the files they went into."""

    rows: dict[str, int]
    files: tuple[Path, ...]


class Landing:
    """Files that appear under their names together, once all of them are whole, or not at all."""

    def __init__(self, root: Path, *, force: bool) -> None:
        self._root = root
        self._force = force
        self._targets: list[Path] = []
        self._made: list[Path] = []

    def place(self, name: str, *, renews: bool = False) -> Path:
        """Where to write what will be `name` below the root.

        Raises UserMistake for what is there already, unless forced to replace it or told that this renews it.
        """
        target = self._root / name
        if target.exists() and not ((self._force or renews) and target.is_file()):
            hint = "name another place, or say --force to replace it" if target.is_file() else "it is no file"
            raise UserMistake(f"{target} is there already; {hint}")
        self._make(target.parent)
        self._targets.append(target)
        return _part(target)

    @property
    def targets(self) -> tuple[Path, ...]:
        return tuple(self._targets)

    def _make(self, directory: Path) -> None:
        if not directory.is_dir():
            self._make(directory.parent)
            directory.mkdir()
            self._made.append(directory)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            for target in self._targets:
                _part(target).replace(target)
            return
        for target in self._targets:
            _part(target).unlink(missing_ok=True)
        for directory in reversed(self._made):
            with suppress(OSError):  # somebody else put something there
                directory.rmdir()


def write(reader: Reader, to: Path, choice: Choice, *, format_: Format, force: bool = False) -> Exported:
    """Export what `choice` names into the directory `to`, which is made when it is not there.

    Raises UserMistake for a file that is there already (unless `force`), a place that cannot be written, a
    handoff that the record does not know, and for Parquet without pyarrow.
    """
    _check_handoff(reader, choice.handoff)
    outputs: dict[Format, Callable[[Landing, Choice], _Output]] = {
        Format.CSV: _Csv,
        Format.JSONL: _JsonLines,
        Format.PARQUET: _parquet,
    }
    rows = {}
    try:
        with reader.moment(), Landing(to, force=force) as landing:
            output = outputs[format_](landing, choice)
            for table in EXPORTED:
                rows[table.kind] = output.write(table, _rows(reader, table, choice))
            _describe(landing, to, output.tables())
    except OSError as error:
        raise UserMistake(f"{to} cannot be written: {error.strerror or error}") from None
    except sqlite3.Error as error:
        raise schema.unreadable(error, "the database") from None
    return Exported(rows=rows, files=landing.targets)


def copy(reader: Reader, to: Path, *, force: bool = False) -> Exported:
    """Copy the whole database to the file `to` while the probe may write on.

    The copy is checked, and stands in one file without a journal beside it, so that it can be read from a
    medium that nothing can write. Raises UserMistake as `write` does.
    """
    try:
        with Landing(to.parent, force=force) as landing:
            reader.copy_to(landing.place(to.name))
    except OSError as error:
        raise UserMistake(f"{to} cannot be written: {error.strerror or error}") from None
    return Exported(rows={}, files=landing.targets)


def is_database(path: Path) -> bool:
    """Whether a file is an SQLite database by its first bytes. False when it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError:
        return False


def as_json(done: Exported, choice: Choice, *, format_: Format, to: Path) -> dict[str, Any]:
    """What was exported, as one JSON object."""
    return {
        "kind": "export",
        "schema": 1,
        "format": str(format_),
        "target": str(to),
        "site": choice.site,
        "from": choice.first and choice.first.isoformat(),
        "to": choice.last and choice.last.isoformat(),
        "handoff": choice.handoff,
        "rows": done.rows,
        "files": len(done.files),
    }


def _check_handoff(reader: Reader, handoff: str | None) -> None:
    known = sorted({name for name, _ in reader.paths()})
    if handoff is not None and handoff not in known:
        raise UserMistake(f"--handoff: no record is of {handoff!r}; there is {', '.join(known) or 'none'}")


def midnight_ns(day: date, where: tzinfo) -> int:
    """When a local day begins: the first midnight where there are two, the change where it is skipped."""
    return int(datetime.combine(day, time(), where).timestamp()) * NS_PER_S


def _rows(reader: Reader, table: Table, choice: Choice) -> Iterator[Values]:
    """Every row of a table that was chosen, oldest first."""
    since_ns = None if choice.first is None else midnight_ns(choice.first, choice.where)
    until_ns = None if choice.last is None else midnight_ns(choice.last + timedelta(days=1), choice.where)
    if table in (HOURS, DAYS):
        length = Length.HOUR if table is HOURS else Length.DAY
        sums = reader.sums(length, handoff=choice.handoff, since_ns=since_ns, until_ns=until_ns)
        return (values_of_sum(found, site=choice.site, where=choice.where) for found in sums)
    found = reader.each(table.kind, handoff=choice.handoff, since_ns=since_ns, until_ns=until_ns)
    return (values_of(record, seq=seq, site=choice.site, where=choice.where) for seq, record in found)


def _describe(landing: Landing, to: Path, tables: tuple[Table, ...]) -> None:
    """Put the dictionary beside the export; an earlier one stays if it says the same, else is renewed."""
    rows = described(tables)
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows([ABOUT, *rows])
    kinds = [
        {
            "kind": table.kind,
            "meaning": table.meaning,
            "columns": [dict(zip(ABOUT[1:], row[1:], strict=True)) for row in described((table,))],
        }
        for table in tables
    ]
    as_json = json.dumps({"kind": "dictionary", "schema": 1, "kinds": kinds}, indent=1) + "\n"
    for name, text in (("dictionary.csv", out.getvalue()), ("dictionary.json", as_json)):
        content = text.encode()
        there = (to / name).read_bytes() if (to / name).is_file() else b""
        if there != content:
            beginning = content[: content.index(b"\n", 2)]  # by which a dictionary can be told
            landing.place(name, renews=there.startswith(beginning)).write_bytes(content)


class _Output(Protocol):
    """One format: which columns it has, and how a table's rows are written, whose number comes back."""

    def tables(self) -> tuple[Table, ...]: ...
    def write(self, table: Table, rows: Iterator[Values]) -> int: ...


class _Csv:
    """One CSV file a kind (RFC 4180, UTF-8, a header line); nothing stands for what is not known."""

    def __init__(self, landing: Landing, choice: Choice) -> None:
        self._landing = landing

    def tables(self) -> tuple[Table, ...]:
        return tuple(Table(kind=each.kind, meaning=each.meaning, columns=_flat(each)) for each in EXPORTED)

    def write(self, table: Table, rows: Iterator[Values]) -> int:
        columns = _flat(table)
        count = 0
        with _text(self._landing.place(f"{table.file}.csv")) as file:
            out = csv.writer(file, lineterminator="\r\n")
            out.writerow([column.name for column in columns])
            for row in rows:
                out.writerow([cell(row[column.name], column.type) for column in columns])
                count += 1
        return count


class _JsonLines:
    """One file a kind with an object a line (RFC 8259); null is what is not known."""

    def __init__(self, landing: Landing, choice: Choice) -> None:
        self._landing = landing

    def tables(self) -> tuple[Table, ...]:
        return EXPORTED

    def write(self, table: Table, rows: Iterator[Values]) -> int:
        count = 0
        with _text(self._landing.place(f"{table.file}.jsonl")) as file:
            for row in rows:
                found = {column.name: _json_value(row[column.name], column.type) for column in table.columns}
                file.write(json.dumps(found, separators=(",", ":"), allow_nan=False) + "\n")
                count += 1
        return count


class _Parquet:
    """One file a kind and local day, below directories that name site and day."""

    def __init__(self, landing: Landing, choice: Choice) -> None:
        self._landing, self._choice = landing, choice

    def tables(self) -> tuple[Table, ...]:
        return EXPORTED

    def write(self, table: Table, rows: Iterator[Values]) -> int:
        from store import parquet

        count = 0
        where = self._choice.where
        days = Cells(where)
        for (start_ns, _), found in groupby(rows, key=lambda row: days.of(Length.DAY, row["started"])):
            day = local(start_ns, where).date().isoformat()
            place = self._landing.place(f"{partition(self._choice.site, day)}/{table.file}.parquet")
            count += parquet.write(place, table, found)
        return count


def partition(site: str, day: str) -> str:
    """The directory of a site's day below the root; what a path cannot hold is percent-encoded."""
    return f"site={quote(site, safe='')}/day={day}"


def _parquet(landing: Landing, choice: Choice) -> _Parquet:
    try:
        import pyarrow.parquet  # noqa: F401 - an extra: is it there?
    except ImportError:
        raise UserMistake(
            "Parquet needs the library pyarrow, which is not here; install it with: "
            "pip install 'linebook[parquet]'"
        ) from None
    return _Parquet(landing, choice)


def _flat(table: Table) -> tuple[Column, ...]:
    return tuple(column for column in table.columns if not column.type.nested)


def cell(value: Any, type_: Type) -> Any:
    """A value as a CSV cell; text that a spreadsheet could take for a formula gets an apostrophe in front."""
    if value is None:
        return ""
    match type_:
        case Type.TEXT:
            return f"'{value}" if value.startswith(RISKY) else value
        case Type.TIME:
            return rfc3339(value)
        case Type.TRUTH:
            return "true" if value else "false"
        case _:
            return value


def _json_value(value: Any, type_: Type) -> Any:
    if value is None:
        return None
    if type_ is Type.TIME:
        return rfc3339(value)
    if type_.nested:
        return [dict(zip(LIST_FIELDS[type_], entry, strict=True)) for entry in value]
    return value


def _text(path: Path) -> TextIO:
    return path.open("w", encoding="utf-8", newline="")


def _part(target: Path) -> Path:
    return target.with_name(f"{target.name}.part")
