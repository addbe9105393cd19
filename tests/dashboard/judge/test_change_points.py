"""Days on which a figure moved: against planted steps, noise alone, and a search of every place by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashboard.judge import change_points


def days(values: list[float], first: int = 0) -> list[tuple[int, float]]:
    return [(first + nth, value) for nth, value in enumerate(values)]


def best_cut(values: list[float]) -> int:
    """The place of one cut that leaves the least squares, tried everywhere."""

    def rest(part: list[float]) -> float:
        mean = sum(part) / len(part)
        return sum((each - mean) ** 2 for each in part)

    places = range(change_points.LEAST_DAYS, len(values) - change_points.LEAST_DAYS + 1)
    return min(places, key=lambda place: rest(values[:place]) + rest(values[place:]))


@pytest.mark.parametrize("seed", range(5))
def test_a_step_is_found_on_its_day(seed: int) -> None:
    """F7: +11 ms from a day on; the same place as trying every one of them."""
    draw = np.random.default_rng(seed)
    values = (21 + draw.normal(0, 0.4, 60)).tolist()
    values[23:] = [each + 11 for each in values[23:]]
    [found] = change_points.changes(days(values, first=100))
    assert found.day == 100 + best_cut(values) == 123
    assert found.last_before == 122
    assert (found.before, found.after) == (pytest.approx(21, abs=0.4), pytest.approx(32, abs=0.4))
    assert found.ratio == pytest.approx(11 / 21, abs=0.05)


def test_down_and_up_again() -> None:
    """G6: nine days at 84 % within four months are two changes."""
    draw = np.random.default_rng(1)
    values = (1400 + draw.normal(0, 6, 120)).tolist()
    values[60:69] = [each * 0.84 for each in values[60:69]]
    assert [one.day for one in change_points.changes(days(values))] == [60, 69]


def test_noise_alone_is_hardly_ever_cut() -> None:
    """Of 100 series without a change, half of them with days alike by 0.4, at most 3 are cut."""
    cut = 0
    for seed in range(100):
        draw, phi = np.random.default_rng(seed), 0.4 * (seed % 2)
        noise = [float(draw.normal())]
        for each in draw.normal(0, 1, 89):
            noise.append(phi * noise[-1] + float(each))
        cut += bool(change_points.changes(days([100 + each for each in noise])))
    assert cut <= 3


def test_the_same_every_day_and_too_few_days() -> None:
    assert change_points.changes(days([5.0] * 60)) == ()
    assert change_points.changes(days([5.0, 9.0] * 4)) == ()
    [step] = change_points.changes(days([5.0] * 20 + [6.0] * 20))
    assert step.day == 20


def test_a_step_far_below_the_noise_is_not_claimed() -> None:
    draw = np.random.default_rng(3)
    values = (100 + draw.normal(0, 5, 60)).tolist()
    values[30:] = [each + 5 / math.sqrt(60) for each in values[30:]]
    assert change_points.changes(days(values)) == ()
