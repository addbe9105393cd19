"""Hours of the week and the spread of runs, against numpy's percentiles by nearest rank.

numpy's `inverted_cdf` is definition 1 of Hyndman and Fan (1996), which is nearest rank.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge.rate_spread import RANKS, spread, steps
from dashboard.judge.week_hours import Level, week_map

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
STATED = 15_000_000
SEEN = st.lists(
    st.tuples(
        st.integers(0, 28 * 24 * 60 - 1).map(lambda minute: MONDAY + timedelta(minutes=minute)),
        st.integers(1_000_000, 20_000_000),
    ),
    max_size=80,
)


@given(SEEN)
def test_each_hour_has_its_own_runs(seen: list[tuple[datetime, int]]) -> None:
    """Counts, medians and misses are those that numpy finds among the runs of the same hour of a week."""
    found = week_map([(when, rate, rate < STATED) for when, rate in seen], stated_bps=STATED)
    hours = numpy.array([when.weekday() * 24 + when.hour for when, _ in seen], dtype=int)
    rates = numpy.array([rate for _, rate in seen], dtype=float)
    assert len(found.week) == 7 * 24
    for (day, hour), one in found.week.items():
        own = rates[hours == day * 24 + hour]
        assert one.runs == len(own)
        if len(own):
            assert one.middle_bps == numpy.percentile(own, 50, method="inverted_cdf")
            assert one.missed == (own < STATED).sum()
    for hour, one in found.day.items():
        assert one.runs == (hours % 24 == hour).sum()


def test_the_worst_hour_is_that_with_most_misses() -> None:
    """Of hours with three runs or more; alike, the slower; one with a single bad run is never the worst."""
    slow, good, once = MONDAY.replace(hour=19), MONDAY.replace(hour=9), MONDAY.replace(hour=3)
    seen = [(slow, 5_000_000, True)] * 2 + [(slow, 15_000_000, False)] + [(good, 15_000_000, False)] * 5
    seen.append((once, 1_000_000, True))
    found = week_map(seen, stated_bps=STATED)
    assert found.worst == (0, 19)
    assert (found.week[0, 19].missed, found.week[0, 19].level) == (2, Level.BAD)
    assert found.week[0, 9].level is Level.GOOD
    assert found.worst_of_day == 19
    assert week_map([(good, 15_000_000, False)] * 5, stated_bps=STATED).worst is None
    assert week_map([], stated_bps=None).whole.level is None


def test_without_a_stated_rate_hours_are_held_against_all() -> None:
    """Half of the middle of all hours is poor, less is bad; nothing is said to have missed anything."""
    at = [MONDAY.replace(hour=hour) for hour in range(24)]
    seen = [(when, 100, False) for when in at] * 3 + [(at[20], 10, False)] * 9
    found = week_map(seen, stated_bps=None)
    assert found.week[0, 20].level is Level.BAD
    assert {one.missed for one in found.week.values()} == {None}
    assert found.worst == (0, 20)


@given(st.lists(st.integers(1, 10**9), min_size=1, max_size=400))
def test_percentiles_and_a_thinned_line(values: list[int]) -> None:
    """Percentiles are numpy's; a thinned line has few points, keeps both ends, and lies on the full one."""
    found = spread(values)
    expected = numpy.percentile(values, [100 * rank for rank in RANKS], method="inverted_cdf")
    assert list(found.percentiles_bps) == list(expected)
    line = steps(found, most=50)
    assert len(line) <= 51
    assert (line[0][0], line[-1]) == (min(values), (max(values), 1.0))
    full = {(bps, (nth + 1) / len(values)) for nth, bps in enumerate(sorted(values))}
    assert set(line) <= full


@pytest.mark.parametrize(("count", "exact"), [(58, False), (59, True)])
def test_a_floor_takes_59_runs(count: int, exact: bool) -> None:
    """0.95^59 is the first power below 0.05: ISO 16269-6 (from memory) has the same 59."""
    assert spread(range(1, count + 1)).floor.exact is exact
