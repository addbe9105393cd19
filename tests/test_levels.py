"""The rule by which a process's memory is level or grows, on looks as a soak has them."""

from __future__ import annotations

import random

import pytest

from tests.bench.levels import at_rest, level

RECORDS_AN_HOUR = 400  # of a soak with faults: minutes of trains, gaps, events, windows
HALF = [minute / 60 for minute in range(50, 100)]  # the looks of the second half of 100 minutes


def looks(*, leak_bytes: float, seed: int, unsteady_bytes: float = 200_000) -> list[float]:
    """What is held at each look: level but for what is under way at that moment, and the planted leak.

    Unsteady as a probe was in a soak of 100 minutes, its looks 200 kB off by standard deviation.
    """
    chance = random.Random(seed)
    return [49e6 + chance.gauss(0, unsteady_bytes) + leak_bytes * RECORDS_AN_HOUR * at for at in HALF]


def test_a_planted_leak_of_a_thousand_octets_a_record_is_found() -> None:
    """In nine soaks of ten at least; and in none is it called level."""
    words = [level(HALF, looks(leak_bytes=1000, seed=seed), least=400_000).word for seed in range(40)]
    assert words.count("grows") >= 36
    assert "level" not in words


def test_what_is_level_is_rarely_said_to_grow() -> None:
    """An interval of 95 % has 2.5 % of the level ones above it."""
    words = [level(HALF, looks(leak_bytes=0, seed=seed), least=400_000).word for seed in range(40)]
    assert words.count("level") >= 36


def test_the_slope_is_the_median_of_all_slopes() -> None:
    """Sen 1968, by hand: the slopes between 0 0, 1 1, 2 2, 3 9 are 1, 1, 3, 1, 4, 7, so 2 in the middle."""
    assert 2.0 == level([0, 1, 2, 3], [0, 1, 2, 9], least=1).slope


def test_few_looks_tell_nothing() -> None:
    assert "cannot be told" == level([0, 1, 2, 3, 4], [5, 900, 3, 700, 2], least=1).word
    with pytest.raises(ValueError, match="too few"):
        level([0, 1, 2], [1, 1, 1], least=1)


def test_what_is_under_way_just_then_counts_for_nothing() -> None:
    assert [(0, 10), (2, 11)] == at_rest([(0, 6, 10), (1, 8, 300), (2, 6, 11)])
