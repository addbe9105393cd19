"""Sums of minutes: as the raw minutes say by another way, at every length, in every order, in every zone.

Oracles: plain Python over the records, numpy's inverted_cdf (RFC 2330 11.3 in numpy's words) for
percentiles, zoneinfo for clocks.
"""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from store.cells import Cells, Length
from store.clock import NS_PER_S, Clock, zone
from store.histogram import RELATIVE_ERROR, Histogram
from store.reader import Reader
from store.records import Direction, Record, Stall, TrainSpan
from store.rollup import Rolled, Rollup
from store.writer import Writer
from tests.store import samples

HOUR_NS = 3600 * NS_PER_S
START_NS = 1_774_000_000 * NS_PER_S // HOUR_NS * HOUR_NS  # in March 2026
ZONES = (
    *("UTC", "Europe/Lisbon", "Asia/Kolkata", "Asia/Kathmandu", "Australia/Lord_Howe", "America/St_Johns"),
    *("America/Havana", "Africa/Cairo", "UTC+05:45"),
)


class TestCells:
    @given(st.sampled_from(ZONES), st.integers(1_200_000_000, 1_900_000_000))
    def test_of_every_length_hold_the_instant_and_nest(self, name: str, unix_s: int) -> None:
        cells, unix_ns = Cells(zone(name)), unix_s * NS_PER_S
        found = [cells.of(length, unix_ns) for length in Length]
        assert all(start <= unix_ns < end for start, end in found)
        for inner, outer in pairwise(found):
            assert outer[0] <= inner[0] < inner[1] <= outer[1]

    @given(st.sampled_from(ZONES), st.integers(1_200_000_000, 1_900_000_000), st.sampled_from(Length))
    def test_follow_one_another_whoever_asks(self, name: str, unix_s: int, length: Length) -> None:
        where = zone(name)
        start, end = Cells(where).of(length, unix_s * NS_PER_S)
        for inside in (start, end - 1, (start + end) // 2):
            assert Cells(where).of(length, inside) == (start, end)
        assert Cells(where).of(length, end)[0] == end
        assert Cells(where).of(length, start - 1)[1] == start

    @given(st.sampled_from(ZONES), st.integers(1_200_000_000, 1_900_000_000))
    def test_an_hour_is_one_of_the_local_clock(self, name: str, unix_s: int) -> None:
        """zoneinfo says what the clock shows: one hour of one offset, to its last second."""
        start, end = Cells(zone(name)).of(Length.HOUR, unix_s * NS_PER_S)
        where = zone(name)
        shown = {
            (moment.date(), moment.hour, moment.utcoffset())
            for second in range(start // NS_PER_S, end // NS_PER_S, 60)
            for moment in [datetime.fromtimestamp(second, where)]
        }
        assert len(shown) == 1

    @pytest.mark.parametrize(
        ("name", "day", "hours"),
        [  # the days on which the zone's own rules set the clock
            ("Europe/Lisbon", (2026, 3, 29), 23),
            ("Europe/Lisbon", (2026, 10, 25), 25),
            ("Europe/Lisbon", (2026, 7, 1), 24),
            ("Australia/Lord_Howe", (2026, 4, 5), 24.5),
            ("Australia/Lord_Howe", (2026, 10, 4), 23.5),
            ("Asia/Kolkata", (2026, 3, 29), 24),
            ("Africa/Cairo", (2026, 4, 24), 23),  # its midnight does not exist
            ("America/Havana", (2026, 11, 1), 25),  # its midnight comes twice
        ],
    )
    def test_a_day_is_as_long_as_it_is_there(
        self, name: str, day: tuple[int, int, int], hours: float
    ) -> None:
        noon = datetime(*day, 12, tzinfo=ZoneInfo(name))
        cells = Cells(zone(name))
        start, end = cells.of(Length.DAY, round(noon.timestamp()) * NS_PER_S)
        assert (end - start) / HOUR_NS == hours
        inside = list(cells.between(Length.HOUR, start, end))
        assert (inside[0][0], inside[-1][1]) == (start, end)
        assert sum(end - start for start, end in inside) == hours * HOUR_NS

    def test_hours_off_utc_begin_at_the_half_and_the_quarter(self) -> None:
        for name, minutes in (("Asia/Kolkata", 30), ("Asia/Kathmandu", 15)):
            start, _ = Cells(zone(name)).of(Length.HOUR, START_NS + 1234 * NS_PER_S)
            assert datetime.fromtimestamp(start // NS_PER_S, UTC).minute == minutes


@st.composite
def days(draw: st.DrawFn) -> list[Record]:
    """Some minutes and stalls over two days, in any order, with any standing."""
    chance = random.Random(draw(st.integers(0, 2**32)))
    found: list[Record] = []
    for minute in sorted(chance.sample(range(2 * 24 * 60), draw(st.integers(1, 25)))):
        started_ns = START_NS + minute * samples.MINUTE_NS
        reasons = draw(st.sampled_from([(), (), (), ("late_schedule",), ("clock_step",), ("short",)]))
        found.append(_minute(chance, started_ns, reasons=reasons))
        if draw(st.booleans()):
            found.append(_stall(chance, started_ns + chance.randrange(90) * NS_PER_S))
    return draw(st.permutations(found))


def _minute(chance: random.Random, started_ns: int, *, reasons: tuple[str, ...] = ()) -> TrainSpan:
    span = samples.span(started_ns, delays_us=samples.cable_delays(chance, chance.randrange(1, 40)))
    return replace(
        span,
        endpoint=chance.choice(["north", "south"]),
        held_up=chance.randrange(4),
        blips=chance.randrange(3),
        jitter_up_us=chance.randrange(10**6) / 1000,
        reasons=reasons,
    )


def _stall(chance: random.Random, started_ns: int) -> Stall:
    how = chance.choice(["lost", "held", "mixed"])
    length_us = chance.randrange(500_000, 9_000_000)
    endpoint = chance.choice(["north", "south"])
    return Stall(
        handoff="old",
        endpoint=endpoint,
        started_unix_ns=started_ns,
        duration_us=length_us,
        direction=Direction.UP,
        how=how,
        lost=3,
        held=2,
    )


def _stored(path: Path, records: list[Record], *, timezone: str = "UTC", batches: int = 1) -> None:
    for each in path.parent.glob(f"{path.name}*"):
        each.unlink()
    with closing(Writer.open(path, clock=Clock(), timezone=timezone)) as writer:
        for nth, record in enumerate(records):
            writer.append(record)
            if nth % max(1, len(records) // batches) == 0:
                writer.flush_blocking()


def _all(path: Path, length: Length) -> list[Rolled]:
    with closing(Reader.open(path)) as reader:
        return [
            each
            for handoff, endpoint in reader.paths()
            for each in reader.train_sums(handoff=handoff, endpoint=endpoint, since_ns=0, longest=length)
        ]


def _percentile(values: list[int], share: float) -> float:
    return float(numpy.quantile(values, share, method="inverted_cdf"))


@pytest.fixture(scope="module")
def two_days(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[TrainSpan]]:
    """A minute in three of fifty hours, written once for those who only read."""
    path = tmp_path_factory.mktemp("sums") / "line.db"
    minutes = [samples.span(START_NS + nth * samples.MINUTE_NS) for nth in range(0, 3000, 3)]
    _stored(path, list(minutes))
    return path, minutes


class TestSums:
    @settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(records=days(), name=st.sampled_from(ZONES), length=st.sampled_from(Length))
    def test_are_what_the_raw_minutes_say(
        self, tmp_path: Path, records: list[Record], name: str, length: Length
    ) -> None:
        """Whatever came in which order and batches: added, pooled and counted by plain Python."""
        _stored(tmp_path / "line.db", records, timezone=name, batches=4)
        where = Cells(zone(name))
        cells: dict[tuple[str, int], list[TrainSpan]] = {}
        for one in (record for record in records if isinstance(record, TrainSpan)):
            cells.setdefault((one.endpoint, where.of(length, one.started_unix_ns)[0]), []).append(one)
        found = {(one.endpoint, one.started_unix_ns): one for one in _all(tmp_path / "line.db", length)}
        assert found.keys() == cells.keys()
        for key, spans in cells.items():
            _compare(found[key], spans, [one for one in records if isinstance(one, Stall)])

    def test_percentiles_are_those_of_the_pooled_samples(self, tmp_path: Path) -> None:
        """numpy's inverted_cdf over all samples of a day, within the stated error of the histogram."""
        chance = random.Random(7)
        minutes = [samples.cable_delays(chance, 300) for _ in range(120)]
        spans = [
            samples.span(START_NS + nth * 11 * samples.MINUTE_NS, delays_us=delays)
            for nth, delays in enumerate(minutes)
        ]
        _stored(tmp_path / "line.db", list(spans))
        ups: dict[int, list[int]] = {}
        for nth, (up, _) in enumerate(minutes):
            start, _ = Cells(UTC).of(Length.DAY, START_NS + nth * 11 * samples.MINUTE_NS)
            ups.setdefault(start, []).extend(up)
        for day in _all(tmp_path / "line.db", Length.DAY):
            delays = day.delays["pdv_up"]
            assert delays is not None
            for share, told in ((0.5, delays.p50), (0.95, delays.p95), (0.99, delays.p99)):
                assert told == pytest.approx(_percentile(ups[day.started_unix_ns], share), rel=RELATIVE_ERROR)
            assert (delays.min, delays.max) == (min(ups[day.started_unix_ns]), max(ups[day.started_unix_ns]))

    @settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(records=days(), before=st.sampled_from(ZONES), after=st.sampled_from(ZONES))
    def test_rebuilding_makes_the_same_and_follows_the_zone(
        self, tmp_path: Path, records: list[Record], before: str, after: str
    ) -> None:
        path = tmp_path / "line.db"
        _stored(path, records, timezone=after)
        wanted = _rows(path)
        with closing(Writer.open(path, clock=Clock(), timezone=before)):
            pass
        with closing(Writer.open(path, clock=Clock(), timezone=after)):
            pass
        assert _rows(path) == wanted
        with closing(sqlite3.connect(path)) as connection:
            Rollup(connection, after).rebuild()
            connection.commit()
        assert _rows(path) == wanted

    def test_a_minute_long_overdue_enters_its_hour(self, tmp_path: Path) -> None:
        path = tmp_path / "line.db"
        minutes = [samples.span(START_NS + nth * samples.MINUTE_NS) for nth in range(180)]
        late = minutes.pop(17)
        _stored(path, list(minutes))
        assert [hour.spans for hour in _all(path, Length.HOUR)] == [59, 60, 60]
        with closing(Writer.open(path, clock=Clock())) as writer:
            writer.append(late)
        assert [hour.spans for hour in _all(path, Length.HOUR)] == [60, 60, 60]

    @pytest.mark.parametrize(("since", "until"), [(0, 5000), (7, 4001), (59, 61), (61, 118), (100, 100)])
    def test_cover_exactly_the_time_asked_for(
        self, two_days: tuple[Path, list[TrainSpan]], since: int, until: int
    ) -> None:
        path, minutes = two_days
        since_ns, until_ns = (START_NS + minute * samples.MINUTE_NS for minute in (since, until))
        inside = [one for one in minutes if since_ns <= one.started_unix_ns < until_ns]
        with closing(Reader.open(path)) as reader:
            for length in Length:
                found = reader.train_sums(
                    handoff="old", endpoint="north", since_ns=since_ns, until_ns=until_ns, longest=length
                )
                assert sum(one.spans for one in found) == len(inside)
                assert sum(one.rtt.count for one in found) == sum(one.rtt.count for one in inside)
                assert [one.started_unix_ns for one in found] == sorted(one.started_unix_ns for one in found)

    @pytest.mark.parametrize("length", Length)
    def test_cells_taken_one_by_one_need_no_histograms(
        self, two_days: tuple[Path, list[TrainSpan]], length: Length
    ) -> None:
        """Only those of the longest cells are left out, and their delays are what the histograms say."""
        path, _ = two_days
        asked: dict[str, Any] = {"handoff": "old", "endpoint": "north", "longest": length}
        asked["since_ns"] = START_NS + 7 * samples.MINUTE_NS
        with closing(Reader.open(path)) as reader:
            whole, bare = reader.train_sums(**asked), reader.train_sums(**asked, pooled=False)
        assert {one.length for one in whole} >= {length}
        for one, same in zip(whole, bare, strict=True):
            if one.length is length:
                assert (same.rtt.count, same.pdv_up.count, same.pdv_down.count) == (0, 0, 0)
                assert same.delays["rtt"] == one.rtt.delays()
            else:
                assert same == one


def _compare(found: Rolled, spans: list[TrainSpan], stalls: list[Stall]) -> None:
    kept = [span for span in spans if span.reasons in ((), ("clock_step",), ("short",))]
    valid = [span for span in kept if span.reasons != ("clock_step",)]
    assert (found.spans, found.left_out) == (len(kept), len(spans) - len(kept))
    assert found.seconds == 60.0 * len(kept)
    for name in ("sent", "received", "lost_up", "lost_down", "held_up", "blips", "duplicated_down"):
        assert getattr(found, name) == sum(getattr(span, name) for span in kept), name
    assert found.rtt == _pooled([span.rtt for span in kept])
    assert found.pdv_up == _pooled([span.pdv_up for span in valid])
    assert found.pdv_down == _pooled([span.pdv_down for span in valid])
    assert found.worst_jitter_up_us == max((span.jitter_up_us or 0 for span in valid), default=None)
    seen = [
        stall
        for stall in stalls
        for span in kept
        if span.endpoint == stall.endpoint
        and 0 <= stall.started_unix_ns - span.started_unix_ns < 60 * NS_PER_S
    ]
    assert found.stalls == len(seen)
    assert found.stalled_us == sum(stall.duration_us for stall in seen)
    assert found.longest_stall_us == max((stall.duration_us for stall in seen), default=0)
    excluded = {"clock_step": 60.0, "late_schedule": 60.0}
    counts = {reason: sum(span.reasons == (reason,) for span in spans) for reason in excluded}
    assert {reason: left.seconds for reason, left in found.excluded.items()} == {
        reason: 60.0 * count for reason, count in counts.items() if count
    }


def _pooled(histograms: list[Histogram]) -> Histogram:
    pooled = Histogram()
    for histogram in histograms:
        pooled.merge(histogram)
    return pooled


def _rows(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT * FROM rolled ORDER BY path, length, started_unix_ns").fetchall()


class TestOpenForm:
    @given(st.lists(st.integers(0, 2**40), max_size=60))
    def test_is_another_form_of_the_same(self, values: list[int]) -> None:
        assert Histogram.unpack(Histogram(values).pack_open()) == Histogram(values)
