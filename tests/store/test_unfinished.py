"""What a train has of a span that is not over outlives its process, once, and never beside the span."""

from __future__ import annotations

import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import verify
from store.clock import Clock
from store.reader import Reader
from store.records import TrainSpan
from store.rows import row_of
from store.unfinished import Left, Unfinished
from store.writer import Writer
from tests import strategies
from tests.store import samples

FILE = "line.db.unfinished"


def spans(path: Path) -> list[TrainSpan]:
    with closing(Reader.open(path)) as reader:
        return reader.train_spans()


def killed(path: Path, to: Path) -> Path:
    """The files of a database as a kill at this moment would leave them, in another folder."""
    to.mkdir()
    for file in path.parent.glob("line.db*"):
        shutil.copy(file, to / file.name)
    return to / "line.db"


class TestFile:
    @given(span=strategies.train_spans)
    def test_gives_back_what_it_was_given(
        self, tmp_path_factory: pytest.TempPathFactory, span: TrainSpan
    ) -> None:
        database = tmp_path_factory.mktemp("unfinished") / "line.db"
        file = Unfinished(database)
        file.keep(replace(span, sent=span.sent + 1))
        file.keep(span)
        file.write()
        (found,) = Unfinished(database).left().spans
        assert row_of(found) == row_of(span)

    def test_is_gone_once_the_span_is_stored(self, tmp_path: Path) -> None:
        file = Unfinished(tmp_path / "line.db")
        file.keep(samples.span(5))
        file.keep(samples.span(65))
        file.keep(samples.span(5, endpoint="south"))
        file.write()
        file.stored(row_of(samples.span(5)))
        file.write()
        assert Unfinished(tmp_path / "line.db").left().spans == [
            samples.span(65),
            samples.span(5, endpoint="south"),
        ]
        for span in (samples.span(65), samples.span(5, endpoint="south")):
            file.stored(row_of(span))
        file.write()
        assert list(tmp_path.iterdir()) == []

    @given(octets=st.binary(max_size=80), at=st.integers(0, 400))
    def test_that_is_not_whole_is_none(
        self, tmp_path_factory: pytest.TempPathFactory, octets: bytes, at: int
    ) -> None:
        database = tmp_path_factory.mktemp("torn") / "line.db"
        file = Unfinished(database)
        file.keep(samples.span(5))
        file.write()
        torn = database.with_name(FILE)
        whole = torn.read_bytes()
        torn.write_bytes(whole[:at] + octets)
        assert torn.read_bytes() == whole or Unfinished(database).left() == Left()


class TestAfterAKill:
    def test_it_is_stored_as_a_shorter_span_and_the_gap_starts_where_it_ends(self, tmp_path: Path) -> None:
        path, span = tmp_path / "line.db", replace(samples.span(10**9), seconds=7.25)
        with closing(Writer.open(path, clock=Clock())) as writer:
            writer.mark_alive(2 * 10**9)
            writer.append(samples.span(0))
            writer.so_far(replace(span, seconds=6.0))
            writer.so_far(span)
            writer.flush_blocking()
            left = killed(path, tmp_path / "left")
        for _ in range(2):  # once, however often it starts
            with closing(Writer.open(left, clock=Clock())) as writer:
                assert writer.last_alive_unix_ns in (8_250_000_000, 2 * 10**9)
                writer.flush_blocking()
            assert spans(left) == [samples.span(0), span]
        assert verify.database(left).findings == []

    def test_what_the_database_holds_is_not_stored_again(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            writer.append(samples.span(5))
        file = Unfinished(path)
        file.keep(replace(samples.span(5), seconds=3.0))
        file.write()
        Writer.open(path, clock=Clock()).close()
        assert spans(path) == [samples.span(5)]

    def test_a_clean_stop_leaves_none(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            writer.so_far(samples.span(5))
            writer.flush_blocking()
            assert (tmp_path / FILE).exists()
            writer.append(samples.span(5))
        assert not (tmp_path / FILE).exists()
