"""The chance of a clean show: days counted by hand, bounds against scipy's exact test."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboard.judge import clean
from dashboard.judge.clean import Chance
from dashboard.judge.comparable import gather
from store.clock import NS_PER_S
from store.records import RateRun, Stall, TrainSpan
from tests.dashboard.judge.made import ZONE, at, destination, plan, run, span, stall

NOW = at("2026-03-09 12:00")  # a Monday: twenty days of Monday to Friday in the four weeks before
DAY_NS, HOUR_NS = 86_400 * NS_PER_S, 3600 * NS_PER_S
SHOWS = [
    at("2026-02-09 19:00") + (week * 7 + day) * DAY_NS for week in range(4) for day in range(5)
]  # 19:00 of each
CLASS = destination(4_500_000)


def found(runs: list[RateRun], spans: list[TrainSpan], stalls: list[Stall]) -> Chance:
    made = plan(CLASS)
    history = gather(made, runs, spans, stalls, now_unix_ns=NOW, zone=ZONE)
    return clean.chance(made.destinations, history)


def watched(*, but: int | None = None, endpoint: str = "north") -> list[TrainSpan]:
    """Each evening from 18:00 to 21:00 in hours, one of them left out if asked."""
    return [
        span(start + hour * HOUR_NS, seconds=3600.0, endpoint=endpoint)
        for place, start in enumerate(SHOWS)
        for hour in (-1, 0, 1)
        if not (place == but and hour == 1)
    ]


RUNS = [run(9_200_000, started_unix_ns=start + 60 * NS_PER_S) for start in SHOWS]


def test_days_are_counted() -> None:
    """Freezes on three of twenty evenings, two of them on one; one before the show counts for nothing; the
    day with an hour unwatched is no day."""
    stalls = [
        stall(SHOWS[1] + HOUR_NS, seconds=2.0),
        stall(SHOWS[1] + HOUR_NS + 600 * NS_PER_S, seconds=3.0),
        stall(SHOWS[6], seconds=1.5),
        stall(SHOWS[12] + 10 * NS_PER_S, seconds=4.0),
        stall(SHOWS[15] - 600 * NS_PER_S, seconds=9.0),  # at 18:50
        stall(SHOWS[16] + HOUR_NS, seconds=0.8),  # its buffer outlasts it
    ]
    chance = found(RUNS, watched(but=9), stalls)
    assert (chance.clean, chance.days, chance.unwatched) == (16, 19, 1)
    assert chance.share == pytest.approx(16 / 19)


def test_a_run_that_starves_the_show_spoils_its_day() -> None:
    """4.85 needed, 3.0 found for 10 s: a buffer of 1 s is full after 2.6 s. What carries 4.7 fills it in 33
    s.
    """
    slow = replace(RUNS[3], up=run(2_900_000).up)
    near = replace(RUNS[4], up=run(4_540_000).up)
    chance = found([*RUNS[:3], slow, near, *RUNS[5:]], watched(), [])
    assert (chance.clean, chance.days) == (19, 20)


def test_two_trains_that_disagree_share_a_day() -> None:
    """A stall that one of two trains saw spoils half of its day."""
    both = [*watched(), *watched(endpoint="south")]
    chance = found(RUNS, both, [stall(SHOWS[2] + HOUR_NS, seconds=2.0)])
    assert (chance.clean, chance.days) == (19.5, 20)


def test_without_a_day_nothing_is_said() -> None:
    """No train, no day; the bounds hold everything."""
    chance = found(RUNS, [], [])
    assert (chance.share, chance.low, chance.high, chance.unwatched) == (None, 0.0, 1.0, 20)


@pytest.mark.parametrize(("calm", "days"), [(20, 20), (16, 19), (0, 5), (1, 1), (57, 60)])
def test_bounds_against_scipy(calm: int, days: int) -> None:
    """scipy.stats.binomtest, exact, one-sided at 95 % each."""
    chance = clean.of(calm, days)
    low = stats.binomtest(calm, days, alternative="greater").proportion_ci(0.95, "exact").low
    high = stats.binomtest(calm, days, alternative="less").proportion_ci(0.95, "exact").high
    assert (chance.low, chance.high) == pytest.approx((low, high), abs=1e-9)


@given(st.lists(st.tuples(st.integers(0, 19), st.integers(0, 7000), st.floats(0.5, 6)), max_size=6))
def test_longer_stalls_never_raise_the_chance(drawn: list[tuple[int, int, float]]) -> None:
    """Each stall half a second longer."""
    stalls = [stall(SHOWS[day] + after * NS_PER_S, seconds=seconds) for day, after, seconds in drawn]
    longer = [replace(one, duration_us=one.duration_us + 500_000) for one in stalls]
    assert found(RUNS, SPANS, longer).clean <= found(RUNS, SPANS, stalls).clean


SPANS = watched()
