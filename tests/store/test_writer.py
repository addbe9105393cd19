"""The writer keeps what it acknowledged: through kills, a full disk, a second writer and a clock set back."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import documents, rows, schema
from store import writer as writer_module
from store.clock import Clock
from store.errors import DatabaseMistake, StoreTrouble
from store.reader import Reader
from store.records import Gap, RateRun, Record
from store.rollup import Rollup
from store.rows import Row
from store.unfinished import Unfinished
from store.writer import Writer
from tests import strategies
from tests.store import samples

HOUSE = Path(__file__).parents[2]


class Recorder:
    """Makes the writer's connection as sqlite3 does, and keeps it, so that a test can fill its disk."""

    def __init__(self) -> None:
        self.connection: sqlite3.Connection | None = None

    def __call__(self, *arguments: object, **options: object) -> sqlite3.Connection:
        self.connection = sqlite3.connect(*arguments, **options)  # type: ignore[call-overload]
        return self.connection

    def limit(self, pages: int) -> None:
        """From now on the database has this many pages at most: SQLite's own "disk is full"."""
        assert self.connection is not None
        self.connection.execute(f"PRAGMA max_page_count = {pages}")

    def read_only(self, on: bool) -> None:
        """From now on SQLite refuses to write, as it does on a disk that was mounted anew, read-only."""
        assert self.connection is not None
        self.connection.execute(f"PRAGMA query_only = {int(on)}")


def everything(path: Path) -> list[Record]:
    with closing(Reader.open(path)) as reader:
        return [*reader.rate_runs(), *reader.train_spans(), *reader.stalls(), *reader.troubles()]


def fill(writer: Writer, count: int) -> list[RateRun]:
    runs = [samples.run(nth) for nth in range(count)]
    for run in runs:
        writer.append(run)
    return runs


class TestKeeping:
    @given(st.lists(strategies.records, max_size=4))
    def test_records_come_back_unchanged(self, records: list[Record]) -> None:
        """Whatever can be drawn; in memory, because the disk adds nothing to that."""
        with closing(sqlite3.connect(":memory:")) as connection:
            schema.prepare(connection, Path("memory"))
            for seq, record in enumerate(records, 1):
                for sql, values in rows.insertions(rows.row_of(record), seq=seq, link=bytes(4)):
                    connection.execute(sql, values)
            reader = Reader(connection)
            found: list[Record] = [
                *reader.rate_runs(),
                *reader.train_spans(),
                *reader.stalls(),
                *reader.troubles(),
                *reader.corrections(),
                *reader.thinned(),
                *reader.campaigns(),
                *reader.windows(),
                *(each for kind in documents.KINDS.values() for each in reader.documents(kind)),
            ]
            assert sorted(map(repr, found)) == sorted(map(repr, records))
            assert all(record in found for record in records)

    def test_two_spans_that_a_clock_set_back_made_equal_are_both_kept(self, tmp_path: Path) -> None:
        with closing(Writer.open(tmp_path / "line.db", clock=Clock())) as writer:
            for _ in range(3):
                writer.append(samples.span(7))
            writer.flush_blocking()
            assert everything(tmp_path / "line.db") == [samples.span(7)] * 3

    def test_it_commits_by_itself(self, tmp_path: Path) -> None:
        """Nobody asks, and it is stored all the same."""
        recorder = Recorder()
        committed = threading.Event()
        with closing(Writer.open(tmp_path / "line.db", clock=Clock(), connect=recorder)) as writer:
            assert recorder.connection is not None
            recorder.connection.set_trace_callback(lambda sql: committed.set() if sql == "COMMIT" else None)
            writer.append(samples.stall())
            assert committed.wait(10)
            recorder.connection.set_trace_callback(None)
            assert everything(tmp_path / "line.db") == [samples.stall()]

    @pytest.mark.asyncio
    async def test_flush_waits_without_blocking_the_loop(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        writer = await asyncio.to_thread(Writer.open, path, clock=Clock())
        writer.append(samples.stall())
        await writer.flush()
        assert await asyncio.to_thread(everything, path) == [samples.stall()]
        await asyncio.to_thread(writer.close)

    def test_any_thread_may_append(self, tmp_path: Path) -> None:
        with closing(Writer.open(tmp_path / "line.db", clock=Clock())) as writer:
            threads = [threading.Thread(target=fill, args=(writer, 20)) for _ in range(4)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            writer.flush_blocking()
            assert len(everything(tmp_path / "line.db")) == 80

    def test_closing_stores_what_waits(self, tmp_path: Path) -> None:
        writer = Writer.open(tmp_path / "line.db", clock=Clock())
        runs = fill(writer, 5)
        writer.close()
        writer.close()
        assert everything(tmp_path / "line.db") == runs

    def test_a_closed_one_takes_nothing_more(self, tmp_path: Path) -> None:
        writer = Writer.open(tmp_path / "line.db", clock=Clock())
        writer.close()
        with pytest.raises(StoreTrouble, match="closed"):
            writer.append(samples.stall())
        with pytest.raises(StoreTrouble, match="closed"):
            writer.mark_alive(1)
        with pytest.raises(StoreTrouble, match="closed"):
            writer.flush_blocking()

    def test_a_value_that_no_column_holds_is_refused_at_once(self, tmp_path: Path) -> None:
        with closing(Writer.open(tmp_path / "line.db", clock=Clock())) as writer:
            with pytest.raises(ValueError, match="64 bits"):
                writer.append(samples.stall(2**63))
            writer.append(samples.stall())
            writer.flush_blocking()
            assert everything(tmp_path / "line.db") == [samples.stall()]


class TestLog:
    def test_gives_back_what_a_large_change_took(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """While a dashboard has the database open, or it would be gone with the last who closes."""
        monkeypatch.setattr(schema, "LOG_BYTES", 100_000)
        path, recorder = tmp_path / "line.db", Recorder()
        writer = Writer.open(path, clock=Clock(), connect=recorder)
        with closing(writer), closing(Reader.open(path)) as reader:
            assert recorder.connection is not None
            for nth in range(2000):
                writer.append(samples.span(60 * nth))
            writer.flush_blocking()
            log = path.with_name("line.db-wal")
            large = log.stat().st_size
            recorder.connection.execute("PRAGMA wal_autocheckpoint = 20")  # else after 4 MB
            for nth in range(3):
                writer.append(samples.run(nth))
                writer.flush_blocking()
            assert reader.paths()
            assert large > 400_000
            assert log.stat().st_size < 200_000


class TestSignsOfLife:
    def test_the_last_one_is_read_at_the_next_start(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            assert writer.last_alive_unix_ns is None
            for unix_ns in (10, 20, 30):
                writer.mark_alive(unix_ns)
        with closing(Writer.open(path, clock=Clock())) as writer:
            assert writer.last_alive_unix_ns == 30
            with closing(Reader.open(path)) as reader:
                assert reader.last_alive_ns() == 30
                assert reader.newest_ns() is None


class TestOneWriter:
    def test_a_second_one_is_refused_with_who_holds_it(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            with pytest.raises(DatabaseMistake, match=r"being written by another process \([0-9]+\)"):
                Writer.open(path, clock=Clock())
            writer.append(samples.stall())
            writer.flush_blocking()
        Writer.open(path, clock=Clock()).close()

    def test_a_refused_file_is_not_held(self, tmp_path: Path) -> None:
        path = tmp_path / "letter.db"
        path.write_bytes(b"no database" * 100)
        for _ in range(2):
            with pytest.raises(DatabaseMistake, match="no database"):
                Writer.open(path, clock=Clock())


class TestFullDisk:
    def test_what_was_handed_over_waits_and_is_stored_when_there_is_room(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        recorder = Recorder()
        with closing(Writer.open(path, clock=Clock(), connect=recorder)) as writer:
            first = fill(writer, 3)
            writer.flush_blocking()
            recorder.limit(1)  # no fewer than it has: no page more
            waiting = [samples.run(100 + nth) for nth in range(200)]
            for run in waiting:
                writer.append(run)
            with pytest.raises(StoreTrouble, match=r"disk is full; 200 records wait"):
                writer.flush_blocking()
            assert isinstance(writer.trouble, StoreTrouble)
            assert everything(path) == first
            recorder.limit(100_000)
            writer.flush_blocking()
            assert writer.trouble is None
            assert everything(path) == [*first, *waiting]

    def test_it_recovers_by_itself(self, tmp_path: Path) -> None:
        """On a clock that leaps 3 s at each look, the next try is due at once."""
        leaps = itertools.count(0, 3 * 10**9)
        clock = Clock(monotonic_ns=leaps.__next__, unix_ns=lambda: 0)
        recorder = Recorder()
        committed = threading.Event()
        with closing(Writer.open(tmp_path / "line.db", clock=clock, connect=recorder)) as writer:
            recorder.limit(1)
            runs = fill(writer, 200)
            with pytest.raises(StoreTrouble):
                writer.flush_blocking()
            assert recorder.connection is not None
            recorder.connection.set_trace_callback(lambda sql: committed.set() if sql == "COMMIT" else None)
            recorder.limit(100_000)
            assert committed.wait(10)
            recorder.connection.set_trace_callback(None)
        assert everything(tmp_path / "line.db") == runs

    def test_beyond_the_bound_a_gap_says_what_is_missing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Nothing below the bound is dropped; what comes later is counted and its time is a gap."""
        monkeypatch.setattr(writer_module, "QUEUE_MAX", 200)
        seconds = itertools.count(1_000)
        clock = Clock(unix_ns=lambda: next(seconds))
        recorder = Recorder()
        with closing(Writer.open(tmp_path / "line.db", clock=clock, connect=recorder)) as writer:
            recorder.limit(1)
            kept = fill(writer, 200)
            with pytest.raises(StoreTrouble):
                writer.flush_blocking()
            for nth in range(3):
                writer.append(samples.run(500 + nth))
            recorder.limit(100_000)
            writer.flush_blocking()
            writer.append(samples.run(900))
            writer.flush_blocking()
        *runs, gap = everything(tmp_path / "line.db")
        assert runs == [*kept, samples.run(900)]
        assert isinstance(gap, Gap)
        assert gap.ended_unix_ns - gap.started_unix_ns == 2
        assert "3 records" in gap.why

    def test_what_the_bound_refuses_while_the_rest_is_stored_is_told_once(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A full queue takes a while to store, and until it is stored, more is refused."""
        monkeypatch.setattr(writer_module, "QUEUE_MAX", 200)
        recorder = Recorder()
        with closing(Writer.open(tmp_path / "line.db", clock=Clock(), connect=recorder)) as writer:
            recorder.limit(1)
            fill(writer, 200)
            with pytest.raises(StoreTrouble):
                writer.flush_blocking()
            for nth in range(3):
                writer.append(samples.run(500 + nth))
            recorder.limit(100_000)
            assert recorder.connection is not None
            more = iter([samples.run(600), samples.run(601)])

            def ask_more(sql: str) -> None:
                for run in more if sql == "COMMIT" else ():
                    writer.append(run)

            recorder.connection.set_trace_callback(ask_more)
            writer.flush_blocking()
            recorder.connection.set_trace_callback(None)
            writer.flush_blocking()
        gaps = [one.why for one in everything(tmp_path / "line.db") if isinstance(one, Gap)]
        assert [why.split()[0] for why in gaps] == ["3", "2"]

    @pytest.mark.parametrize("where", ["write", "stored", "keep"])
    def test_a_file_beside_it_that_cannot_be_made_costs_no_record_and_no_thread(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
    ) -> None:
        """Where memory runs out, between one statement and the next."""

        def no_memory(*_: object) -> None:
            raise MemoryError

        monkeypatch.setattr(Unfinished, where, no_memory)
        with closing(Writer.open(tmp_path / "line.db", clock=Clock())) as writer:
            spans = [samples.span(60 * nth) for nth in range(3)]
            for span in spans:
                writer.so_far(span)
                writer.append(span)
                with contextlib.suppress(StoreTrouble):
                    writer.flush_blocking()
        assert everything(tmp_path / "line.db") == spans

    def test_a_long_queue_is_stored_bit_by_bit(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """What was stored stays where the disk is full again in the middle of it, and nothing comes twice."""
        monkeypatch.setattr(writer_module, "AT_ONCE", 100)
        recorder, add, room = Recorder(), Rollup.add, iter([True] * 3)

        def full_again(self: Rollup, stored: Sequence[Row], *, last_seq: int) -> None:
            if stored and not next(room, False):
                raise sqlite3.OperationalError("database or disk is full")
            add(self, stored, last_seq=last_seq)

        with closing(Writer.open(tmp_path / "line.db", clock=Clock(), connect=recorder)) as writer:
            recorder.read_only(True)
            runs = fill(writer, 450)
            with pytest.raises(StoreTrouble, match="450 records"):
                writer.flush_blocking()
            recorder.read_only(False)
            monkeypatch.setattr(Rollup, "add", full_again)
            with pytest.raises(StoreTrouble, match="150 records"):
                writer.flush_blocking()
            assert everything(tmp_path / "line.db") == runs[:300]
            assert writer.waiting == 150
            monkeypatch.setattr(Rollup, "add", add)
            writer.flush_blocking()
        assert everything(tmp_path / "line.db") == runs

    def test_closing_says_what_could_not_be_stored(self, tmp_path: Path) -> None:
        recorder = Recorder()
        writer = Writer.open(tmp_path / "line.db", clock=Clock(), connect=recorder)
        recorder.limit(1)
        fill(writer, 200)
        with pytest.raises(StoreTrouble, match="200 records"):
            writer.close()
        Writer.open(tmp_path / "line.db", clock=Clock()).close()

    @pytest.mark.namespace
    def test_a_disk_that_is_read_only_from_the_start(self, tmp_path: Path) -> None:
        """A file system that was mounted read-only, in a mount namespace of its own: it can still be read."""
        made = Writer.open(tmp_path / "line.db", clock=Clock())
        made.append(samples.run(0))
        made.close()
        script = f"""
import sys
sys.path.insert(0, {str(HOUSE)!r})
from pathlib import Path
from store import verify
from store.clock import Clock
from store.errors import DatabaseMistake
from store.reader import Reader
from store.rollup import Rollup
from store.rows import Row
from store.unfinished import Unfinished
from store.writer import Writer
path = Path({str(tmp_path)!r}) / "line.db"
try:
    Writer.open(path, clock=Clock())
except DatabaseMistake as mistake:
    print(mistake)
print(verify.database(path).verified)
"""
        mount = (
            f"mount --bind {tmp_path} {tmp_path} && mount -o remount,bind,ro {tmp_path} && "
            f'exec {sys.executable} -c "$0"'
        )
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", mount, script], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        said, verified = done.stdout.splitlines()
        assert said == f"{tmp_path / 'line.db'} cannot be opened: Read-only file system"
        assert verified == "True"

    def test_a_disk_that_becomes_read_only(self, tmp_path: Path) -> None:
        """As SQLite tells it (SQLITE_READONLY): records wait, and are stored when it is over."""
        recorder = Recorder()
        with closing(Writer.open(tmp_path / "line.db", clock=Clock(), connect=recorder)) as writer:
            recorder.read_only(True)
            kept = fill(writer, 3)
            with pytest.raises(StoreTrouble, match="cannot be written: attempt to write a readonly database"):
                writer.flush_blocking()
            recorder.read_only(False)
            writer.flush_blocking()
            assert writer.trouble is None
        assert everything(tmp_path / "line.db") == kept

    @pytest.mark.namespace
    def test_a_disk_that_is_really_full(self, tmp_path: Path) -> None:
        """A file system of 1 MB in a mount namespace of its own, filled and emptied again."""
        script = f"""
import sys
sys.path.insert(0, {str(HOUSE)!r})
from pathlib import Path
from store.clock import Clock
from store.errors import StoreTrouble
from store.reader import Reader
from store.rollup import Rollup
from store.rows import Row
from store.unfinished import Unfinished
from store.writer import Writer
from tests.store import samples
disk = Path({str(tmp_path)!r})
writer = Writer.open(disk / "line.db", clock=Clock())
writer.append(samples.run(0))
writer.flush_blocking()
ballast = open(disk / "ballast", "wb", buffering=0)
try:
    while ballast.write(bytes(4096)) == 4096:
        pass
except OSError as error:
    print(error.strerror)
for nth in range(1, 400):
    writer.append(samples.run(nth))
try:
    writer.flush_blocking()
except StoreTrouble as trouble:
    print(trouble)
ballast.truncate(0)
writer.flush_blocking()
print(writer.trouble)
print(Reader.open(disk / "line.db").rate_runs() == [samples.run(nth) for nth in range(400)])
writer.close()
"""
        mount = f'mount -t tmpfs -o size=1m tmpfs {tmp_path} && exec {sys.executable} -c "$0"'
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", mount, script], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        full, trouble, after, complete = done.stdout.splitlines()
        assert full == "No space left on device"
        assert "full" in trouble
        assert (after, complete) == ("None", "True")


CHILD = f"""
import sys
sys.path.insert(0, {str(HOUSE)!r})
from pathlib import Path
from store.clock import Clock
from store.rollup import Rollup
from store.rows import Row
from store.unfinished import Unfinished
from store.writer import Writer
from tests.store import samples
writer = Writer.open(Path(sys.argv[1]), clock=Clock())
for nth in range(int(sys.argv[2]), 10**9):
    writer.append(samples.span(nth))
    writer.append(samples.run(nth))
    if nth % 3 == 2:
        writer.flush_blocking()
        print(nth, flush=True)
"""


class TestKilled:
    def test_ten_times_in_the_middle_of_writing(self, tmp_path: Path) -> None:
        """SIGKILL at another moment each time: what was acknowledged is there, and the file is sound."""
        path = tmp_path / "line.db"
        acknowledged = -1
        for turn in range(10):
            with subprocess.Popen(
                [sys.executable, "-c", CHILD, path, str(acknowledged + 1)], stdout=subprocess.PIPE, text=True
            ) as child:
                assert child.stdout is not None
                for _ in range(1 + turn * 3):
                    acknowledged = int(child.stdout.readline())
                child.send_signal(signal.SIGKILL)
                # lines that were on their way when it died are acknowledgements too
                acknowledged = max([acknowledged, *map(int, child.stdout.read().split())])
            self._look(path, acknowledged)

    def _look(self, path: Path, acknowledged: int) -> None:
        with closing(Reader.open(path)) as reader:
            spans, runs = reader.train_spans(), reader.rate_runs()
        assert {span.started_unix_ns for span in spans} >= set(range(acknowledged + 1))
        assert {run.started_unix_ns for run in runs} >= set(range(acknowledged + 1))
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
