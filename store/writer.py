"""The only writer of the database: a thread of its own behind a queue.

`Writer.append` hands a record over and returns at once, from any thread or the event loop; the
thread commits what came within 0.2 s together. While the disk is full or read-only, records wait in
memory and are tried again every 2 s; `QUEUE_MAX` records are kept without loss. What comes beyond
that is not kept, and a `Gap` says so once the disk has room again. Imports schema and rows.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import queue
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from store import schema
from store.clock import NS_PER_S, Clock
from store.errors import DatabaseMistake, StoreTrouble
from store.records import Gap, Record
from store.rows import Insertion, insertions

COMMIT_WITHIN_S = 0.2
RETRY_EVERY_S = 2.0
QUEUE_MAX = 50_000  # records; some five days of six trains, 70 MB of memory

_MARK_ALIVE = (
    "INSERT INTO alive (id, unix_ns) VALUES (1, ?) ON CONFLICT DO UPDATE SET unix_ns = excluded.unix_ns"
)


@dataclass(frozen=True, slots=True)
class _Alive:
    unix_ns: int


@dataclass(frozen=True, slots=True)
class _Flush:
    done: Future[None]
    close: bool = False


class Writer:
    """One open database, locked against other writers. Make it with `Writer.open`."""

    def __init__(self, connection: sqlite3.Connection, lock: int, clock: Clock) -> None:
        self._connection = connection
        self._lock = lock
        self._clock = clock
        self._queue: queue.SimpleQueue[tuple[Insertion, ...] | _Alive | _Flush] = queue.SimpleQueue()
        self._pending: list[tuple[Insertion, ...]] = []
        self._alive: _Alive | None = None
        self._refused: tuple[int, int, int] | None = None  # how many, from when to when
        self._refusing = threading.Lock()
        self.trouble: StoreTrouble | None = None
        found = connection.execute("SELECT unix_ns FROM alive").fetchone()
        self.last_alive_unix_ns: int | None = found[0] if found else None
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)
        self._thread.start()

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        clock: Clock,
        connect: Callable[..., sqlite3.Connection] = sqlite3.connect,
    ) -> Self:
        """Open, or create, the database at `path`, and bring it to this version.

        Blocks, so call it before the event loop runs or in a thread. Raises DatabaseMistake when
        another process writes it, when it is newer or foreign, or when it cannot be opened.
        """
        with ExitStack() as undo:
            lock = _locked(path)
            undo.callback(os.close, lock)
            try:
                connection = connect(path, check_same_thread=False)
                undo.callback(connection.close)
                schema.prepare(connection, path)
                connection.isolation_level = None  # transactions are begun and ended here, by name
                made = cls(connection, lock, clock)
            except sqlite3.Error as error:
                raise DatabaseMistake(f"{path} cannot be opened for writing: {error}") from None
            undo.pop_all()
        return made

    def append(self, record: Record) -> None:
        """Hand `record` over to be stored.

        Raises ValueError for a value that no column can hold, StoreTrouble once the writer is closed.
        """
        rows = insertions(record)
        self._check_open()
        if self._queue.qsize() + len(self._pending) < QUEUE_MAX:
            self._queue.put(rows)
            return
        now_ns = self._clock.unix_ns()
        with self._refusing:
            count, since_ns, _ = self._refused or (0, now_ns, now_ns)
            self._refused = (count + 1, since_ns, now_ns)

    def mark_alive(self, unix_ns: int) -> None:
        """Note that the probe runs at `unix_ns`; the next start reads it as `last_alive_unix_ns`."""
        self._check_open()
        self._queue.put(_Alive(unix_ns))

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
            flush = self._gather()
            self._commit()
            if flush is not None:
                closing = flush.close
                _finish(flush.done, self.trouble)

    def _gather(self) -> _Flush | None:
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
            if isinstance(found, _Flush):
                return found
            if isinstance(found, _Alive):
                self._alive = found  # only the last one counts
            else:
                self._pending.append(found)
            if deadline_ns is None:
                deadline_ns = self._clock.monotonic_ns() + int(COMMIT_WITHIN_S * NS_PER_S)

    def _commit(self) -> None:
        """Store everything pending in one transaction; on failure keep it and say why in `trouble`."""
        alive, refused = self._alive, self._refused
        records = [*self._pending, *([insertions(_gap(*refused))] if refused else [])]
        rows = [row for record in records for row in record]
        if alive:
            rows.append((_MARK_ALIVE, (alive.unix_ns,)))
        try:
            with _transaction(self._connection):
                for sql, values in rows:
                    self._connection.execute(sql, values)
        except Exception as error:  # whatever it was, this thread goes on and nothing is dropped
            why = f"the database cannot be written: {error}; {len(records)} records wait"
            self.trouble = StoreTrouble(why)
            return
        self._pending.clear()
        self._alive = None
        with self._refusing:
            if self._refused == refused:
                self._refused = None
        self.trouble = None


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk may have ended it already
            connection.execute("ROLLBACK")
        raise


def _gap(count: int, since_ns: int, until_ns: int) -> Gap:
    why = f"{count} records could not be kept, because the database could not be written for too long"
    return Gap(started_unix_ns=since_ns, ended_unix_ns=until_ns, why=why)


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
        lock = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise DatabaseMistake(f"{path} cannot be opened: {error.strerror}") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        holder = os.read(lock, 20).decode("ascii", "replace").strip() or "unknown"
        os.close(lock)
        raise DatabaseMistake(
            f"{path} is being written by another process ({holder}); stop that one or name another database"
        ) from None
    with suppress(OSError):  # a full disk: the number is only for the sentence above
        os.ftruncate(lock, 0)
        os.write(lock, f"{os.getpid()}\n".encode())
    return lock
