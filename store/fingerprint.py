"""What is on record of a time, as a short text that changes with it, read from indexes and sums within a
millisecond or two.

It is of all that a judge may look at: how many runs, minutes, stalls and the rest there are, and of which
numbers; the first and last minutes' links, which vouch for the chain up to them (`store.seal`); the tickets
of a handoff, whenever they were noted; what was corrected or thinned in that stretch of the chain. A record
is never changed, so nothing else can. Imports documents, cells and tickets.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from typing import Any

from store.cells import Length
from store.documents import KINDS
from store.tickets import TicketNote

_COUNTED = "SELECT count(*), max(seq), min(seq) FROM {} WHERE started_unix_ns >= ? AND started_unix_ns < ?"
_DOCUMENTS = (
    "SELECT kind, count(*), max(seq), min(seq) FROM document WHERE kind IN (SELECT value FROM json_each(?)) "
    "AND started_unix_ns >= ? AND started_unix_ns < ? GROUP BY kind"
)
_TROUBLES = (
    "SELECT count(*), max(seq) FROM trouble WHERE started_unix_ns < ?"  # one may be longer than the time
)
_EDGE = (
    "SELECT seq, hex(link) FROM train WHERE path = ? AND started_unix_ns >= ? AND started_unix_ns < ? "
    "ORDER BY started_unix_ns {0}, seq {0} LIMIT 1"
)
_SUMS = (
    "SELECT count(*), sum(spans), sum(left_out), sum(sent), sum(received), sum(stalls) FROM rolled "
    "WHERE path = ? AND length = ? AND started_unix_ns >= ? AND started_unix_ns < ?"
)
_TICKETS = (
    "SELECT count(*), max(seq) FROM document WHERE kind = ? AND path IN "
    "(SELECT id FROM path WHERE handoff IN (?, ''))"
)
_AFTERWARDS = (
    "SELECT count(*), max(seq) FROM correction WHERE corrects_seq BETWEEN ? AND ?",
    "SELECT count(*), max(seq) FROM thinned WHERE first_seq <= ?2 AND last_seq >= ?1",
)
_MARK = "SELECT timezone, kept_until_ns, tens_from_ns FROM rollup"
_FIRST = "SELECT hex(link) FROM {0} WHERE seq = (SELECT min(seq) FROM {0})"


def of_time(connection: sqlite3.Connection, *, handoff: str, since_ns: int, until_ns: int) -> str:
    """Of all paths, since a handoff is also judged by what the house's own trains say."""
    time = (since_ns, until_ns)
    counted = [_row(connection, _COUNTED.format(name), *time) for name in ("rate_run", "stall", "opening")]
    documents = connection.execute(_DOCUMENTS, (json.dumps([*KINDS]), *time)).fetchall()
    minutes = []
    for (path,) in connection.execute("SELECT id FROM path ORDER BY id").fetchall():
        edges = [_row(connection, _EDGE.format(way), path, *time) for way in ("ASC", "DESC")]
        minutes.append((path, *edges, _row(connection, _SUMS, path, Length.DAY, *time)))
    numbers = [seq for row in counted for seq in row[1:]] + [seq for row in documents for seq in row[2:]]
    numbers += [edge[0] for _, *edges, _ in minutes for edge in edges if edge]
    stretch = (min(filter(None, numbers), default=0), max(filter(None, numbers), default=0))
    mark = _row(connection, _MARK)
    return _digest(
        counted,
        documents,
        minutes,
        _row(connection, _TROUBLES, until_ns),
        _row(connection, _TICKETS, TicketNote.kind, handoff),
        [_row(connection, sql, *stretch) for sql in _AFTERWARDS],
        mark and (mark[0], *(min(max(at or 0, since_ns), until_ns) for at in mark[1:])),
    )


def of_origin(connection: sqlite3.Connection) -> str:
    """Of the beginning of a record, by which it is told from any other."""
    tables = ("rate_run", "stall", "trouble", "document")
    return _digest(
        [_row(connection, _FIRST.format(name)) for name in tables],
        _row(connection, "SELECT signature FROM head ORDER BY number LIMIT 1"),
    )


def _row(connection: sqlite3.Connection, sql: str, *values: Any) -> Any:
    return connection.execute(sql, values).fetchone()


def _digest(*found: Any) -> str:
    return hashlib.sha256(repr(found).encode()).hexdigest()
