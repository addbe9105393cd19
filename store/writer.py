"""The only writer of the database: a thread of its own behind a queue.

`Writer.append` hands a record over and returns at once, from any thread or the event loop; the
thread commits what came within 0.2 s together, `AT_ONCE` records at most. While the disk is full or
read-only, records wait in memory and are tried again every 2 s; `QUEUE_MAX` records are kept without loss.
What comes beyond that is not kept, and a `Gap` says so once the disk has room again.

Every record gets its place in the chain (`store.seal`) in the transaction that stores it, so nothing is
chained that is not stored. The first commit of another day signs the head of the day that is over, a
clean stop the head so far. `begin` notes that a run is under way; if the process dies before the run's
record, the next opening stores in its place that it `Failed`. What trains have of
spans that are not over lies in a file beside (`store.unfinished`). Imports schema, rows and seal.
"""

from __future__ import annotations

import asyncio
import fcntl
import itertools
import os
import queue
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from store import schema, thinning
from store.chain import Chain
from store.clock import NS_PER_S, Clock
from store.errors import DatabaseBusy, DatabaseMistake, StoreTrouble
from store.new_file import create
from store.quantities import counted
from store.records import Failed, Gap, Owner, Record, Thinned, TrainSpan
from store.rollup import Rollup
from store.rows import Row, row_of
from store.seal import Key
from store.thinning import Due, Plan
from store.unfinished import NOT_RUNNING, Left, SoFar, Standing, Unfinished, holes

COMMIT_WITHIN_S = 0.2
RETRY_EVERY_S = 2.0
QUEUE_MAX = 50_000  # records; some five days of six trains, 70 MB of memory

AT_ONCE = 1_000  # records in a transaction: some seconds of a slow machine

_KEEP_STAMP = "INSERT INTO time_stamp (head, token) VALUES (?, ?) ON CONFLICT DO NOTHING"
_MARK_ALIVE = (
    "INSERT INTO alive (id, unix_ns) VALUES (1, ?) ON CONFLICT DO UPDATE SET unix_ns = excluded.unix_ns"
)


@dataclass(frozen=True, slots=True)
class _Alive:
    unix_ns: int


@dataclass(frozen=True, slots=True)
class _Begun:
    number: int
    what: str
    handoff: str
    endpoint: str
    started_unix_ns: int


@dataclass(frozen=True, slots=True)
class _Entry:
    """A record to store, and the number of the run that it ends."""

    row: Row
    ends: int | None = None


@dataclass(frozen=True, slots=True)
class _Stamp:
    head: int
    token: bytes


@dataclass(frozen=True, slots=True)
class _Work:
    """Something that needs a transaction of its own."""

    do: Callable[[], Any]
    done: Future[Any]


@dataclass(frozen=True, slots=True)
class _Refused:
    """So many records, from when to when, could not be kept."""

    count: int
    since_ns: int
    until_ns: int

    @classmethod
    def of_both(cls, one: _Refused, other: _Refused) -> _Refused:
        since_ns, until_ns = min(one.since_ns, other.since_ns), max(one.until_ns, other.until_ns)
        return cls(one.count + other.count, since_ns, until_ns)


@dataclass(frozen=True, slots=True)
class _Flush:
    done: Future[None]
    close: bool = False


_Queued = _Entry | _Begun | _Stamp | _Alive | SoFar | Standing | _Work | _Flush


class Writer:
    """One open database, locked against other writers. Make it with `Writer.open`."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        lock: int,
        clock: Clock,
        *,
        chain: Chain,
        rollup: Rollup,
        unfinished: Unfinished,
    ) -> None:
        self._connection = connection
        self._lock = lock
        self._clock = clock
        self._chain = chain
        self._rollup = rollup
        self._unfinished = unfinished
        self._queue: queue.SimpleQueue[_Queued] = queue.SimpleQueue()
        self._pending: list[_Entry | _Begun | _Stamp] = []
        self._alive: _Alive | None = None
        self._refused: _Refused | None = None  # what no gap on record tells of yet
        self._refusing = threading.Lock()
        self.trouble: StoreTrouble | None = None
        found = connection.execute("SELECT unix_ns FROM alive").fetchone()
        self.last_alive_unix_ns: int | None = found[0] if found else None
        self._runs = itertools.count(1)  # numbers of what is under way
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)
        self._thread.start()

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        clock: Clock,
        timezone: str | None = None,
        connect: Callable[..., sqlite3.Connection] = sqlite3.connect,
    ) -> Self:
        """Open, or create, the database at `path`, and bring it to this version.

        `timezone` is the site's, in which its sums have their hours and days; None leaves them as they are.
        Blocks, so call it before the event loop runs or in a thread. Raises DatabaseMistake when it is newer,
        foreign or damaged, DatabaseBusy when another process writes it or it cannot be opened just now.
        """
        with ExitStack() as undo:
            lock = _locked(path)
            undo.callback(os.close, lock)
            with suppress(OSError):  # it is there already, or SQLite says what is wrong
                os.close(create(path, 0o644))
            try:
                connection = connect(path, check_same_thread=False)
                undo.callback(connection.close)
                schema.prepare(connection, path)
                connection.isolation_level = None  # transactions are begun and ended here, by name
                chain = Chain(connection, path, key=Key.beside(path))
                with chain.transaction():
                    chain.begin(clock.unix_ns())
                    chain.add(_left_under_way(connection), clock.unix_ns())
                    rollup = Rollup(connection, timezone)
                unfinished = Unfinished(path)
                left, reached = unfinished.left(), _reached(connection)
                unstored = [span for span in left.spans if not _is_stored(connection, span)]
                made = cls(connection, lock, clock, chain=chain, rollup=rollup, unfinished=unfinished)
                made._take_over(Left(spans=unstored, standing=left.standing), reached)
            except sqlite3.Error as error:
                if schema.is_damage(error):
                    raise schema.unreadable(error, path) from None
                raise DatabaseMistake(f"{path} cannot be opened for writing: {error}") from None
            undo.pop_all()
        return made

    def append(self, record: Record, *, ends: int | None = None) -> None:
        """Hand `record` over to be stored; with `ends`, at once and as what became of the run of that number.

        Raises ValueError for a value that no column can hold, StoreTrouble once the writer is closed.
        """
        entry = _Entry(row_of(record), ends)
        self._check_open()
        if self._queue.qsize() + len(self._pending) < QUEUE_MAX:
            self._queue.put(entry)
            return
        now_ns = self._clock.unix_ns()
        self._refuse(_Refused(1, now_ns, now_ns))

    def begin(self, what: str, *, handoff: str, endpoint: str, started_unix_ns: int) -> int:
        """Note that a run starts; the number to `append` its record with.

        What was begun and has no record when the process dies is stored as failed at the next opening.
        """
        self._check_open()
        number = next(self._runs)
        self._queue.put(_Begun(number, what, handoff, endpoint, started_unix_ns))
        return number

    @property
    def waiting(self) -> int:
        """How many records were handed over and are not stored yet, more or less."""
        return self._queue.qsize() + len(self._pending)

    def so_far(self, span: TrainSpan) -> None:
        """Note what a train has of a span that is not over, which is all that is left of it after a kill."""
        self._check_open()
        self._queue.put(SoFar(span))

    def stands(self, train: Standing) -> None:
        """Note since when a train stands still, or that it does not; a kill makes a gap of it."""
        self._check_open()
        self._queue.put(train)

    def stamp(self, head: int, token: bytes) -> None:
        """Keep the RFC 3161 response for the head of that number (`store.timestamp`)."""
        self._check_open()
        self._queue.put(_Stamp(head, token))

    def mark_alive(self, unix_ns: int) -> None:
        """Note that the probe runs at `unix_ns`; the next start reads it as `last_alive_unix_ns`."""
        self._check_open()
        self._queue.put(_Alive(unix_ns))

    async def let_go(self, due: Due, plan: Plan) -> Thinned | None:
        """Remove what is due of one sealed day (`store.thinning`). Raises StoreTrouble when it cannot."""
        self._check_open()
        done: Future[Thinned | None] = Future()
        self._queue.put(_Work(lambda: self._let_go(due, plan), done))
        return await asyncio.wrap_future(done)

    def drop_tens(self, before_ns: int) -> None:
        """Let go of the sums of ten minutes before this."""
        self._check_open()
        self._queue.put(_Work(lambda: self._rollup.drop_tens(before_ns), Future()))

    async def flush(self) -> None:
        """Wait until everything handed over so far is stored. Raises StoreTrouble when it cannot be."""
        await asyncio.wrap_future(self._flush())

    def flush_blocking(self) -> None:
        """`flush` for code without an event loop."""
        self._flush().result()

    def close(self) -> None:
        """Store what waits, if the disk lets it, and let go of the database. Blocks; closing twice is fine.

        Raises StoreTrouble when something could not be stored.
        """
        if not self._thread.is_alive():
            return
        done: Future[None] = Future()
        self._queue.put(_Flush(done, close=True))
        self._thread.join()
        self._connection.close()
        os.close(self._lock)
        done.result()

    def _take_over(self, left: Left, reached: dict[tuple[str, str], int]) -> None:
        """Store what a killed process had not finished, and what that leaves out; it ran at least so long."""
        for span in left.spans:
            self.append(span)
            ended_ns = span.started_unix_ns + round(span.seconds * NS_PER_S)
            if self.last_alive_unix_ns is not None:
                self.last_alive_unix_ns = max(self.last_alive_unix_ns, ended_ns)
        if self.last_alive_unix_ns is not None:
            for gap in holes(left, reached, alive_ns=self.last_alive_unix_ns):
                self.append(gap)

    def _check_open(self) -> None:
        if not self._thread.is_alive():
            raise StoreTrouble("the database is closed")

    def _flush(self) -> Future[None]:
        self._check_open()
        done: Future[None] = Future()
        self._queue.put(_Flush(done))
        return done

    def _run(self) -> None:
        closing = False
        while not closing:
            flush = None
            with suppress(Exception):  # out of memory, say: this thread goes on
                flush = self._gather()
            self._commit()
            if isinstance(flush, _Work):
                self._do(flush)
            elif flush is not None:
                closing = flush.close
                if closing:
                    self._sign_off()
                _finish(flush.done, self.trouble)

    def _do(self, work: _Work) -> None:
        """Do something in a transaction of its own; whoever asked for it gets what comes of it."""
        if not work.done.set_running_or_notify_cancel():
            return
        try:
            with self._chain.transaction():
                found = work.do()
        except Exception as error:  # whatever it was, this thread goes on
            self._rollup.forget()
            trouble = error if isinstance(error, StoreTrouble) else StoreTrouble(str(error))
            work.done.set_exception(trouble)
        else:
            work.done.set_result(found)

    def _let_go(self, due: Due, plan: Plan) -> Thinned | None:
        return thinning.let_go(
            self._connection, self._chain, self._rollup, due, plan, now_ns=self._clock.unix_ns()
        )

    def _gather(self) -> _Flush | _Work | None:
        """Move what comes into `_pending` until it is time to commit, or somebody asks for it."""
        deadline_ns: int | None = None
        if self.trouble is not None:
            deadline_ns = self._clock.monotonic_ns() + int(RETRY_EVERY_S * NS_PER_S)
        while True:
            wait_s = None
            if deadline_ns is not None:
                wait_s = max(0.0, (deadline_ns - self._clock.monotonic_ns()) / NS_PER_S)
            try:
                found = self._queue.get(timeout=wait_s)
            except queue.Empty:
                return None
            if isinstance(found, (_Flush, _Work)):
                return found
            if isinstance(found, _Alive):
                self._alive = found  # only the last one counts
            elif isinstance(found, SoFar):
                self._unfinished.keep(found.span)
            elif isinstance(found, Standing):
                self._unfinished.stands(found)
            else:
                self._pending.append(found)
                if self.trouble is None and _at_once(found):
                    return None
            if deadline_ns is None:
                deadline_ns = self._clock.monotonic_ns() + int(COMMIT_WITHIN_S * NS_PER_S)

    def _sign_off(self) -> None:
        """Sign the head so far; when that cannot be written, the next start signs for the day."""
        try:
            with self._chain.transaction():
                self._chain.sign(self._clock.unix_ns(), complete=False)
        except sqlite3.Error as error:
            self.trouble = self.trouble or StoreTrouble(f"the last head could not be signed: {error}")

    def _note(self, entry: _Entry | _Begun | _Stamp) -> None:
        """What is under way after this entry, and which head is stamped."""
        if isinstance(entry, _Stamp):
            self._connection.execute(_KEEP_STAMP, (entry.head, entry.token))
        elif isinstance(entry, _Begun):
            self._connection.execute(
                "INSERT INTO under_way (id, what, handoff, endpoint, started_unix_ns) VALUES (?, ?, ?, ?, ?)",
                (entry.number, entry.what, entry.handoff, entry.endpoint, entry.started_unix_ns),
            )
        elif entry.ends is not None:
            self._connection.execute("DELETE FROM under_way WHERE id = ?", (entry.ends,))

    def _commit(self) -> None:
        """Store everything pending; on failure keep what is not stored and say why in `trouble`."""
        self._store_some()
        while self._pending and self.trouble is None:
            self._store_some()

    def _store_some(self) -> None:
        """Store what has waited longest, in one transaction: all that a full disk left takes minutes."""
        alive, refused, last = self._alive, None, len(self._pending) <= AT_ONCE
        if last:
            with self._refusing:
                refused, self._refused = self._refused, None
        try:
            entries = [*self._pending[:AT_ONCE], *([_Entry(row_of(_gap(refused)))] if refused else [])]
            rows = [entry.row for entry in entries if isinstance(entry, _Entry)]
            with self._chain.transaction():
                self._chain.add(rows, self._clock.unix_ns())
                self._rollup.add(rows, last_seq=self._chain.last_seq)
                for entry in entries:
                    self._note(entry)
                if alive:
                    self._connection.execute(_MARK_ALIVE, (alive.unix_ns,))
        except Exception as error:  # whatever it was, this thread goes on and nothing is dropped
            self._rollup.forget()
            why = f"the database cannot be written: {error}; {counted(len(self._pending), 'record')} waiting"
            self.trouble = StoreTrouble(why)
            if refused is not None:
                self._refuse(refused)
            return
        del self._pending[:AT_ONCE]  # before anything else may fail: what is stored is not stored twice
        self._alive = self.trouble = None
        with suppress(Exception):  # out of memory, say: the file is written anew within a second
            for row in rows:
                if row.table == "train":
                    self._unfinished.stored(row)
            self._unfinished.write()

    def _refuse(self, more: _Refused) -> None:
        """Count what is not kept, with what was not before and no gap tells of yet."""
        with self._refusing:
            before = self._refused
            self._refused = more if before is None else _Refused.of_both(before, more)


def _reached(connection: sqlite3.Connection) -> dict[tuple[str, str], int]:
    """How far the spans and gaps of each train reach that has any since the process before this one began."""
    found = connection.execute(
        """
        SELECT handoff, endpoint, max(
            ifnull((SELECT started_unix_ns + CAST(round(seconds * 1e9) AS INTEGER) FROM train
                WHERE train.path = path.id ORDER BY started_unix_ns DESC LIMIT 1), 0),
            ifnull((SELECT ended_unix_ns FROM trouble WHERE trouble.path = path.id AND kind = 'gap'
                ORDER BY started_unix_ns DESC LIMIT 1), 0)
        ) FROM path WHERE handoff <> '' AND endpoint <> ''
        """
    ).fetchall()
    (began_ns,) = connection.execute(
        "SELECT ifnull(max(ended_unix_ns), 0) FROM trouble WHERE kind = 'gap' AND why = ?", (NOT_RUNNING,)
    ).fetchone()
    return {(handoff, endpoint): to_ns for handoff, endpoint, to_ns in found if to_ns and to_ns >= began_ns}


def _is_stored(connection: sqlite3.Connection, span: TrainSpan) -> bool:
    """Whether the database holds the span itself."""
    sql = (
        "SELECT 1 FROM train WHERE started_unix_ns = ? "
        "AND path = (SELECT id FROM path WHERE handoff = ? AND endpoint = ?)"
    )
    values = (span.started_unix_ns, span.handoff, span.endpoint)
    return connection.execute(sql, values).fetchone() is not None


def _at_once(entry: _Entry | _Begun | _Stamp) -> bool:
    """Whether it goes to the disk before anything else happens: a run that starts or ends does."""
    return isinstance(entry, _Begun) or (isinstance(entry, _Entry) and entry.ends is not None)


def _left_under_way(connection: sqlite3.Connection) -> list[Row]:
    """What the process before this one began and did not end, as failed; taken off the list."""
    found = connection.execute(
        "DELETE FROM under_way RETURNING what, handoff, endpoint, started_unix_ns"
    ).fetchall()
    return [
        row_of(
            Failed(
                what=what,
                why="the probe ended during the run",
                whose=Owner.HOUSE,
                started_unix_ns=started_unix_ns,
                handoff=handoff,
                endpoint=endpoint,
            )
        )
        for what, handoff, endpoint, started_unix_ns in found
    ]


def _gap(refused: _Refused) -> Gap:
    records = counted(refused.count, "record")
    why = f"{records} could not be kept, because the database could not be written for too long"
    return Gap(started_unix_ns=refused.since_ns, ended_unix_ns=refused.until_ns, why=why)


def _finish(done: Future[None], trouble: StoreTrouble | None) -> None:
    if not done.set_running_or_notify_cancel():
        return
    if trouble is None:
        done.set_result(None)
    else:
        done.set_exception(trouble)


def _locked(path: Path) -> int:
    """A file descriptor that holds the lock beside the database. Raises DatabaseMistake."""
    beside = path.with_name(f"{path.name}.lock")
    try:
        with suppress(FileExistsError):
            os.close(create(beside, 0o644))
        lock = os.open(beside, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise DatabaseBusy(f"{path} cannot be opened: {error.strerror}") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        holder = os.read(lock, 20).decode("ascii", "replace").strip() or "unknown"
        os.close(lock)
        raise DatabaseBusy(
            f"{path} is being written by another process ({holder}); stop that one or name another database"
        ) from None
    with suppress(OSError):  # a full disk: the number is only for the sentence above
        os.ftruncate(lock, 0)
        os.write(lock, f"{os.getpid()}\n".encode())
    return lock
