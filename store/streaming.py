"""Records one at a time, oldest first: for whoever goes through more of them than memory should hold.

`Reader.each` is the way in; a single record is found by its number. Whatever the number of records, only one
row of each path is in hand. Imports rows, rollup and records.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from store import documents, rollup, rows
from store.cells import Length
from store.records import Record, TrainSpan
from store.rollup import Rolled

Numbered = tuple[int, Record]  # a record with its number in the chain


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """Where the records of a kind are: a table, the column of their time, and how a row becomes one."""

    table: str
    columns: str
    made: Callable[[tuple[str, str], tuple[Any, ...]], Record]
    time: str = "started_unix_ns"
    only: str = "1"


def _trouble(kind: str) -> _Source:
    return _Source(table="trouble", columns=rows.TROUBLE, made=rows.trouble_of, only=f"kind = '{kind}'")


def _opening(kind: str) -> _Source:
    return _Source(table="opening", columns=rows.OPENING, made=rows.opening_of, only=f"kind = '{kind}'")


def _document(kind: str) -> _Source:
    return _Source(table="document", columns=rows.DOCUMENT, made=rows.document_of, only=f"kind = '{kind}'")


_SOURCES = {
    **{kind: _document(kind) for kind in documents.KINDS},
    "stall": _Source(table="stall", columns=rows.STALL, made=rows.stall_of),
    "failed": _trouble("failed"),
    "skipped": _trouble("skipped"),
    "gap": _trouble("gap"),
    "window opened": _opening("window opened"),
    "window closed": _opening("window closed"),
    "campaign": _Source(table="campaign", columns=rows.CAMPAIGN, made=rows.campaign_of),
    "correction": _Source(
        table="correction", columns=rows.CORRECTION, made=rows.correction_of, time="written_unix_ns"
    ),
    "thinned": _Source(
        table="thinned",
        columns=rows.THINNED,
        made=lambda _, row: rows.thinned_of(row),
        time="thinned_unix_ns",
    ),
}


def each(
    connection: sqlite3.Connection,
    kind: str,
    *,
    handoff: str | None = None,
    since_ns: int | None = None,
    until_ns: int | None = None,
) -> Iterator[Numbered]:
    """Every record of a kind that started in the time, with its number.

    With a handoff named, what concerns all of them (an empty name) comes as well. KeyError for a kind that
    no record is of.
    """
    limits = (since_ns, until_ns)
    if kind == "train":
        yield from _trains(connection, handoff, limits)
    elif kind == "rate":
        source = _Source(table="rate_run", columns=f"{rows.RATE_RUN}, seq", made=_runs(connection))
        yield from _in_time(connection, source, handoff, limits)
    else:
        yield from _in_time(connection, _SOURCES[kind], handoff, limits)


def by_number(connection: sqlite3.Connection, seq: int) -> Record | None:
    """The record of that number, of any kind but a train's minute; None when there is none."""
    runs = _Source(table="rate_run", columns=f"{rows.RATE_RUN}, seq", made=_runs(connection))
    for source in (runs, *_SOURCES.values()):
        sql = (
            f"SELECT handoff, endpoint, {source.columns} FROM {source.table} "  # noqa: S608 - names of our own
            f"JOIN path ON path.id = path WHERE {source.only} AND seq = ?"
        )
        for handoff, endpoint, *row in connection.execute(sql, (seq,)):
            return source.made((handoff, endpoint), tuple(row))
    return None


def minute_by_number(
    connection: sqlite3.Connection, seq: int, names: tuple[str, str], near_ns: tuple[int, int]
) -> TrainSpan | None:
    """The same for a minute of the train on a path, looked for among those that started in that time."""
    sql = (
        f"SELECT {rows.TRAIN} FROM {rows.TRAIN_FROM} WHERE path = (SELECT id FROM path "  # noqa: S608
        "WHERE (handoff, endpoint) = (?, ?)) AND started_unix_ns BETWEEN ? AND ? AND seq = ?"
    )
    found = connection.execute(sql, (*names, *near_ns, seq)).fetchone()
    return None if found is None else rows.train_span_of(names, found)


def sums(
    connection: sqlite3.Connection,
    length: Length,
    *,
    handoff: str | None = None,
    since_ns: int | None = None,
    until_ns: int | None = None,
) -> Iterator[Rolled]:
    """Every stored sum of this length that begins in the time."""
    found = (
        rollup.each_cell(connection, path, length, since_ns=since_ns, until_ns=until_ns)
        for path in _paths(connection, handoff)
    )
    return heapq.merge(*found, key=lambda one: one.started_unix_ns)


def _paths(connection: sqlite3.Connection, handoff: str | None) -> list[tuple[int, str, str]]:
    sql = "SELECT id, handoff, endpoint FROM path WHERE handoff = ifnull(?, handoff)"
    return connection.execute(sql, (handoff,)).fetchall()


def _runs(connection: sqlite3.Connection) -> Callable[[tuple[str, str], tuple[Any, ...]], Record]:
    sides = f"SELECT {rows.RATE_SIDE} FROM rate_side WHERE run = ?"  # noqa: S608 - names of our own

    def made(names: tuple[str, str], row: tuple[Any, ...]) -> Record:
        return rows.rate_run_of(names, row[:-1], connection.execute(sides, (row[-1],)))

    return made


def _in_time(
    connection: sqlite3.Connection,
    source: _Source,
    handoff: str | None,
    limits: tuple[int | None, int | None],
) -> Iterator[Numbered]:
    """Read along the index on time; the paths, a handful, are looked up."""
    conditions, values = _limits(source.time, limits)
    sql = (
        f"SELECT handoff, endpoint, seq, {source.columns} FROM {source.table} "  # noqa: S608 - names of our own
        f"CROSS JOIN path ON path.id = path WHERE {source.only} AND handoff IN (ifnull(?, handoff), '') "
        f"AND {conditions} ORDER BY {source.time}, seq"
    )
    for name, endpoint, seq, *row in connection.execute(sql, (handoff, *values)):
        yield seq, source.made((name, endpoint), tuple(row))


def _trains(
    connection: sqlite3.Connection, handoff: str | None, limits: tuple[int | None, int | None]
) -> Iterator[Numbered]:
    """Read every path along its key, which is path and time, and merge."""
    conditions, values = _limits("started_unix_ns", limits)
    sql = (
        f"SELECT started_unix_ns, seq, {rows.TRAIN} FROM {rows.TRAIN_FROM} "  # noqa: S608 - names of our own
        f"WHERE path = ? AND {conditions} ORDER BY started_unix_ns, seq"
    )

    def of(path: int, names: tuple[str, str]) -> Iterator[tuple[int, int, tuple[str, str], tuple[Any, ...]]]:
        for started_ns, seq, *row in connection.execute(sql, (path, *values)):
            yield started_ns, seq, names, tuple(row)

    merged = heapq.merge(
        *(of(path, (name, endpoint)) for path, name, endpoint in _paths(connection, handoff))
    )
    return ((seq, rows.train_span_of(names, row)) for _, seq, names, row in merged)


def _limits(time: str, limits: tuple[int | None, int | None]) -> tuple[str, tuple[int, ...]]:
    found = [(sign, value) for sign, value in zip((">=", "<"), limits, strict=True) if value is not None]
    sql = " AND ".join(f"{time} {sign} ?" for sign, _ in found) or "1"
    return sql, tuple(value for _, value in found)
