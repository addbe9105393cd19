"""Records by time and path, and a reader that never blocks an event loop."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from store.clock import Clock
from store.errors import DatabaseMistake
from store.histogram import Histogram
from store.reader import Reader, ReaderThread
from store.records import Failed, Gap, Opener, OpenKind, Owner, WindowClosed, WindowOpened
from store.writer import Writer
from tests.store import samples

PATHS = [("old", "north"), ("old", "south"), ("A", "north")]


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    with closing(Writer.open(tmp_path / "line.db", clock=Clock())) as writer:
        yield writer


@pytest.fixture
def reader(tmp_path: Path, writer: Writer) -> Iterator[Reader]:
    """Over three paths, a run, a span and a stall each at 0, 10, 20 and 30."""
    for started in (20, 0, 30, 10):
        for handoff, endpoint in PATHS:
            writer.append(samples.run(started, handoff=handoff, endpoint=endpoint))
            writer.append(samples.span(started, handoff=handoff, endpoint=endpoint))
            writer.append(samples.stall(started, handoff=handoff, endpoint=endpoint))
    writer.flush_blocking()
    with closing(Reader.open(tmp_path / "line.db")) as reader:
        yield reader


@pytest.mark.parametrize("method", ["rate_runs", "train_spans", "stalls"])
class TestAsking:
    def test_comes_oldest_first(self, reader: Reader, method: str) -> None:
        found = [record.started_unix_ns for record in getattr(reader, method)()]
        assert found == sorted(found)
        assert len(found) == 12

    def test_since_is_included_and_until_is_not(self, reader: Reader, method: str) -> None:
        found = getattr(reader, method)(handoff="A", since_ns=10, until_ns=30)
        assert [record.started_unix_ns for record in found] == [10, 20]

    def test_by_handoff_and_endpoint(self, reader: Reader, method: str) -> None:
        assert {(each.handoff, each.endpoint) for each in getattr(reader, method)(handoff="old")} == {
            ("old", "north"),
            ("old", "south"),
        }
        assert {each.endpoint for each in getattr(reader, method)(endpoint="south")} == {"south"}
        assert getattr(reader, method)(handoff="A", endpoint="south") == []

    def test_a_limit_keeps_the_newest(self, reader: Reader, method: str) -> None:
        found = getattr(reader, method)(limit=4)
        assert [record.started_unix_ns for record in found] == [20, 30, 30, 30]
        assert getattr(reader, method)(limit=0) == []


class TestLight:
    def test_runs_without_bins(self, reader: Reader) -> None:
        full, light = reader.rate_runs(limit=1)[0].up, reader.rate_runs(limit=1, bins=False)[0].up
        assert full is not None
        assert light is not None
        assert (len(full.bins), light.bins) == (20, ())
        assert light.rates == full.rates

    def test_spans_without_histograms(self, reader: Reader) -> None:
        (light,) = reader.train_spans(limit=1, histograms=False)
        assert (light.rtt, light.pdv_up, light.pdv_down) == (Histogram(), Histogram(), Histogram())
        assert light.sent == samples.span().sent


class TestTroubles:
    def test_kinds_are_merged_by_time(self, reader: Reader, writer: Writer) -> None:
        gap = Gap(started_unix_ns=15, ended_unix_ns=40, why="the probe was not running")
        failed, skipped = samples.failed(20), samples.skipped(10)
        for record in (failed, gap, skipped):
            writer.append(record)
        writer.flush_blocking()
        assert reader.troubles() == [skipped, gap, failed]
        assert reader.troubles(limit=2) == [gap, failed]

    def test_a_gap_that_reaches_into_the_time_comes_too(self, reader: Reader, writer: Writer) -> None:
        gap = Gap(started_unix_ns=15, ended_unix_ns=40, why="the probe was not running")
        writer.append(gap)
        writer.append(samples.failed(20))
        writer.flush_blocking()
        assert reader.troubles(since_ns=30, until_ns=35) == [gap]
        assert reader.troubles(since_ns=41) == []

    def test_what_concerns_all_comes_with_each_handoff(self, reader: Reader, writer: Writer) -> None:
        everywhere = Gap(started_unix_ns=15, ended_unix_ns=40, why="the probe was not running")
        elsewhere = Failed(
            what="run rate", why="no answer", whose=Owner.ENDPOINT, handoff="B", endpoint="north"
        )
        writer.append(everywhere)
        writer.append(elsewhere)
        writer.flush_blocking()
        assert reader.troubles(handoff="A") == [everywhere]
        assert reader.troubles(handoff="B") == [elsewhere, everywhere]


class TestSums:
    def test_paths_and_newest(self, reader: Reader, writer: Writer) -> None:
        writer.append(Gap(started_unix_ns=35, ended_unix_ns=40, why="the probe was not running"))
        writer.flush_blocking()
        assert reader.paths() == PATHS
        assert reader.newest_ns() == 35

    def test_spent_bytes(self, reader: Reader) -> None:
        """Runs as recorded; packets of trains both ways, 112 bytes and 28 of headers each (arithmetic)."""
        span = samples.span()
        one_span = (span.sent + span.received) * (112 + 28)
        assert reader.spent_bytes("A", 0) == 4 * (4_225_000 + one_span)
        assert reader.spent_bytes("old", 20) == 2 * 2 * (4_225_000 + one_span)
        assert reader.spent_bytes("B", 0) == 0


def test_it_cannot_write(reader: Reader) -> None:
    """Not even with SQL of one's own."""
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("INSERT INTO alive (id, unix_ns) VALUES (1, 1)")


class TestAnotherAccount:
    """What happens to files is SQLite's doing; a reader who may write the folder is kept from it."""

    def test_may_read_while_the_probe_runs(self, reader: Reader, tmp_path: Path, other: None) -> None:
        with closing(Reader.open(tmp_path / "line.db")) as second:
            assert len(second.stalls()) == 12

    def test_is_told_to_start_the_probe_first(self, tmp_path: Path, other: None) -> None:
        Writer.open(tmp_path / "line.db", clock=Clock()).close()
        before = sorted(tmp_path.iterdir())
        with pytest.raises(DatabaseMistake, match="keep the probe from starting"):
            Reader.open(tmp_path / "line.db")
        assert sorted(tmp_path.iterdir()) == before

    def test_may_read_a_copy_at_any_time(self, tmp_path: Path, other: None) -> None:
        with closing(Writer.open(tmp_path / "line.db", clock=Clock())):
            with closing(Reader.open(tmp_path / "line.db")) as reader:
                reader.copy_to(tmp_path / "copy.db")
        with closing(Reader.open(tmp_path / "copy.db")) as reader:
            assert reader.stalls() == []

    def test_a_place_out_of_reach(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("a file, where a folder should be")
        with pytest.raises(DatabaseMistake, match="cannot be reached"):
            Reader.open(tmp_path / "file" / "line.db")

    @pytest.fixture
    def other(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """This process as the operating system would describe it to itself under another account."""
        monkeypatch.setattr("os.geteuid", lambda: os.getuid() + 1)


class TestThread:
    @pytest.mark.asyncio
    async def test_it_reads_in_a_thread_of_its_own(self, tmp_path: Path, reader: Reader) -> None:
        """Always the same one, and never the loop's."""
        thread = ReaderThread(tmp_path / "line.db")
        names = {await thread.read(lambda _: threading.current_thread().name) for _ in range(5)}
        assert len(names) == 1
        assert threading.current_thread().name not in names
        assert len(await thread.read(lambda reader: reader.stalls())) == 12
        await thread.close()

    @pytest.mark.asyncio
    async def test_it_sees_what_was_written_since(
        self, tmp_path: Path, reader: Reader, writer: Writer
    ) -> None:
        thread = ReaderThread(tmp_path / "line.db")
        before = await thread.read(lambda reader: reader.newest_ns())
        writer.append(samples.stall(99))
        await writer.flush()
        assert (before, await thread.read(lambda reader: reader.newest_ns())) == (30, 99)
        await thread.close()

    @pytest.mark.asyncio
    async def test_it_opens_when_the_file_comes(self, tmp_path: Path) -> None:
        """A dashboard that was started first says what is missing, and needs no restart."""
        path = tmp_path / "line.db"
        thread = ReaderThread(path)
        with pytest.raises(DatabaseMistake, match="not there"):
            await thread.read(lambda reader: reader.paths())
        writer = await asyncio.to_thread(Writer.open, path, clock=Clock())
        assert await thread.read(lambda reader: reader.paths()) == []
        await asyncio.to_thread(writer.close)
        await thread.close()

    @pytest.mark.asyncio
    async def test_after_an_error_it_opens_again(self, tmp_path: Path, reader: Reader) -> None:
        thread = ReaderThread(tmp_path / "line.db")

        def broken(reader: Reader) -> None:
            reader._connection.execute("SELECT nothing")

        with pytest.raises(DatabaseMistake, match="cannot be read"):
            await thread.read(broken)
        assert await thread.read(lambda reader: reader.paths()) == PATHS
        await thread.close()


def test_a_window_is_open_until_its_own_end_is_on_record(tmp_path: Path, writer: Writer) -> None:
    """One closes by name, handoff and start: the same name elsewhere, or opened again, is another window."""

    def show(started_unix_ns: int, handoff: str) -> WindowOpened:
        return WindowOpened(
            started_unix_ns=started_unix_ns,
            name="show",
            window=OpenKind.SHOW,
            opener=Opener.PERSON,
            why="on air",
            handoff=handoff,
        )

    first, elsewhere, again = show(5, "A"), show(5, "B"), show(9, "A")
    closed = WindowClosed(
        started_unix_ns=7,
        opened_unix_ns=5,
        name="show",
        window=OpenKind.SHOW,
        opener=Opener.PERSON,
        why="done",
        handoff="A",
    )
    for record in (first, elsewhere, closed, again):
        writer.append(record)
    writer.flush_blocking()
    with closing(Reader.open(tmp_path / "line.db")) as reader:
        assert reader.open_windows() == [elsewhere, again]
        assert reader.windows() == [first, elsewhere, closed, again]
        assert reader.windows(since_ns=6, until_ns=9) == [closed]
