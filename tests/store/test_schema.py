"""Whose a database is, how it comes to this version, and that its records are only ever added to."""

from __future__ import annotations

import itertools
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest
from sqlite_utils import Database, Migrations

from store import schema
from store.clock import Clock
from store.errors import DatabaseMistake
from store.reader import Reader
from store.rows import insertions, known_text, row_of
from store.writer import Writer
from tests.store import samples

with closing(sqlite3.connect(":memory:")) as nothing:
    STEPS = schema.STEPS.pending(Database(nothing, execute_plugins=False))
NEVER_CHANGED = (
    *("path", "rate_run", "rate_side", "train", "train_setting", "stall", "trouble"),
    *("campaign", "correction", "thinned", "opening", "document", "head", "seal_key"),
)
YEAR_ROWS = 3 * 2 * 365 * 24 * 60  # three handoffs, two trains each, a record a minute


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A database that holds one record of every kind, closed again."""
    path = tmp_path / "line.db"
    writer = Writer.open(path, clock=Clock())
    for record in (*samples.EVERY_KIND, samples.thinned()):
        writer.append(record)
    writer.close()
    return path


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path)) as connection:
        yield connection


def _record_tables(connection: sqlite3.Connection) -> list[str]:
    """Those with a place in the chain, and what their rows refer to."""
    sql = (
        "SELECT name FROM sqlite_master AS one WHERE type = 'table' AND (name IN "
        "('path', 'train_setting', 'rate_side') OR 'link' IN (SELECT name FROM pragma_table_info(one.name)))"
    )
    return [name for (name,) in connection.execute(sql)]


class TestTables:
    def test_are_strict_and_written_ahead(self, connection: sqlite3.Connection) -> None:
        """SQLite's own list of tables says which are strict."""
        strict = connection.execute("SELECT name, strict FROM pragma_table_list WHERE type = 'table'")
        assert {name for name, is_strict in strict if not is_strict and "sqlite" not in name} == set()
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)

    def test_every_kind_of_record_lies_in_one(self, connection: sqlite3.Connection) -> None:
        tables = _record_tables(connection)
        assert {"path", "rate_run", "rate_side", "train", "stall", "trouble", "correction"} <= set(tables)
        counts = {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables
        }
        assert min(counts.values()) >= 1

    @pytest.mark.parametrize("table", NEVER_CHANGED)
    @pytest.mark.parametrize("change", ["DELETE FROM {table}", "UPDATE {table} SET {column} = {column}"])
    def test_refuse_every_change(self, connection: sqlite3.Connection, table: str, change: str) -> None:
        column = connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            connection.execute(change.format(table=table, column=column))

    def test_hold_a_year_of_six_trains_in_a_gigabyte(self, tmp_path: Path) -> None:
        """Ours: 1200 delays a minute on one cable line and two fibres, each to two endpoints.

        Beside the rows stand the circumstances, once each: on every handoff 6 steps of load, 12 of other
        traffic each way and 5 of the clock's bound, as `probe.circumstances.rounded` leaves them, if all of
        them come.
        """
        chance = random.Random(1)
        kinds = {"old": samples.cable_delays, "A": samples.fibre_delays, "B": samples.fibre_delays}
        spans = [
            samples.span(handoff=handoff, endpoint=endpoint, delays_us=kinds[handoff](chance, 1200))
            for handoff, endpoint in product(kinds, ("north", "south"))
            for _ in range(10)
        ]
        path = tmp_path / "minutes.db"
        with closing(sqlite3.connect(path)) as connection:
            schema.prepare(connection, path)
            before = _file_bytes(connection)
            seqs = itertools.count(4_000_000)  # a number of four octets, as after the first year
            for minute in range(300):
                started_ns = minute * samples.MINUTE_NS + chance.randrange(10**9)
                for span in spans[minute % 10 :: 10]:
                    row = row_of(replace(span, started_unix_ns=started_ns, circumstances=samples.AROUND))
                    for sql, values in insertions(row, seq=next(seqs), link=chance.randbytes(4)):
                        connection.execute(sql, values)
            connection.commit()
            row_bytes = (_file_bytes(connection) - before) / (300 * 6)
            before = _file_bytes(connection)
            for nth in range(1000):
                text = known_text(replace(samples.AROUND, other_up_bps=nth))
                connection.execute("INSERT INTO train_around (circumstances) VALUES (?)", (text,))
            connection.commit()
            around_bytes = (_file_bytes(connection) - before) / 1000
        kinds_of_minute = 3 * 6 * 12 * 12 * 5
        assert row_bytes * YEAR_ROWS + around_bytes * kinds_of_minute < 1.0e9, f"{row_bytes:.0f} bytes a row"


class TestVersions:
    def test_a_new_file_becomes_ours(self, tmp_path: Path) -> None:
        path = tmp_path / "new.db"
        Writer.open(path, clock=Clock()).close()
        header = path.read_bytes()[:100]
        # SQLite file format, section 1.3: user version at offset 60, application id at offset 68
        assert int.from_bytes(header[60:64], "big") == len(STEPS)
        assert int.from_bytes(header[68:72], "big") == schema.APPLICATION_ID

    def test_a_newer_one_is_refused_and_left_alone(self, path: Path) -> None:
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA user_version = 9999")
        before = path.read_bytes()
        for open_it in (lambda: Writer.open(path, clock=Clock()), lambda: Reader.open(path)):
            with pytest.raises(DatabaseMistake, match="newer Linebook"):
                open_it()
        assert path.read_bytes() == before

    def test_an_older_one_takes_the_steps_it_lacks_and_leaves_a_copy(self, path: Path) -> None:
        """The copy beside it is a whole database of the old version; the records are in both."""
        steps = _with_one_more_step()
        with closing(sqlite3.connect(path)) as connection:
            with pytest.raises(DatabaseMistake, match="older Linebook"):
                schema.check_readable(connection, path, steps=steps)
            schema.prepare(connection, path, steps=steps)
            schema.check_readable(connection, path, steps=steps)
            assert connection.execute("SELECT count(*) FROM notes").fetchone() == (0,)
            assert connection.execute("SELECT count(*) FROM train").fetchone()[0] > 0
        copy = path.with_name("line.db.before-notes")
        with closing(Reader.open(copy)) as reader:
            assert reader.train_spans() != []

    def test_a_step_that_fails_leaves_the_old_version(self, path: Path) -> None:
        steps = _with_one_more_step(failing=True)
        with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.OperationalError):
            schema.prepare(connection, path, steps=steps)
        with closing(Reader.open(path)) as reader:
            assert reader.train_spans() != []

    def test_opening_again_changes_nothing(self, path: Path) -> None:
        before = path.read_bytes()
        Writer.open(path, clock=Clock()).close()
        assert path.read_bytes() == before
        assert list(path.parent.glob("*before*")) == []


class TestForeignFiles:
    @pytest.mark.parametrize("content", [b"a text, not a database" * 400, b"SQLite format 4\0" + b"x" * 1000])
    def test_no_database(self, tmp_path: Path, content: bytes) -> None:
        path = tmp_path / "letter.db"
        path.write_bytes(content)
        for open_it in (lambda: Writer.open(path, clock=Clock()), lambda: Reader.open(path)):
            with pytest.raises(DatabaseMistake, match=r"letter\.db is no database"):
                open_it()
        assert path.read_bytes() == content

    def test_somebody_elses_database(self, tmp_path: Path) -> None:
        path = tmp_path / "other.db"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("CREATE TABLE recipes (name TEXT)")
        before = path.read_bytes()
        for open_it in (lambda: Writer.open(path, clock=Clock()), lambda: Reader.open(path)):
            with pytest.raises(DatabaseMistake, match="not a database of Linebook's"):
                open_it()
        assert path.read_bytes() == before

    def test_a_folder(self, tmp_path: Path) -> None:
        for open_it in (lambda: Writer.open(tmp_path, clock=Clock()), lambda: Reader.open(tmp_path)):
            with pytest.raises(DatabaseMistake, match="cannot be opened"):
                open_it()

    def test_nothing_there(self, tmp_path: Path) -> None:
        with pytest.raises(DatabaseMistake, match="not there"):
            Reader.open(tmp_path / "line.db")
        with pytest.raises(DatabaseMistake, match="cannot be opened: No such file"):
            Writer.open(tmp_path / "nowhere" / "line.db", clock=Clock())

    def test_an_empty_file(self, tmp_path: Path) -> None:
        """It may become ours, but there is nothing to read yet."""
        path = tmp_path / "line.db"
        path.touch()
        with pytest.raises(DatabaseMistake, match="is empty"):
            Reader.open(path)
        Writer.open(path, clock=Clock()).close()
        Reader.open(path).close()


def _file_bytes(connection: sqlite3.Connection) -> int:
    pages, size = (connection.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "page_size"))
    return int(pages * size)


def _with_one_more_step(*, failing: bool = False) -> Migrations:
    """The steps there are, and one more as a later version might have it."""
    steps = Migrations("linebook")
    for step in STEPS:
        steps(name=step.name)(step.fn)

    @steps(name="notes")
    def notes(db: Database) -> None:
        db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
        db.execute("CREATE TABLE notes (text TEXT) STRICT")
        if failing:
            db.execute("CREATE TABLE notes (text TEXT) STRICT")

    return steps
