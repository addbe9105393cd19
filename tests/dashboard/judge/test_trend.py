"""Slopes with their range against other ways to them, and what change goes unseen."""

from __future__ import annotations

from itertools import combinations
from statistics import median

import numpy as np
import pytest
from scipy import stats

from dashboard.judge import trend


def days(values: list[float]) -> list[tuple[int, float]]:
    return list(enumerate(values))


@pytest.mark.parametrize("seed", range(3))
def test_the_slope_by_another_way(seed: int) -> None:
    """The median of the slopes of all pairs, one by one (Theil 1950, Sen 1968), and near least squares."""
    draw = np.random.default_rng(seed)
    values = (500 + 0.5 * np.arange(90) + draw.normal(0, 5, 90)).tolist()
    found = trend.trend("rate", days(values))
    pairs = [(values[b] - values[a]) / (b - a) for a, b in combinations(range(90), 2)]
    middle = sorted(values)[45]
    assert found.ratio == pytest.approx(median(pairs) * 91 / middle)
    line = stats.linregress(range(90), values)
    assert found.ratio == pytest.approx(line.slope * 91 / middle, abs=3 * line.stderr * 91 / middle)
    assert found.moves
    assert (found.low_ratio or 0) <= (found.ratio or 0) <= (found.high_ratio or 0)
    assert "rises by" in found.because


def test_a_flat_figure_names_what_it_would_not_see() -> None:
    """Of 40 flat series the range leaves out no change in at most 5 (Binomial(40, 0.05), 98.6 %)."""
    wrong = 0
    for seed in range(40):
        draw = np.random.default_rng(seed)
        found = trend.trend("RTT", days((100 + draw.normal(0, 2, 60)).tolist()))
        wrong += found.moves
        if not found.moves:
            assert found.because.startswith("RTT: no change detectable below ")
            assert 0 < (found.unseen_ratio or 0) < 0.1
    assert wrong <= 5


def test_days_that_are_alike_are_worth_fewer() -> None:
    """A first-order process of 0.7: 120 days are worth 120 x 0.3 / 1.7, some 21, and the range is wider."""
    draw = np.random.default_rng(5)
    noise = [0.0]
    for each in draw.normal(0, 1, 119):
        noise.append(0.7 * noise[-1] + float(each))
    found = trend.trend("rate", days([100 + each for each in noise]))
    assert found.effective_days == pytest.approx(21, rel=0.6)
    apart = trend.trend("rate", days([100 + each for each in draw.permutation(noise).tolist()]))
    assert (found.unseen_ratio or 0) > (apart.unseen_ratio or 0)


def test_a_few_bad_days_move_nothing() -> None:
    values = [100.0 + 0.01 * (nth % 3) for nth in range(60)]
    for nth in (20, 21, 40):
        values[nth] = 10.0
    assert not trend.trend("rate", days(values)).moves


def test_what_a_record_cannot_tell_apart_is_not_seen() -> None:
    """A bucket of 1/32: whatever moved within it over 90 days would be 3.16 % a quarter at most, by hand."""
    found = trend.trend("RTT", days([6.46] * 91), finest_ratio=1 / 32)
    assert not found.moves
    assert found.unseen_ratio == pytest.approx(91 / 90 / 32)
    assert "below 3.2 % a quarter" in found.because
    slow = days([100 + 0.001 * nth for nth in range(91)])
    assert trend.trend("RTT", slow).moves
    assert not trend.trend("RTT", slow, finest_ratio=1 / 32).moves


@pytest.mark.parametrize("count", [0, 1, 13])
def test_too_few_days(count: int) -> None:
    found = trend.trend("rate", days([100.0] * count))
    assert found.ratio is None
    assert "say nothing of a trend" in found.because
