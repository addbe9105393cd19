"""The days on which a daily figure moved to another level and stayed.

The levels are those that describe the days best at a price for each change (PELT, as ruptures has it in C).
The price is set by the days' own noise, the noise by how they differ from the day before and by how alike
neighbours are, so that a figure which only wanders is not cut into levels. Pure. Uses numpy,
and ruptures, imported when first needed since it takes a second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from dashboard.judge import sampling

LEAST_DAYS = 5  # that a level lasts, so that a long weekend is none; common practice, no source
# Times log(n). By simulation no series in a hundred of 60 to 360 independent days is cut, and four of 60 days
# that are alike by 0.6; a step of twice the days' own spread is found within three days in 98 of a hundred.
_PRICE = 5.0
_MAD_TO_SIGMA = 1.4826  # of a normal distribution
_LEAST_RATIO = 0.005  # of the figure: days that agree better are not told apart; our own method error


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """From `day` on the figure's level was `after`, before it `before`; medians of the days of each level.

    `day` is a day number as it was handed in; the change came after `last_before`, the day on record before.
    """

    day: int
    last_before: int
    before: float
    after: float

    @property
    def ratio(self) -> float | None:
        """The change as a share of the level before."""
        return (self.after - self.before) / self.before if self.before else None


def changes(days: Sequence[tuple[int, float]]) -> tuple[Change, ...]:
    """The changes of (day number, value), oldest first; none of fewer than twice `LEAST_DAYS`."""
    values = np.array([value for _, value in days], dtype=float)
    if len(values) < 2 * LEAST_DAYS:
        return ()
    import ruptures

    sigma = _noise(values)
    found = ruptures.KernelCPD(kernel="linear", min_size=LEAST_DAYS).fit((values / sigma).reshape(-1, 1))
    edges = [0, *found.predict(pen=_PRICE * math.log(len(values)))]
    kept = [0]  # a few odd days may be cut out, yet the median of their level is that of the days around
    for low, high in pairwise(edges[1:]):
        if abs(_level(values, kept[-1], low) - _level(values, low, high)) > sigma:
            kept.append(low)
    kept.append(len(values))
    levels = [_level(values, low, high) for low, high in pairwise(kept)]
    return tuple(
        Change(day=days[edge][0], last_before=days[edge - 1][0], before=before, after=after)
        for edge, (before, after) in zip(kept[1:-1], pairwise(levels), strict=True)
    )


def _level(values: npt.NDArray[np.float64], low: int, high: int) -> float:
    return float(np.median(values[low:high]))


def _noise(values: npt.NDArray[np.float64]) -> float:
    """The spread of a level's mean as if its days were independent; never below what is worth telling."""
    steps = np.diff(values)
    sigma = _MAD_TO_SIGMA * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(2)
    least = max(abs(float(np.median(values))) * _LEAST_RATIO, 1e-12)
    if sigma <= least:
        return least
    # steps in a row are correlated by -1/2 where days are independent, and by less where they are alike
    likeness = min(max(2 * sampling.lag_one(steps.tolist()) + 1, 0.0), 0.9)
    return sigma * math.sqrt(1 + likeness) / (1 - likeness)
