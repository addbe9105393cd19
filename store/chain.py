"""The chain of records within a database: carried on by its writer, read back by whoever checks it.

What the chain is stands in `store.seal`. Any table with the columns `seq` and `link` takes part in it, so
a new kind of record is sealed by having them. Imports rows, schema's triggers and seal.
"""

from __future__ import annotations

import hashlib
import heapq
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from operator import attrgetter
from pathlib import Path
from typing import Any

from store.errors import DatabaseMistake
from store.rows import TRAIN_SETTING, Row, insertions
from store.seal import Claim, End, Head, Key, canonical, day_of, fingerprint

_LAST = 1 << 62  # beyond every sequence number


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    end: End
    day: str  # of the newest record; empty before there is one
    before_seal: int
    heads: int  # how many were signed
    previous: bytes  # the digest of the last one
    signed_seq: int
    signed_complete: bool


class Chain:
    """The chain as the one writer of a database carries it on. Used within the writer's transactions."""

    def __init__(self, connection: sqlite3.Connection, path: Path, *, key: Key) -> None:
        self._connection = connection
        self._key = key
        self._state = _state_of(connection, path)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All of it or nothing, for the database and for what this object knows of it."""
        before = self._state
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            self._state = before
            if self._connection.in_transaction:  # a full disk may have ended it already
                self._connection.execute("ROLLBACK")
            raise

    def begin(self, now_ns: int) -> None:
        """Note the key that signs from now on; sign what was chained when the seal came. Once, at opening."""
        self._connection.execute(
            "INSERT INTO seal_key (public, fingerprint) VALUES (?, ?) ON CONFLICT DO NOTHING",
            (self._key.public, fingerprint(self._key.public)),
        )
        if self._state.before_seal and not self._state.heads:
            self._state = replace(self._state, day=day_of(now_ns))
            self.sign(now_ns, complete=False)

    def add(self, rows: list[Row], now_ns: int) -> None:
        """Store records as the next ones. Signs the head of the day before, when `now_ns` is in another."""
        today = day_of(now_ns)
        if self._state.day not in ("", today):
            self.sign(now_ns, complete=True)
        if not rows:
            return
        end = self._state.end
        for row in rows:
            end = end.then(canonical(row, end.seq + 1))
            for sql, values in insertions(row, seq=end.seq, link=end.link):
                self._connection.execute(sql, values)
        self._connection.execute(
            "UPDATE chain_end SET seq = ?, head = ?, day = ?", (end.seq, end.head, today)
        )
        self._state = replace(self._state, end=end, day=today)

    def sign(self, now_ns: int, *, complete: bool) -> None:
        """Sign the head of the chain, unless the last head says as much already."""
        state = self._state
        if state.signed_seq == state.end.seq and (state.signed_complete or not complete):
            return
        claim = Claim(
            number=state.heads + 1,
            previous=state.previous,
            seq=state.end.seq,
            head=state.end.head,
            day=state.day,
            complete=complete,
            made_unix_ns=now_ns,
            before_seal=state.before_seal,
            key=self._key.public,
        )
        head = self._key.sign(claim)
        self._connection.execute(
            "INSERT INTO head (number, statement, signature) VALUES (?, ?, ?)",
            (claim.number, head.statement.decode(), head.signature),
        )
        self._state = replace(
            state,
            heads=claim.number,
            previous=head.digest,
            signed_seq=claim.seq,
            signed_complete=complete,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A record as it stands in the database, with its place in the chain."""

    seq: int
    link: bytes
    row: Row


def links(
    connection: sqlite3.Connection, *, first_seq: int = -_LAST, last_seq: int = _LAST
) -> Iterator[Link]:
    """Every record of a stretch, by number. Records come as they are, changed ones too."""
    names = _Names(connection)
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY 1").fetchall()
    streams = []
    for (table,) in tables:
        columns = connection.execute("SELECT name, pk FROM pragma_table_info(?)", (table,)).fetchall()
        if {"seq", "link"} <= {name for name, _ in columns}:
            keys = [name for name, place in columns if place]
            streams.append(_links_of(connection, table, keys, names=names, stretch=(first_seq, last_seq)))
    return heapq.merge(*streams, key=attrgetter("seq"))


def heads(connection: sqlite3.Connection) -> list[tuple[int, Head]]:
    """(number, head) of every head, by number."""
    found = connection.execute("SELECT number, statement, signature FROM head ORDER BY number")
    return [
        (number, Head(statement=statement.encode("utf-8", "surrogateescape"), signature=signature))
        for number, statement, signature in found
    ]


def exact_text(value: bytes) -> str:
    """Text as it lies in the file, bytes that are no UTF-8 too; for a connection's `text_factory`."""
    return value.decode("utf-8", "surrogateescape")


class _Names:
    """What the numbers in rows refer to."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.paths: dict[int, tuple[str, str]] = {
            each[0]: each[1:] for each in connection.execute("SELECT id, handoff, endpoint FROM path")
        }
        settings = connection.execute(f"SELECT id, {TRAIN_SETTING} FROM train_setting")  # noqa: S608
        names = TRAIN_SETTING.split(", ")
        self.settings: dict[int, dict[str, Any]] = {
            each[0]: dict(zip(names, each[1:], strict=True)) for each in settings
        }


def _links_of(
    connection: sqlite3.Connection,
    table: str,
    keys: list[str],
    *,
    names: _Names,
    stretch: tuple[int, int],
) -> Iterator[Link]:
    """The records of one table, by number."""
    if keys == ["seq"]:
        sql = f"SELECT * FROM {table} WHERE seq BETWEEN ? AND ? ORDER BY seq"  # noqa: S608 - from the schema
    else:  # sorts the keys alone; the rows are fetched one by one
        columns = ", ".join(keys)
        sql = (
            f"SELECT {table}.* FROM (SELECT {columns} FROM {table} WHERE seq BETWEEN ? AND ? "  # noqa: S608
            f"ORDER BY seq) AS sorted CROSS JOIN {table} USING ({columns})"
        )
    cursor = connection.execute(sql, stretch)
    columns_of = [column[0] for column in cursor.description]
    for found in cursor:
        values = dict(zip(columns_of, found, strict=True))
        seq, link = values.pop("seq"), values.pop("link")
        handoff, endpoint = names.paths.get(values.pop("path", None), ("", ""))
        if "setting" in values:
            values |= names.settings.get(values.pop("setting"), {})
        sides = tuple(_sides(connection, seq)) if table == "rate_run" else ()
        row = Row(table=table, handoff=handoff, endpoint=endpoint, values=values, sides=sides)
        yield Link(seq=seq, link=link, row=row)


def _sides(connection: sqlite3.Connection, run: int) -> Iterator[dict[str, Any]]:
    cursor = connection.execute("SELECT * FROM rate_side WHERE run = ?", (run,))
    names = [column[0] for column in cursor.description]
    for found in cursor:
        values = dict(zip(names, found, strict=True))
        del values["run"]
        yield values


def _state_of(connection: sqlite3.Connection, path: Path) -> _State:
    """Where the chain of a database has come to. Raises DatabaseMistake when it does not say so."""
    end = connection.execute("SELECT seq, head, day, before_seal FROM chain_end").fetchone()
    if end is None:
        raise DatabaseMistake(
            f"{path} no longer says where its chain ends; `linebook verify` tells what is left"
        )
    heads, signed_seq, signed_complete, previous = 0, 0, False, bytes(32)
    last = connection.execute("SELECT number, statement FROM head ORDER BY number DESC LIMIT 1").fetchone()
    if last is not None:
        heads, statement = last[0], last[1].encode()
        previous = hashlib.sha256(statement).digest()
        try:
            claim = Claim.read(statement)
        except ValueError:
            signed_seq = -1  # it was changed; the chain of heads goes on, and verifying names it
        else:
            signed_seq, signed_complete = claim.seq, claim.complete
    return _State(
        end=End(seq=end[0], head=end[1]),
        day=end[2],
        before_seal=end[3],
        heads=heads,
        previous=previous,
        signed_seq=signed_seq,
        signed_complete=signed_complete,
    )
