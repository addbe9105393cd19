"""The chain as the writer carries it on: through days, stops, a full disk, a lost key, and from before."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlite_utils import Database, Migrations

from store import chain, rows, schema, verify
from store.clock import Clock
from store.errors import DatabaseMistake, StoreTrouble
from store.reader import Reader
from store.records import Failed, Owner, Record
from store.writer import Writer
from tests.store import samples
from tests.store.sealed import DAY_NS, NOON_NS
from tests.store.test_writer import Recorder


class Days:
    """A clock that a test sets; it is noon of the first day."""

    def __init__(self) -> None:
        self.unix_ns = NOON_NS
        self.clock = Clock(unix_ns=lambda: self.unix_ns)


def stated(path: Path) -> list[dict[str, object]]:
    """What the heads of a database state, by number."""
    with closing(sqlite3.connect(path)) as connection:
        return [json.loads(head.statement) for _, head in chain.heads(connection)]


class TestHeads:
    def test_one_a_day_and_one_at_the_stop(self, tmp_path: Path) -> None:
        path, days = tmp_path / "line.db", Days()
        with closing(Writer.open(path, clock=days.clock)) as writer:
            for _ in range(3):
                for nth in range(4):
                    writer.append(samples.span(days.unix_ns + nth))
                    writer.flush_blocking()
                days.unix_ns += DAY_NS
                writer.mark_alive(days.unix_ns)  # signs, though nothing is to be stored yet
                writer.flush_blocking()
            writer.append(samples.stall(days.unix_ns))
        found = [(head["day"], head["complete"], head["seq"]) for head in stated(path)]
        assert found == [
            ("2026-05-28", True, 4),
            ("2026-05-29", True, 8),
            ("2026-05-30", True, 12),
            ("2026-05-31", False, 13),
        ]
        assert verify.database(path).findings == []

    def test_a_day_whose_stop_was_signed_gets_its_own_head(self, tmp_path: Path) -> None:
        path, days = tmp_path / "line.db", Days()
        for _ in range(2):
            with closing(Writer.open(path, clock=days.clock)) as writer:
                writer.append(samples.stall(days.unix_ns))
            days.unix_ns += DAY_NS
        found = [(head["day"], head["complete"], head["seq"]) for head in stated(path)]
        assert found == [("2026-05-28", False, 1), ("2026-05-28", True, 1), ("2026-05-29", False, 2)]

    def test_starting_and_stopping_without_a_record_signs_nothing_new(self, tmp_path: Path) -> None:
        path, days = tmp_path / "line.db", Days()
        for _ in range(3):
            with closing(Writer.open(path, clock=days.clock)) as writer:
                writer.mark_alive(days.unix_ns)
        assert stated(path) == []

    def test_a_clock_set_back_a_day_gives_the_day_a_second_head(self, tmp_path: Path) -> None:
        path, days = tmp_path / "line.db", Days()
        with closing(Writer.open(path, clock=days.clock)) as writer:
            for step_ns in (DAY_NS, -DAY_NS, DAY_NS):
                writer.append(samples.stall(days.unix_ns))
                writer.flush_blocking()
                days.unix_ns += step_ns
        assert [head["day"] for head in stated(path)] == ["2026-05-28", "2026-05-29", "2026-05-28"]
        assert verify.database(path).findings == []


class TestKilled:
    def test_what_was_under_way_is_on_record_as_failed(self, tmp_path: Path) -> None:
        """The first process is never closed: its thread ends with its connection, as in a kill."""
        path = tmp_path / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            ended = writer.begin("run rate", handoff="old", endpoint="north", started_unix_ns=5)
            writer.append(samples.run(5), ends=ended)
            writer.begin("run rate", handoff="old", endpoint="south", started_unix_ns=7)
            writer.flush_blocking()
        for _ in range(2):  # once, however often it starts
            with closing(Writer.open(path, clock=Clock())), closing(Reader.open(path)) as reader:
                assert reader.rate_runs() == [samples.run(5)]
                assert reader.troubles() == [
                    Failed(
                        what="run rate",
                        why="the probe ended during the run",
                        whose=Owner.HOUSE,
                        started_unix_ns=7,
                        handoff="old",
                        endpoint="south",
                    )
                ]
        assert verify.database(path).findings == []

    def test_a_run_is_stored_as_soon_as_it_ends(self, tmp_path: Path) -> None:
        """On a clock that stands still, what waits for 0.2 s to pass is never stored; a run's end is."""
        path = tmp_path / "line.db"
        stored: list[str] = []
        recorder = Recorder()
        clock = Clock(monotonic_ns=lambda: 0)
        with closing(Writer.open(path, clock=clock, connect=recorder)) as writer:
            assert recorder.connection is not None
            recorder.connection.set_trace_callback(lambda sql: stored.append(sql))
            number = writer.begin("run rate", handoff="old", endpoint="north", started_unix_ns=5)
            writer.append(samples.span(4))
            writer.append(samples.run(5), ends=number)
            writer.flush_blocking()
        assert stored.count("COMMIT") >= 2


class TestFullDisk:
    def test_nothing_is_chained_that_is_not_stored(self, tmp_path: Path) -> None:
        path, recorder = tmp_path / "line.db", Recorder()
        with closing(Writer.open(path, clock=Clock(), connect=recorder)) as writer:
            writer.append(samples.stall())
            writer.flush_blocking()
            recorder.limit(1)
            number = writer.begin("run rate", handoff="old", endpoint="north", started_unix_ns=5)
            for nth in range(200):
                writer.append(samples.run(nth), ends=number if nth == 5 else None)
            for _ in range(2):
                with pytest.raises(StoreTrouble, match="records wait"):
                    writer.flush_blocking()
                full = verify.database(path)
                assert full.findings == []
                assert full.checked_seq < 201
            recorder.limit(100_000)
            writer.flush_blocking()
            assert verify.database(path).findings == []
            assert verify.database(path).checked_seq == 201
        assert verify.database(path).signed_seq == 201

    def test_no_room_for_the_last_head_is_said_and_made_good(self, tmp_path: Path) -> None:
        path, recorder, days = tmp_path / "line.db", Recorder(), Days()
        writer = Writer.open(path, clock=days.clock, connect=recorder)
        writer.append(samples.stall())
        writer.flush_blocking()
        assert recorder.connection is not None
        recorder.connection.execute(
            "CREATE TRIGGER no_room BEFORE INSERT ON head BEGIN SELECT RAISE(ABORT, 'no'); END"
        )
        with pytest.raises(StoreTrouble, match="last head could not be signed"):
            writer.close()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("DROP TRIGGER no_room")
        days.unix_ns += DAY_NS
        Writer.open(path, clock=days.clock).close()
        assert [head["complete"] for head in stated(path)] == [True]


class TestKey:
    def test_a_lost_one_is_told_by_verifying(self, tmp_path: Path) -> None:
        """The probe measures on with a new key; who is given both, as they were noted, may trust both."""
        path = tmp_path / "line.db"
        keys = []
        for nth in range(2):
            with closing(Writer.open(path, clock=Clock())) as writer:
                writer.append(samples.stall(nth))
            keys.append(
                verify.database(path).fingerprints[-1] if nth == 0 else stated(path)[-1]["fingerprint"]
            )
            (tmp_path / "line.db.key").unlink()
        result = verify.database(path)
        assert "another key than the heads before it" in result.findings[0].why
        assert verify.database(path, trusted=frozenset(map(str, keys))).verified

    def test_an_end_that_is_gone_is_said(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        Writer.open(path, clock=Clock()).close()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("DELETE FROM chain_end")
            connection.commit()
        with pytest.raises(DatabaseMistake, match="linebook verify"):
            Writer.open(path, clock=Clock())


def before_the_seal(path: Path, records: list[Record]) -> None:
    """A database as the first version made it."""
    steps = Migrations("linebook")
    steps(name="m001_records")(schema.m001_records)
    with closing(sqlite3.connect(path)) as connection:
        steps.apply(Database(connection, execute_plugins=False))
        ids: dict[str, int] = {}
        for record in records:
            row = rows.row_of(record)
            values = {name: value for name, value in row.values.items() if value is not None}
            names = (row.handoff, row.endpoint)
            connection.execute(
                "INSERT INTO path (handoff, endpoint) VALUES (?, ?) ON CONFLICT DO NOTHING", names
            )
            sql = "SELECT id FROM path WHERE handoff = ? AND endpoint = ?"
            values["path"] = connection.execute(sql, names).fetchone()[0]
            ids[row.table] = ids.get(row.table, -1) + 1
            values["nth" if row.table == "train" else "id"] = ids[row.table]
            insert(connection, row.table, values)
            for side in row.sides:
                insert(connection, "rate_side", {"run": values["id"], **side})
        connection.commit()


def insert(connection: sqlite3.Connection, table: str, values: dict[str, object]) -> None:
    marks = ", ".join("?" * len(values))
    connection.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values()))


class TestFromBeforeTheSeal:
    def test_old_records_are_chained_and_the_first_head_says_since_when(self, tmp_path: Path) -> None:
        path, days = tmp_path / "line.db", Days()
        old: list[Record] = [
            *(samples.span(nth, endpoint="south") for nth in (30, 10, 20)),
            replace(samples.span(10), reasons=("late_schedule",)),
            *(samples.run(nth) for nth in (25, 5)),
            samples.stall(11),
            samples.failed(3),
            samples.skipped(4),
        ]
        before_the_seal(path, old)
        content = path.read_bytes()
        with closing(Writer.open(path, clock=days.clock)) as writer:
            writer.append(samples.stall(90))
        with closing(Reader.open(path)) as reader:
            found: list[Record] = [
                *reader.rate_runs(),
                *reader.train_spans(),
                *reader.stalls(),
                *reader.troubles(),
            ]
        assert sorted(map(repr, found)) == sorted(map(repr, [*old, samples.stall(90)]))
        first, *_, last = stated(path)
        assert (first["seq"], first["before_seal"], first["complete"]) == (9, 9, False)
        assert (last["seq"], last["before_seal"]) == (10, 9)
        result = verify.database(path)
        assert (result.findings, result.before_seal, result.checked_seq) == ([], 9, 10)
        with closing(sqlite3.connect(path)) as connection:
            starts = [each.row.values["started_unix_ns"] for each in chain.links(connection)]
        assert starts == [*sorted(starts[:9]), 90]
        copy = tmp_path / "line.db.before-m002_seal"
        with (
            closing(sqlite3.connect(copy)) as connection,
            closing(sqlite3.connect(tmp_path / "old.db")) as other,
        ):
            (tmp_path / "old.db").write_bytes(content)
            assert list(connection.iterdump()) == list(other.iterdump())

    def test_the_kinds_of_then_are_all_there_is_to_chain(self, tmp_path: Path) -> None:
        """An empty one too."""
        before_the_seal(tmp_path / "line.db", [])
        Writer.open(tmp_path / "line.db", clock=Clock()).close()
        result = verify.database(tmp_path / "line.db")
        assert (result.verified, result.heads, result.before_seal) == (True, 0, 0)
