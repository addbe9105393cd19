"""The chain of records within a database: carried on by its writer, read back by whoever checks it.

What the chain is stands in `store.seal`. Any table with the columns `seq` and `link` takes part in it, so
a new kind of record is sealed by having them. Imports rows, schema's triggers and seal.
"""

from __future__ import annotations

import hashlib
import heapq
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from operator import attrgetter
from pathlib import Path
from typing import Any

from store import schema
from store.clock import NS_PER_S
from store.errors import DatabaseMistake, StoreTrouble
from store.records import Thinned
from store.rows import TRAIN_SETTING, Row, insertions, row_of
from store.seal import Claim, End, Head, Key, canonical, chained, day_of, fingerprint

_LAST = 1 << 62  # beyond every sequence number
_NOWHERE = (1, 0)
_NO_PATH = ("\udcff", "\udcff")  # for a path that is gone: names that no record can have


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

    @property
    def last_seq(self) -> int:
        """The number of the newest record."""
        return self._state.end.seq

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

    def thin(
        self,
        day: SealedDay,
        *,
        change: Callable[[sqlite3.Connection, SealedDay], None],
        why: str,
        now_ns: int,
    ) -> Thinned | None:
        """Let go of a part of a day's record, by the rule in `why`; None when `change` changed nothing.

        `change` empties columns or deletes rows. What is left gets links of its own, and a `Thinned` with
        the heads from before becomes the next record, under a signed head at once. Raises StoreTrouble,
        before anything changes, when the day's record does not fit its seal: what was tampered with stays.
        """
        expected = _left_before(self._connection, day) or day.after
        near = next(
            (near for near in (around(day.day), None) if self._left(day, near).head == expected), _NOWHERE
        )
        if near is _NOWHERE:
            raise StoreTrouble(
                f"the record of {day.day} does not fit its seal and is not thinned; see `linebook verify`"
            )
        tables = (*sealed_tables(self._connection), "rate_side")
        for table in tables:
            schema.allow_changes(self._connection, table)
        change(self._connection, day)
        left = self._left(day, near, relink=True)
        for table in tables:
            schema.refuse_changes(self._connection, table)
        if left.head == expected:
            return None
        thinned = Thinned(
            first_seq=day.first_seq,
            last_seq=day.last_seq,
            thinned_unix_ns=now_ns,
            before=day.before,
            after=day.after,
            remainder=left.head,
            why=why,
        )
        self.add([row_of(thinned)], now_ns)
        self.sign(now_ns, complete=False)
        return thinned

    def _left(self, day: SealedDay, near: tuple[int, int] | None, *, relink: bool = False) -> End:
        """The end of a chain through what is there of a day; with `relink`, rows get its links."""
        end = End(seq=day.first_seq - 1, head=day.before)
        for each in list(
            links(self._connection, first_seq=day.first_seq, last_seq=day.last_seq, started_ns=near)
        ):
            end = End(seq=each.seq, head=chained(end.head, canonical(each.row, each.seq)))
            if relink and each.link != end.link:
                where = " AND ".join(f"{key} = ?" for key in each.keys)
                sql = f"UPDATE {each.row.table} SET link = ? WHERE {where}"  # noqa: S608 - from the schema
                self._connection.execute(sql, (end.link, *each.keys.values()))
        return end


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedDay:
    """A stretch of records between the heads of two days: all that were stored on `day`."""

    day: str
    first_seq: int
    last_seq: int
    before: bytes
    after: bytes


def sealed_days(connection: sqlite3.Connection) -> list[SealedDay]:
    """The days that are over and have a head of their own, the oldest first."""
    found: list[SealedDay] = []
    end = End()
    for _, head in heads(connection):
        claim = Claim.read(head.statement)
        if claim.complete and claim.seq > end.seq:
            stretch = {"first_seq": end.seq + 1, "last_seq": claim.seq}
            found.append(SealedDay(day=claim.day, before=end.head, after=claim.head, **stretch))
            end = End(seq=claim.seq, head=claim.head)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A record as it stands in the database, with its place in the chain."""

    seq: int
    link: bytes
    row: Row
    keys: Mapping[str, Any]  # the columns by which its row is found


def links(
    connection: sqlite3.Connection,
    *,
    table: str | None = None,
    first_seq: int = -_LAST,
    last_seq: int = _LAST,
    started_ns: tuple[int, int] | None = None,
) -> Iterator[Link]:
    """Every record of a stretch, or those of one table, by number. As they are, changed ones too.

    With `started_ns`, minutes of trains are looked for among those that started in that time: much less to
    read, and the chain shows whether it was enough.
    """
    stretch = _Stretch(first_seq=first_seq, last_seq=last_seq, started_ns=started_ns)
    names = _Names(connection)
    streams = (
        _links_of(connection, found, keys, names=names, stretch=stretch)
        for found, keys in sealed_tables(connection).items()
        if table in (None, found)
    )
    return heapq.merge(*streams, key=attrgetter("seq"))


def sealed_tables(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """The tables that hold records of the chain, with the columns of their primary keys."""
    found = {}
    tables = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    ).fetchall()
    for (table,) in tables:
        columns = connection.execute("SELECT name, pk FROM pragma_table_info(?)", (table,)).fetchall()
        if {"seq", "link"} <= {name for name, _ in columns}:
            found[table] = [name for name, place in columns if place]
    return found


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    first_seq: int
    last_seq: int
    started_ns: tuple[int, int] | None


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
        self.around: dict[int, str] = {}
        if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'train_around'").fetchone():
            self.around.update(connection.execute("SELECT id, circumstances FROM train_around"))


def _links_of(
    connection: sqlite3.Connection,
    table: str,
    keys: list[str],
    *,
    names: _Names,
    stretch: _Stretch,
) -> Iterator[Link]:
    """The records of one table, by number."""
    columns_of = [name for (name,) in connection.execute("SELECT name FROM pragma_table_info(?)", (table,))]
    for found in _rows_of(connection, table, keys, stretch):
        values = dict(zip(columns_of, found, strict=True))
        place = {key: values[key] for key in keys}
        seq, link = values.pop("seq"), values.pop("link")
        handoff, endpoint = names.paths.get(values.pop("path"), _NO_PATH)
        if "setting" in values:
            values |= names.settings.get(values.pop("setting"), {})
            values["circumstances"] = names.around.get(values.pop("around", None))
        sides = tuple(_sides(connection, seq)) if table == "rate_run" else ()
        row = Row(table=table, handoff=handoff, endpoint=endpoint, values=values, sides=sides)
        yield Link(seq=seq, link=link, row=row, keys=place)


def _rows_of(
    connection: sqlite3.Connection, table: str, keys: list[str], stretch: _Stretch
) -> Iterator[tuple[Any, ...]]:
    """The rows of one table by `seq`. Where that is not the order they lie in, only keys are sorted."""
    where, values = "seq BETWEEN ? AND ?", [stretch.first_seq, stretch.last_seq]
    if keys == ["seq"]:
        yield from connection.execute(f"SELECT * FROM {table} WHERE {where} ORDER BY seq", values)  # noqa: S608
        return
    if stretch.started_ns is not None:
        where += " AND path IN (SELECT id FROM path) AND started_unix_ns BETWEEN ? AND ?"
        values += stretch.started_ns
    sorted_keys = f"SELECT {', '.join(keys)} FROM {table} WHERE {where} ORDER BY seq"  # noqa: S608 - from the schema
    row = f"SELECT * FROM {table} WHERE {' AND '.join(f'{key} = ?' for key in keys)}"  # noqa: S608
    for place in connection.execute(sorted_keys, values):
        yield from connection.execute(row, place)


def _sides(connection: sqlite3.Connection, run: int) -> Iterator[dict[str, Any]]:
    cursor = connection.execute("SELECT * FROM rate_side WHERE run = ?", (run,))
    names = [column[0] for column in cursor.description]
    for found in cursor:
        values = dict(zip(names, found, strict=True))
        del values["run"]
        yield values


def _left_before(connection: sqlite3.Connection, day: SealedDay) -> bytes | None:
    """What the last thinning of a day left of it; None when there was none."""
    sql = "SELECT remainder FROM thinned WHERE first_seq = ? AND last_seq = ? ORDER BY seq DESC LIMIT 1"
    found = connection.execute(sql, (day.first_seq, day.last_seq)).fetchone()
    return None if found is None else bytes(found[0])


def around(day: str) -> tuple[int, int]:
    """From the start of the day before a UTC day to the end of the day after it, in Unix nanoseconds."""
    start_ns = int(datetime.fromisoformat(f"{day}T00:00:00+00:00").timestamp()) * NS_PER_S
    return start_ns - 86_400 * NS_PER_S, start_ns + 2 * 86_400 * NS_PER_S


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
