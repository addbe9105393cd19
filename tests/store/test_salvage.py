"""A database with a damaged page: the damage is found and named, and what is intact comes out of it.

The damage is known, since it is put there: random octets over a page of the file, each page in turn by a
seed. What SQLite itself finds (`PRAGMA integrity_check`, which reads every page that is in use) is the
other route.
"""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

import linebook
from commands.answering import EXIT_FAILED
from store import salvage, verify
from store.clock import Clock
from store.errors import DatabaseMistake
from store.reader import Reader
from store.records import Record
from store.writer import Writer
from tests.lacking import lacking
from tests.store import samples, sealed

PAGE_BYTES = 4096

SITE = """
name = "Damaged"
timezone = "UTC"
database = "{database}"
[[handoff]]
name = "old"
[[endpoint]]
name = "north"
invitation = "linebook://192.0.2.1:9/?v=1&key={key}&pin={key}"
""".replace("{key}", "A" * 43)


def records() -> Iterator[Record]:
    for nth in range(240):
        yield replace(samples.span(nth * samples.MINUTE_NS), handoff=("old", "A")[nth % 2])
        if nth % 10 == 0:
            yield samples.run(nth * samples.MINUTE_NS)
            yield samples.stall(nth * samples.MINUTE_NS)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = sealed.make(tmp_path_factory.mktemp("sound") / "line.db", [list(records())])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def numbers(path: Path) -> set[int]:
    """The numbers of all records that can be read, and their links, by SQL alone."""
    with closing(sqlite3.connect(path)) as connection:
        tables = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table'"
            ).fetchall()
            if {"seq", "link"} <= {row[1] for row in connection.execute(f"PRAGMA table_info({name})")}
        ]
        return {seq for table in tables for (seq,) in connection.execute(f"SELECT seq FROM {table}")}


def pages_of_the_list(path: Path) -> Iterator[int]:
    """The pages that hold the list of tables, by SQLite's own words about their cells."""
    with closing(sqlite3.connect(path)) as connection:
        try:
            yield from (
                page
                for (page,) in connection.execute("SELECT pageno FROM dbstat WHERE name LIKE 'sqlite_%ma%'")
            )
        except sqlite3.OperationalError:
            lacking("this SQLite does not tell which page is whose")


def pages(path: Path) -> int:
    return path.stat().st_size // PAGE_BYTES


def damage(sound: Path, folder: Path, page: int, chance: random.Random) -> Path:
    path = folder / f"page{page}.db"
    shutil.copy(sound, path)
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE_BYTES)
        file.write(chance.randbytes(PAGE_BYTES))
    return path


@pytest.mark.parametrize("seed", range(2))
def test_a_page_anywhere_is_found_and_the_rest_is_saved(sound: Path, tmp_path: Path, seed: int) -> None:
    """No more than what one page held is missing, and what is left is what was written."""
    chance = random.Random(seed)
    all_of_it, tables = numbers(sound), set(pages_of_the_list(sound))
    for page in chance.sample(range(2, pages(sound) + 1), 6):
        path = damage(sound, tmp_path, page, chance)
        with closing(sqlite3.connect(path)) as connection:
            try:
                in_use = connection.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok"
            except sqlite3.DatabaseError:
                in_use = True
        if page in tables:
            with pytest.raises(DatabaseMistake, match="is damaged"):
                verify.database(path)
            continue
        assert verify.database(path).verified is not in_use, page
        copy = tmp_path / f"copy{page}.db"
        told = salvage.salvage(path, copy)
        left = numbers(copy)
        assert left <= all_of_it
        after = verify.database(copy)
        if left != all_of_it:
            assert told.damaged
            assert not after.verified
            if "path" not in told.damaged:  # else every record is of another path, and the first is changed
                assert after.findings[0].seq == min(all_of_it - left)
        Writer.open(copy, clock=Clock()).close()  # a probe can go on with it


def test_a_sound_one_is_copied_whole(sound: Path, tmp_path: Path) -> None:
    told = salvage.salvage(sound, tmp_path / "copy.db")
    assert (told.why, told.damaged) == (None, ())
    assert verify.database(tmp_path / "copy.db").verified
    with closing(Reader.open(sound)) as one, closing(Reader.open(tmp_path / "copy.db")) as other:
        assert one.train_spans() == other.train_spans()
        assert one.rate_runs() == other.rate_runs()
        assert one.stalls() == other.stalls()


def test_two_damaged_pages_of_trains_leave_what_lies_between(sound: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(sound)) as connection:
        try:
            leaves = connection.execute(
                "SELECT pageno FROM dbstat WHERE name = 'train' AND pagetype = 'leaf' ORDER BY path"
            ).fetchall()
        except sqlite3.OperationalError:
            lacking("this SQLite does not tell which page is whose")
    chance = random.Random(1)
    first = damage(sound, tmp_path, leaves[1][0], chance)
    path = damage(first, tmp_path, leaves[-2][0], chance)
    salvage.salvage(path, tmp_path / "copy.db")
    with closing(Reader.open(sound)) as one, closing(Reader.open(tmp_path / "copy.db")) as other:
        whole, left = one.train_spans(), other.train_spans()
    assert len(whole) * (1 - 3 / len(leaves)) < len(left) < len(whole)
    assert [span for span in whole if span in left] == left


def test_the_commands(sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Verify names the damage and the way out; salvage takes it; a second time it refuses."""
    with closing(sqlite3.connect(sound)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'stall'").fetchone()
    path, copy = damage(sound, tmp_path, page, random.Random(1)), tmp_path / "copy.db"
    assert linebook.main(["verify", str(path)]) == EXIT_FAILED
    said = capsys.readouterr().out
    assert "the file is damaged" in said
    assert "linebook salvage" in said
    assert linebook.main(["salvage", str(path), str(copy), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["table"] for one in told["tables"] if one["damaged"]] == ["stall"]
    assert linebook.main(["salvage", str(path), str(copy)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_file_without_its_end_is_named_and_saved(sound: Path, tmp_path: Path) -> None:
    """SQLite refuses a file that is shorter than its header says; what lies before the cut is there."""
    path, copy = tmp_path / "cut.db", tmp_path / "copy.db"
    path.write_bytes(sound.read_bytes()[: -6 * PAGE_BYTES])
    with pytest.raises(DatabaseMistake, match=r"is damaged .* `linebook salvage`"):
        verify.database(path)
    assert salvage.salvage(path, copy).damaged
    assert set() < numbers(copy) < numbers(sound)


def test_a_command_that_meets_damage_says_the_way_out(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list of tables is whole, so it opens; what it reads then is not."""
    with closing(sqlite3.connect(sound)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'stall'").fetchone()
    path, site = damage(sound, tmp_path, page, random.Random(1)), tmp_path / "site.toml"
    site.write_text(SITE.format(database=path))
    site.chmod(0o600)
    assert linebook.main(["findings", str(site), "--from", "1970-01-01", "--to", "1970-01-02"]) == 2
    said = capsys.readouterr().err
    assert "the database is damaged" in said
    assert "`linebook salvage` copies what can be read" in said


def test_what_is_no_database_is_a_sentence(sound: Path, tmp_path: Path) -> None:
    """Of the first page nothing can be made: it says where everything else is."""
    path = damage(sound, tmp_path, 1, random.Random(1))
    with pytest.raises(DatabaseMistake, match=r"no database|damaged"):
        salvage.salvage(path, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
