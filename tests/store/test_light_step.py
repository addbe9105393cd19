"""The step that lets a run say what it asked for at most: older records keep their digests and verify."""

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
from store.records import RateRun
from store.rows import Row, row_of
from store.seal import Key, canonical
from store.writer import Writer
from tests.store import samples
from tests.store.sealed import DAY_NS, NOON_NS, tampering

LIGHT = replace(samples.run(70), at_most_up_goodput_bps=1_500_000, reasons=("light", "short"))
NEW = ("at_most_up_goodput_bps", "at_most_down_goodput_bps")


def of_before(run: RateRun) -> Row:
    """The row of a run as the version before made it."""
    row = row_of(run)
    return replace(row, values={name: value for name, value in row.values.items() if name not in NEW})


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A sealed database of the version before: two days of runs, each with its signed head."""
    path, before = tmp_path / "line.db", Migrations("linebook")
    with closing(sqlite3.connect(":memory:")) as nothing:
        steps = schema.STEPS.pending(Database(nothing, execute_plugins=False))
    for step in steps[: [step.name for step in steps].index("m007_light_runs")]:
        before(name=step.name)(step.fn)
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path, steps=before)
        connection.isolation_level = None
        written = chain.Chain(connection, path, key=Key.beside(path))
        with written.transaction():
            written.begin(NOON_NS)
        for nth in range(3):
            with written.transaction():
                written.add(
                    [of_before(samples.run(10 * nth + one)) for one in range(3)], NOON_NS + nth * DAY_NS
                )
        with written.transaction():
            written.sign(NOON_NS + 2 * DAY_NS + 1, complete=False)
    return path


def sealed(path: Path) -> tuple[list[tuple[int, bytes, bytes]], list[tuple[str, bytes]]]:
    """(number, link, canonical JSON) of every record, and the signed heads."""
    with closing(sqlite3.connect(path)) as connection:
        links = [(one.seq, one.link, canonical(one.row, one.seq)) for one in chain.links(connection)]
        return links, connection.execute("SELECT statement, signature FROM head ORDER BY number").fetchall()


def test_an_older_record_verifies_with_the_digests_it_had(old: Path) -> None:
    """Octet by octet: what is NULL is no part of the canonical JSON, so a new column changes nothing."""
    records, heads = sealed(old)
    with closing(Writer.open(old, clock=Clock())) as writer:
        writer.append(LIGHT)
        writer.append(samples.run(80))
    after, later_heads = sealed(old)
    assert after[: len(records)] == records
    assert later_heads[: len(heads)] == heads
    result = verify.database(old)
    assert (result.findings, result.checked_seq) == ([], len(records) + 2)
    with closing(Reader.open(old)) as reader:
        assert [run.light for run in reader.rate_runs()] == [*[False] * len(records), True, False]
        assert LIGHT in reader.rate_runs()


def test_a_full_run_is_sealed_as_it_always_was() -> None:
    """And a light one with what it asked for."""
    full = samples.run(5)
    assert canonical(row_of(full), 7) == canonical(of_before(full), 7)
    assert b'"at_most_up_goodput_bps":1500000' in canonical(row_of(LIGHT), 7)
    assert b"at_most_down" not in canonical(row_of(LIGHT), 7)


@pytest.mark.parametrize("change", ["NULL", "15000000"])
def test_what_was_asked_is_under_the_seal(old: Path, change: str) -> None:
    """A light run cannot be made a full one, or one that asked for more."""
    with closing(Writer.open(old, clock=Clock())) as writer:
        writer.append(LIGHT)
    with tampering(old) as connection:
        connection.execute(f"UPDATE rate_run SET at_most_up_goodput_bps = {change} WHERE seq = 10")
    (finding, *_) = verify.database(old).findings
    assert (finding.what, finding.seq) == ("changed", 10)
