"""Which records have been corrected: found again by their number, of whatever kind they are."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from store.corrections import Corrections
from store.reader import Reader
from store.records import Correction, Record, TrainSpan
from tests.store import samples, sealed

MINUTE_NS = 60 * 10**9


def correction(seq: int, what: str = "it was our own switch") -> Correction:
    return Correction(
        handoff="old", endpoint="north", corrects_seq=seq, written_unix_ns=9, what=what, why="its log"
    )


def corrected(path: Path) -> Corrections:
    with closing(Reader.open(path)) as reader:
        return reader.corrected()


@pytest.mark.parametrize("place", range(len(samples.EVERY_KIND)), ids=lambda n: samples.EVERY_KIND[n].kind)
def test_every_kind_of_record_is_found_again(tmp_path: Path, place: int) -> None:
    """The record of that number and no other; one that corrects a correction is about the same record."""
    records = tuple(
        samples.span(sealed.NOON_NS) if isinstance(one, TrainSpan) else one for one in samples.EVERY_KIND[:-1]
    )
    if place == len(records):
        records, place = (*records, correction(1)), 0
    path = sealed.make(tmp_path / "line.db", [records, [correction(place + 1, "again")]])
    (found,) = corrected(path)
    assert (found.seq, found.record) == (place + 1, records[place])
    assert found.corrections[-1].what == "again"
    assert corrected(path).of(records[place]) == found
    others = [one for one in records if one is not records[place] and not isinstance(one, Correction)]
    assert corrected(path).among([*others, records[place]]) == (found,)


def test_a_run_read_without_its_bins_is_the_same_run(tmp_path: Path) -> None:
    path = sealed.make(tmp_path / "line.db", [[samples.run(7), samples.run(8)], [correction(2)]])
    with closing(Reader.open(path)) as reader:
        first, second = reader.rate_runs(bins=False)
    found = corrected(path)
    assert found.of(first) is None
    assert [one.seq for one in found.among([first, second])] == [2]


def test_two_stalls_of_one_moment_are_told_apart(tmp_path: Path) -> None:
    """One in each direction, as they come when both ways stand still."""
    up = samples.stall()
    down = replace(up, direction="down")
    path = sealed.make(tmp_path / "line.db", [[up, down], [correction(2)]])
    with closing(Reader.open(path)) as reader:
        assert [reader.corrected().of(one) is not None for one in reader.stalls()] == [False, True]


def test_a_minute_of_today_and_one_of_a_day_that_is_over(tmp_path: Path) -> None:
    """Minutes lie by path and time, not by number: they are found by the day that their number is of."""
    days: list[list[Record]] = [
        [samples.span(sealed.NOON_NS + nth * sealed.DAY_NS + minute * MINUTE_NS) for minute in range(3)]
        for nth in range(3)
    ]
    days.append([correction(2), correction(5), correction(9)])
    found = list(corrected(sealed.make(tmp_path / "line.db", days)))
    minutes = [one for day in days[:3] for one in day]
    assert [(one.seq, one.record) for one in found] == [(seq, minutes[seq - 1]) for seq in (2, 5, 9)]


def test_several_corrections_keep_their_order(tmp_path: Path) -> None:
    """Also where one is about the other."""
    records = [samples.stall(), correction(1, "a"), correction(2, "b"), correction(1, "c")]
    (found,) = corrected(sealed.make(tmp_path / "line.db", [records]))
    assert [one.what for one in found.corrections] == ["a", "b", "c"]


def test_what_is_no_longer_there_is_left_out(tmp_path: Path) -> None:
    """A record that was removed by its age has nowhere to be shown."""
    path = sealed.make(tmp_path / "line.db", [[samples.stall(), samples.stall(5), correction(1)]])
    with sealed.tampering(path) as connection:
        connection.execute("DELETE FROM stall WHERE seq = 1")
    assert list(corrected(path)) == []
    assert list(Corrections()) == []
