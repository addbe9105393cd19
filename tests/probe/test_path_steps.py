"""Whether the least delay moved and stayed: made-up minutes, and a relay that adds a delay of its own."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.path_steps import Levels, Step


def steps(*leasts_us: int, seconds: float = 60.0) -> list[Step]:
    levels = Levels()
    taken = [
        levels.take(started_unix_ns=nth, seconds=seconds, least_us=least)
        for nth, least in enumerate(leasts_us)
    ]
    return [one for one in taken if one is not None]


def test_a_level_that_moves_and_stays_is_one_step_at_its_first_minute() -> None:
    assert steps(*[19_000] * 20, *[24_000] * 60) == [
        Step(started_unix_ns=20, before_us=19_000, after_us=24_000)
    ]


def test_down_is_a_step_as_well() -> None:
    assert [one.after_us for one in steps(*[24_000] * 20, *[19_000] * 20)] == [19_000]


def test_nine_minutes_and_back_is_none() -> None:
    """A full queue of some minutes, which no path change is."""
    assert steps(*[19_000] * 20, *[60_000] * 9, *[19_000] * 20) == []


def test_a_queue_that_comes_and_goes_is_none() -> None:
    draw = random.Random(7)
    assert steps(*[19_000] * 20, *[19_000 + draw.randrange(60_000) for _ in range(300)]) == []


def test_the_first_level_is_no_step() -> None:
    assert steps(*[19_000] * 300) == []


def test_short_spans_need_ten_minutes_too() -> None:
    assert steps(*[19_000] * 100, *[24_000] * 59, seconds=10) == []
    assert len(steps(*[19_000] * 100, *[24_000] * 60, seconds=10)) == 1


@given(st.integers(500, 200_000), st.lists(st.integers(-400, 400), min_size=30, max_size=120))
def test_noise_within_a_millisecond_is_never_a_step(level: int, noise: list[int]) -> None:
    assert steps(*[level + each for each in noise]) == []


@given(
    st.integers(500, 200_000),
    st.integers(500, 200_000),
    st.lists(st.integers(-50, 50), min_size=60, max_size=60),
)
def test_any_two_levels_far_enough_apart_are_one_step(before: int, after: int, noise: list[int]) -> None:
    """Apart by more than the mark and the noise: exactly one; together within it: none."""
    found = steps(*[before + each for each in noise[:30]], *[after + each for each in noise[30:]])
    apart, mark = abs(after - before), max(1_000, before / 10)
    if apart > mark + 200:
        assert [one.started_unix_ns for one in found] == [30]
        assert found[0].before_us == pytest.approx(before, abs=50)
        assert found[0].after_us == pytest.approx(after, abs=50)
    elif apart < mark - 200:
        assert found == []
