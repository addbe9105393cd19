"""Sums that a reader remembers are those that one reads who remembers nothing, whatever happens meanwhile."""

from __future__ import annotations

import random
import shutil
import sqlite3
import weakref
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from store.cells import Length
from store.clock import NS_PER_S, Clock
from store.histogram import Histogram
from store.reader import Reader
from store.rollup import Rolled
from store.settled import Settled
from store.writer import Writer
from tests.store import samples

DAY_NS = 86_400 * NS_PER_S
START_NS = 1_774_000_000 * NS_PER_S // DAY_NS * DAY_NS  # in March 2026; the clocks change on the 29th
DAYS = 12
WANTED = (
    {"longest": Length.HOUR, "histograms": False},
    {"longest": Length.TEN, "pdv": False},
    {"longest": Length.DAY},
    {"longest": Length.DAY, "pooled": False},
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path, chance = tmp_path_factory.mktemp("settled") / "line.db", random.Random(3)
    with closing(Writer.open(path, clock=Clock(), timezone="Europe/Lisbon")) as writer:
        for minute in sorted(chance.sample(range(DAYS * 1440), 400)):
            writer.append(samples.span(START_NS + minute * samples.MINUTE_NS))
    return path


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path / "line.db"))


def _alive(path: Path, unix_ns: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT OR REPLACE INTO alive VALUES (1, ?)", (unix_ns,))
        connection.commit()


def _all(reader: Reader) -> Iterator[list[Rolled]]:
    """Every kind of sums, over times that begin and end anywhere, each time the same ones."""
    chance = random.Random(5)
    for asked in (*WANTED, *WANTED):
        since, until = sorted(chance.sample(range(DAYS * 1440), 2))
        yield reader.train_sums(
            handoff="old",
            endpoint="north",
            since_ns=START_NS + since * samples.MINUTE_NS,
            until_ns=START_NS + until * samples.MINUTE_NS,
            **asked,  # type: ignore[arg-type]
        )


@pytest.mark.parametrize("settled", [0, 6, 40])
def test_what_is_remembered_is_what_is_there(path: Path, settled: int) -> None:
    """Read three times over, where nothing, a part and all of the time is over; the oracle remembers none."""
    _alive(path, 0)
    with closing(Reader.open(path)) as fresh:
        wanted = list(_all(fresh))
    _alive(path, START_NS + settled * DAY_NS)
    with closing(Reader.open(path)) as reader:
        assert [list(_all(reader)) for _ in range(3)] == [wanted] * 3
    assert any(wanted)


def _late(path: Path) -> None:
    """A minute of two days before the end comes late."""
    with closing(Writer.open(path, clock=Clock())) as writer:
        writer.append(samples.span(START_NS + (DAYS - 2) * DAY_NS + 7 * NS_PER_S))


def _another_zone(path: Path) -> None:
    with closing(Writer.open(path, clock=Clock(), timezone="Asia/Kathmandu")):
        pass


def _thinner(path: Path) -> None:
    """As thinning leaves it: no sums of ten minutes, and the mark that says so."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM rolled WHERE length = ?", (Length.TEN,))
        connection.execute("UPDATE rollup SET tens_from_ns = ?", (START_NS + DAYS * DAY_NS,))
        connection.commit()


def _clock_back(path: Path) -> None:
    """The probe's clock stood weeks ahead; it goes back, and what was over is not."""
    _alive(path, START_NS + DAYS * DAY_NS)
    with closing(Writer.open(path, clock=Clock())) as writer:
        writer.append(samples.span(START_NS + (DAYS - 1) * DAY_NS + 7 * NS_PER_S))


@pytest.mark.parametrize("change", [_late, _another_zone, _thinner, _clock_back])
def test_what_changes_is_read_again(path: Path, change: Callable[[Path], None]) -> None:
    ahead = 40 if change is _clock_back else DAYS
    _alive(path, START_NS + ahead * DAY_NS)
    with closing(Reader.open(path)) as reader, closing(Reader.open(path)) as keeper:
        list(_all(reader))
        list(_all(keeper))
        change(path)
        found = list(_all(reader))
    with closing(Reader.open(path)) as fresh:
        assert found == list(_all(fresh))


def test_a_run_is_read_once_and_without_its_bins(path: Path) -> None:
    with closing(Writer.open(path, clock=Clock())) as writer:
        for hour in range(5):
            writer.append(samples.run(START_NS + hour * 3600 * NS_PER_S))
    with closing(Reader.open(path)) as reader:
        first, again = reader.rate_runs(bins=False), reader.rate_runs(bins=False, limit=3)
        whole = reader.rate_runs()
    assert [id(one) for one in again] == [id(one) for one in first[2:]]
    assert [one.started_unix_ns for one in first] == [one.started_unix_ns for one in whole]
    assert all(side.bins for run in whole for side in run.sides().values())
    assert not any(side.bins for run in first for side in run.sides().values())


class Sum:
    """What a reader may have read, as light as can be."""

    def __init__(self) -> None:
        self.rtt = self.pdv_up = self.pdv_down = Histogram()


def test_of_a_time_that_moves_with_the_clock_only_the_last_is_kept(path: Path) -> None:
    """A page that is open all day asks each minute for another part of its first day."""
    _alive(path, START_NS + 40 * DAY_NS)
    read: list[weakref.ref[Sum]] = []

    def made(time: tuple[int, int]) -> list[Sum]:
        found = Sum()
        read.append(weakref.ref(found))
        return [found]

    with closing(sqlite3.connect(path)) as connection:
        settled = Settled(connection)
        for minute in range(1, 600):
            since_ns = START_NS + minute * samples.MINUTE_NS + 7  # now is no whole minute
            for _ in range(2):
                settled.read("a train", (since_ns, START_NS + 7 * DAY_NS), made)  # type: ignore[arg-type]
        assert 599 + 7 >= len(read)  # each once, and the whole days after the first only the first time
        assert 8 >= sum(one() is not None for one in read)


def test_hours_of_several_plans_on_one_day_are_each_read_once(path: Path) -> None:
    """A page asks for the same hours of every plan again at each look."""
    _alive(path, START_NS + 40 * DAY_NS)
    read: list[tuple[int, int]] = []
    with closing(sqlite3.connect(path)) as connection:
        settled = Settled(connection)
        for _ in range(3):
            for hour in (14, 17, 19):
                since_ns = START_NS + hour * 60 * samples.MINUTE_NS
                settled.read(
                    "a train",
                    (since_ns, since_ns + 45 * samples.MINUTE_NS),
                    lambda time: read.append(time) or [],
                )
    assert len(read) == 3
