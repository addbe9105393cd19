"""How the records of a database from before the seal come into the chain; a part of schema's second step.

Nobody noted in which order they were stored, so they are chained in the order of their start, tables
by name where that is equal. Belongs to the step and is, like it, never edited. Imports rows and seal.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from typing import Any

from store import seal
from store.rows import Row

_SETTING = ("per_second", "packet_bytes", "waiting_s", "kernel_stamps")
_KEYS = ("path", "started_unix_ns", "nth")


def chain(connection: sqlite3.Connection) -> None:
    """Move every record of the tables named ``_unsealed`` into its new table, chained, and drop those."""
    paths = {each[0]: each[1:] for each in connection.execute("SELECT id, handoff, endpoint FROM path")}
    end = seal.End()
    for _, table, _, values in heapq.merge(*(_records(connection, table) for table in _TABLES)):
        number, path = values.pop("id", None), values.pop("path")
        values.pop("nth", None)
        handoff, endpoint = paths[path]
        sides = tuple(_sides(connection, number)) if table == "rate_run" else ()
        row = Row(table=table, handoff=handoff, endpoint=endpoint, values=values, sides=sides)
        end = end.then(seal.canonical(row, end.seq + 1))
        _store(connection, row, path, end)
    for table in ("rate_side", *_TABLES):
        connection.execute(f"DROP TABLE {table}_unsealed")
    connection.execute(
        "INSERT INTO chain_end (id, seq, head, day, before_seal) VALUES (1, ?, ?, '', ?)",
        (end.seq, end.head, end.seq),
    )


_TABLES = ("rate_run", "stall", "train", "trouble")


def _records(connection: sqlite3.Connection, table: str) -> Iterator[tuple[int, str, int, dict[str, Any]]]:
    """(start, table, position, columns), in order. Of the trains, a gigabyte maybe, only keys are sorted."""
    if table == "train":
        keys = f"SELECT {', '.join(_KEYS)} FROM train_unsealed ORDER BY started_unix_ns, path, nth"  # noqa: S608
        row = f"SELECT * FROM train_unsealed WHERE {' AND '.join(f'{key} = ?' for key in _KEYS)}"  # noqa: S608
    else:
        keys = f"SELECT id FROM {table}_unsealed ORDER BY started_unix_ns, id"  # noqa: S608 - names of our own
        row = f"SELECT * FROM {table}_unsealed WHERE id = ?"  # noqa: S608
    for position, key in enumerate(connection.execute(keys)):
        cursor = connection.execute(row, key)
        names = [column[0] for column in cursor.description]
        values = dict(zip(names, cursor.fetchone(), strict=True))
        yield values["started_unix_ns"], table, position, values


def _sides(connection: sqlite3.Connection, run: int) -> Iterator[dict[str, Any]]:
    cursor = connection.execute("SELECT * FROM rate_side_unsealed WHERE run = ?", (run,))
    names = [column[0] for column in cursor.description]
    for found in cursor:
        values = dict(zip(names, found, strict=True))
        del values["run"]
        yield values


def _store(connection: sqlite3.Connection, row: Row, path: int, end: seal.End) -> None:
    values = {"seq": end.seq, "link": end.link, "path": path, **row.values}
    if row.table == "train":
        values["setting"] = _setting(connection, tuple(values.pop(name) for name in _SETTING))
    _insert(connection, row.table, values)
    for side in row.sides:
        _insert(connection, "rate_side", {"run": end.seq, **side})


def _setting(connection: sqlite3.Connection, values: tuple[Any, ...]) -> int:
    names, conditions = ", ".join(_SETTING), " AND ".join(f"{name} = ?" for name in _SETTING)
    connection.execute(
        f"INSERT INTO train_setting ({names}) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",  # noqa: S608
        values,
    )
    found: tuple[int] = connection.execute(
        f"SELECT id FROM train_setting WHERE {conditions}",  # noqa: S608 - names of our own
        values,
    ).fetchone()
    return found[0]


def _insert(connection: sqlite3.Connection, table: str, values: dict[str, Any]) -> None:
    sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES (?{', ?' * (len(values) - 1)})"  # noqa: S608
    connection.execute(sql, tuple(values.values()))
