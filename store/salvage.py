"""What can still be read of a damaged database, as a new one.

A page that the disk gave back wrong takes its rows along, and, where it led to others, the way to them. So
every table is read from both ends up to the damage, and what lies between is looked for by halves. Rows are
copied as they are, with their numbers and links: `store.verify` then names the first that is missing or
changed, and nothing is made to fit. Imports schema, new_file and errors; reads the damaged file only.
"""

from __future__ import annotations

import heapq
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from store import schema
from store.cells import Length
from store.errors import DatabaseMistake
from store.new_file import create

_TRIES = 300  # holes of a part of a table that are looked into; one page is one hole, halved
_LAST = 1 << 62
_OF_ITS_OWN = ("chain_end", "rollup", "alive")  # a new database has a row of them already
_GIVEN = "_sqlite_migrations"  # made with the new database


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """One table: how many rows were copied, and whether damage was met in it."""

    table: str
    rows: int
    damaged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Salvage:
    """All of it. `why` is what the database says of itself, None for a sound one."""

    why: str | None
    tables: tuple[Saved, ...]

    @property
    def rows(self) -> int:
        return sum(one.rows for one in self.tables)

    @property
    def damaged(self) -> tuple[str, ...]:
        """The tables in which something could not be read."""
        return tuple(one.table for one in self.tables if one.damaged)


def salvage(damaged: Path, copy: Path) -> Salvage:
    """Copy what can be read of `damaged` into the new database `copy`.

    Raises DatabaseMistake where `copy` exists, or nothing can be read at all.
    """
    if copy.exists():
        raise DatabaseMistake(f"{copy} exists already; name a file that does not")
    if not damaged.is_file():
        raise DatabaseMistake(f"{damaged} is not there, or is no file")
    with closing(sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro", uri=True)) as source:
        _admit(source, damaged)
        why = trouble_of(source)
        source.text_factory = bytes
        try:
            os.close(create(copy, 0o644))
        except OSError as error:
            raise DatabaseMistake(f"{copy} cannot be written: {error.strerror}") from None
        try:
            with closing(sqlite3.connect(copy)) as target:
                schema.prepare(target, copy)
                target.isolation_level = None
                return Salvage(why=why, tables=_copied(source, target))
        except sqlite3.Error as error:
            copy.unlink()
            raise DatabaseMistake(f"{copy} cannot be written: {error}") from None


def _admit(source: sqlite3.Connection, damaged: Path) -> None:
    """Have SQLite take the file though its end is missing. Raises DatabaseMistake."""
    source.execute("PRAGMA writable_schema = ON")  # else a file shorter than its header says is refused whole
    try:
        source.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.DatabaseError as error:
        if schema.is_damage(error):
            raise DatabaseMistake(
                f"{damaged} is damaged at the list of its tables, so nothing in it can be told apart; go on "
                "from a copy"
            ) from None
    schema.check_readable(source, damaged)


def trouble_of(connection: sqlite3.Connection) -> str | None:
    """What SQLite finds wrong with the structure of a file, in its words; None for nothing."""
    try:
        found: list[tuple[str]] = connection.execute("PRAGMA quick_check(1)").fetchall()
    except sqlite3.DatabaseError as error:
        return str(error)
    said = found[0][0] if found else "ok"
    return None if said == "ok" else " ".join(said.split())


def _copied(source: sqlite3.Connection, target: sqlite3.Connection) -> tuple[Saved, ...]:
    tables = [
        name
        for (name,) in target.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY rootpage")
        if name != _GIVEN and not name.startswith("sqlite_")
    ]
    target.execute("BEGIN")
    for table in _OF_ITS_OWN:
        target.execute(f"DELETE FROM {table}")  # noqa: S608 - a name of ours
    saved = tuple(_table(source, target, table) for table in tables)
    target.execute("COMMIT")
    return saved


def _table(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> Saved:
    columns = target.execute("SELECT name, type, pk FROM pragma_table_info(?)", (table,)).fetchall()
    keys = [name for name, _, place in sorted(columns, key=lambda one: one[2]) if place]
    kinds = {name: kind for name, kind, _ in columns}
    scan = _Scan(source=source, table=table, columns=list(kinds), keys=keys, kinds=kinds)
    marks = ", ".join("?" * len(kinds))
    put = f"INSERT OR IGNORE INTO {table} ({', '.join(kinds)}) VALUES ({marks})"  # noqa: S608 - from the schema
    rows = 0
    for row in scan.rows():
        try:
            rows += target.execute(put, row).rowcount
        except (sqlite3.IntegrityError, UnicodeError):  # no row that the table can have
            scan.damaged = True
    return Saved(table=table, rows=rows, damaged=scan.damaged)


@dataclass(slots=True, kw_only=True)
class _Scan:
    """One table of the damaged file, read around its damage."""

    source: sqlite3.Connection
    table: str
    columns: Sequence[str]
    keys: Sequence[str]
    kinds: dict[str, str]
    damaged: bool = False

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """Every row that can be read, each once or more."""
        if "started_unix_ns" not in self.keys:  # the first column of the key runs, another parts what is left
            yield from self._whole("1", (), self.keys[0])
            return
        lengths: Sequence[str | None] = list(Length) if "length" in self.keys else [None]
        for path, length in product(self._paths(), lengths):
            where, values = (
                ("path = ?", (path,)) if length is None else ("path = ? AND length = ?", (path, length))
            )
            yield from self._whole(where, values, "started_unix_ns")

    def _paths(self) -> Sequence[int]:
        try:
            found = [one for (one,) in self.source.execute("SELECT id FROM path ORDER BY id")]
        except sqlite3.DatabaseError:
            self.damaged = True
            return range(1, 101)  # where the table of paths is the damaged one; there are a handful
        return found

    def _whole(self, where: str, values: tuple[object, ...], key: str) -> Iterator[tuple[Any, ...]]:
        """All rows of this part of the table, by `key`: from both ends, then the largest hole by halves."""
        holes, tries = [(0, -1, _LAST)], 0
        while holes and tries < _TRIES:
            tries += 1
            _, after, before = heapq.heappop(holes)
            reached, whole = after, True
            for row, place in self._read(where, values, key, after, before, order="ASC"):
                whole = row is not None
                if row is not None:
                    reached = place - 1  # others may have the same key
                    yield row
            if whole:
                continue
            from_above = before
            for row, place in self._read(where, values, key, reached, before, order="DESC"):
                if row is not None:
                    from_above = place + 1
                    yield row
            if from_above - reached > 2:
                middle, size = (reached + from_above) // 2, from_above - reached
                heapq.heappush(holes, (-size, reached, middle + 1))
                heapq.heappush(holes, (-size, middle, from_above))

    def _read(
        self, where: str, values: tuple[object, ...], key: str, after: int, before: int, *, order: str
    ) -> Iterator[tuple[tuple[Any, ...] | None, int]]:
        """Rows in this order, each with its key; at the end (None, 0) where damage stopped it."""
        others = [one for one in self.keys if one != key and one in ("nth", "seq", "direction")]
        by = ", ".join(f"{one} {order}" for one in (key, *others))
        sql = (
            f"SELECT {', '.join(self.columns)} FROM {self.table} "  # noqa: S608 - names from the schema
            f"WHERE {where} AND {key} > ? AND {key} < ? ORDER BY {by}"
        )
        at = list(self.columns).index(key)
        try:
            for row in self.source.execute(sql, (*values, after, before)):
                yield self._typed(row), row[at]
        except (sqlite3.DatabaseError, UnicodeError):
            self.damaged = True
            yield None, 0

    def _typed(self, row: tuple[Any, ...]) -> tuple[Any, ...]:
        """Bytes of columns that hold text, as text. Raises UnicodeDecodeError for what is none."""
        return tuple(
            value.decode() if kind == "TEXT" and isinstance(value, bytes) else value
            for value, kind in zip(row, self.kinds.values(), strict=True)
        )
