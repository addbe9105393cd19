"""The assured floor: ranks by the binomial sum, and what they promise kept in exact fractions."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge.floor import LEAST_RUNS, assured_floor


@pytest.mark.parametrize(("n", "rank"), [(59, 1), (100, 2), (168, 4), (336, 11), (720, 27)])
def test_rank(n: int, rank: int) -> None:
    """The minimum of 59, the 2nd smallest of 100, the 27th of 720."""
    floor = assured_floor([value * 1000 for value in range(n, 0, -1)])
    assert (floor.rank, floor.bps, floor.exact, floor.n) == (rank, rank * 1000, True, n)


@pytest.mark.parametrize("n", [59, 100, 720])
def test_confidence(n: int) -> None:
    """The floor lies above the true 5th percentile when fewer than `rank` of n fall below it: P <= 5 %,
    and the next rank would break that (order statistics, summed exactly)."""

    def chance_of_fewer_below(rank: int) -> Fraction:
        below = Fraction(1, 20)
        terms = (math.comb(n, k) * below**k * (1 - below) ** (n - k) for k in range(rank))
        return sum(terms, start=Fraction(0))

    rank = assured_floor(list(range(n))).rank
    assert chance_of_fewer_below(rank) <= Fraction(1, 20) < chance_of_fewer_below(rank + 1)


@pytest.mark.parametrize("n", [1, 30, 58])
def test_too_few_runs(n: int) -> None:
    """Below 59 the smallest stands in, and says so."""
    floor = assured_floor(list(range(5, 5 + n)))
    assert (floor.bps, floor.rank, floor.exact) == (5, 1, False)
    assert str(LEAST_RUNS) in floor.because
    assert LEAST_RUNS == 59  # 0.95 ** 59 <= 0.05 < 0.95 ** 58


def test_no_runs() -> None:
    """Nothing is guessed."""
    floor = assured_floor([])
    assert (floor.bps, floor.n, floor.exact) == (None, 0, False)


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=200), st.data())
def test_a_slower_run_never_raises_the_floor(values: list[int], data: st.DataObject) -> None:
    """One run lowered leaves the floor or lowers it."""
    place = data.draw(st.integers(0, len(values) - 1))
    slower = [*values[:place], data.draw(st.integers(0, values[place])), *values[place + 1 :]]
    before, after = assured_floor(values).bps, assured_floor(slower).bps
    assert before is not None
    assert after is not None
    assert after <= before
