"""The step that lets a train's minute say what else was true: older minutes keep their digests and verify."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from sqlite_utils import Database, Migrations

from store import chain, schema, verify
from store.clock import Clock
from store.reader import Reader
from store.rows import Row, row_of
from store.seal import Key, canonical
from store.writer import Writer
from tests.store import samples
from tests.store.sealed import DAY_NS, NOON_NS, tampering

MINUTE_NS = 60 * 10**9
AROUND = replace(samples.span(NOON_NS + 9 * DAY_NS), circumstances=samples.AROUND)


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A sealed database of the version before: two days of a train's minutes."""
    path, before = tmp_path / "line.db", Migrations("linebook")
    with closing(sqlite3.connect(":memory:")) as nothing:
        steps = schema.STEPS.pending(Database(nothing, execute_plugins=False))
    for step in steps[: [step.name for step in steps].index("m008_train_around")]:
        before(name=step.name)(step.fn)
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path, steps=before)
        connection.isolation_level = None
        written = chain.Chain(connection, path, key=Key.beside(path))
        with written.transaction():
            written.begin(NOON_NS)
        for day in range(2):
            rows = [row_of(samples.span(NOON_NS + day * DAY_NS + nth * MINUTE_NS)) for nth in range(3)]
            with written.transaction():
                written.add(rows, NOON_NS + day * DAY_NS)
        with written.transaction():
            written.sign(NOON_NS + DAY_NS + 1, complete=False)
    return path


def sealed(path: Path) -> list[tuple[int, bytes, bytes]]:
    """(number, link, canonical JSON) of every record."""
    with closing(sqlite3.connect(path)) as connection:
        return [(one.seq, one.link, canonical(one.row, one.seq)) for one in chain.links(connection)]


def test_an_older_minute_verifies_with_the_digest_it_had(old: Path) -> None:
    """Octet by octet, and it says that nothing is known."""
    records = sealed(old)
    with closing(Writer.open(old, clock=Clock())) as writer:
        writer.append(AROUND)
    assert sealed(old)[: len(records)] == records
    result = verify.database(old)
    assert (result.findings, result.checked_seq) == ([], len(records) + 1)
    with closing(Reader.open(old)) as reader:
        *rest, newest = reader.train_spans()
        assert newest == AROUND
        assert [span.circumstances for span in rest] == [None] * len(records)
        assert reader.train_spans(histograms=False)[-1].circumstances == samples.AROUND


def test_minutes_that_are_alike_share_one_text(tmp_path: Path) -> None:
    path = tmp_path / "line.db"
    with closing(Writer.open(path, clock=Clock())) as writer:
        for nth in range(5):
            writer.append(replace(AROUND, started_unix_ns=NOON_NS + nth * MINUTE_NS))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM train_around").fetchone() == (1,)


def test_what_is_not_known_is_no_part_of_the_seal() -> None:
    row: Row = row_of(samples.span(5))
    assert b"circumstances" not in canonical(row, 7)
    assert rb"\"interface\":\"enp5s0\"" in canonical(row_of(AROUND), 7)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE train_around SET circumstances = replace(circumstances, 'enp5s0', 'enp6s0')",
        "UPDATE train SET around = NULL",
        "DELETE FROM train_around",
    ],
)
def test_it_is_under_the_seal(old: Path, change: str) -> None:
    """Nobody can say afterwards that the minute came by another way."""
    with closing(Writer.open(old, clock=Clock())) as writer:
        writer.append(AROUND)
    with tampering(old) as connection:
        connection.execute(change)
    (finding, *_) = verify.database(old).findings
    assert (finding.what, finding.seq) == ("changed", 7)
