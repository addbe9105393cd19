"""A slow change of a daily figure as a slope with its range, and what change would go unseen.

The slope is Theil and Sen's median of all pairs, which a few bad days do not move. Its 95 % range holds for
days that are independent; days in a row are alike, so it is widened by what their likeness costs. Pure. Uses
scipy, whose statistics are imported when first needed: they take a second, and most pages show no trend.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.judge import sampling

QUARTER_DAYS = 91
LEAST_DAYS = 14  # fewer say nothing of a slope; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change of a figure a quarter, as a share of its median: least, likely and most at 95 %.

    `moves` is True where the range leaves out no change. `unseen_ratio` is the largest change a quarter that
    the days do not rule out. All are None of too few days.
    """

    what: str
    days: int
    effective_days: float
    median: float | None
    low_ratio: float | None
    ratio: float | None
    high_ratio: float | None
    moves: bool
    unseen_ratio: float | None
    because: str


def trend(what: str, days: Sequence[tuple[int, float]], *, finest_ratio: float = 0.0) -> Trend:
    """The trend of (day number, value), oldest first.

    Values are told apart to `finest_ratio` of themselves, so what moved less over all the days is not seen.
    """
    values = [value for _, value in days]
    median = sorted(values)[len(values) // 2] if values else 0.0
    if len(days) < LEAST_DAYS or median <= 0 or days[-1][0] - days[0][0] < LEAST_DAYS:
        return _too_few(what, len(days))
    from scipy import stats

    found = stats.theilslopes(values, [day for day, _ in days], alpha=1 - sampling.CONFIDENCE)
    slope, low, high = (float(each) for each in (found.slope, found.low_slope, found.high_slope))
    likeness = _worth(values, [day for day, _ in days], slope)
    wider = 1 / math.sqrt(likeness)
    per_quarter = QUARTER_DAYS / median
    least, likely, most = ((slope + (each - slope) * wider) * per_quarter for each in (low, slope, high))
    finest = finest_ratio * QUARTER_DAYS / (days[-1][0] - days[0][0])
    moves = (least > 0 or most < 0) and abs(likely) > finest
    unseen = max(abs(least), abs(most), finest)
    return Trend(
        what=what,
        days=len(days),
        effective_days=len(days) * likeness,
        median=median,
        low_ratio=least,
        ratio=likely,
        high_ratio=most,
        moves=moves,
        unseen_ratio=unseen,
        because=_because(what, len(days), (least, likely, most), moves=moves, unseen=unseen),
    )


def _worth(values: Sequence[float], days: Sequence[int], slope: float) -> float:
    """The share of the days that count as independent, by the likeness of what the slope leaves."""
    rest = [value - slope * day for day, value in zip(days, values, strict=True)]
    return max(sampling.worth(sampling.lag_one(rest)), 1 / len(values))


def _too_few(what: str, days: int) -> Trend:
    return Trend(
        what=what,
        days=days,
        effective_days=float(days),
        median=None,
        low_ratio=None,
        ratio=None,
        high_ratio=None,
        moves=False,
        unseen_ratio=None,
        because=f"{what}: {days} days say nothing of a trend; it takes {LEAST_DAYS}, the last so many after "
        "the first.",
    )


def _because(what: str, days: int, ratios: tuple[float, float, float], *, moves: bool, unseen: float) -> str:
    least, likely, most = ratios
    if not moves:
        return f"{what}: no change detectable below {100 * unseen:.1f} % a quarter, by {days} days."
    way = "rises" if likely > 0 else "falls"
    return (
        f"{what} {way} by {100 * abs(likely):.1f} % a quarter, between {100 * least:+.1f} and "
        f"{100 * most:+.1f} % at 95 %, by {days} days."
    )
