"""Whether what a process holds is level, by numbers alone: the rule of both soaks and of `growth`.

The slope is that of Theil and Sen (the median of the slopes between all pairs of looks), with its confidence
interval by Sen 1968, as scipy.stats.theilslopes has them: a look that fell into a run or a record under way
moves neither. It is "level" when even the upper end lies below `least`, the smallest leak that the looks were
to find; else it "grows" when the lower end is above 0, and "cannot be told" when it is not: then the looks
were too few, or what they saw too unsteady.
Imports scipy alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_low

from scipy import stats

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What became of octets by hour, or by operation; `low` and `high` hold the slope with 95 %."""

    word: str  # level, grows, cannot be told
    slope: float
    low: float
    high: float
    least: float

    def said(self, unit: str) -> str:
        return (
            f"{self.word}: {self.slope:+,.0f} bytes {unit} (95 %: {self.low:+,.0f} to {self.high:+,.0f}; "
            f"a leak of {self.least:,.0f} was to be found)"
        )


def level(at: Sequence[float], held_bytes: Sequence[float], *, least: float) -> Level:
    """The slope over `at`, hours or operations. Raises ValueError for fewer than four looks."""
    if len(at) != len(held_bytes) or len(at) < 4:
        raise ValueError(f"{len(at)} looks are too few for a slope with an interval; expected 4 at least")
    slope, _, low, high = (float(one) for one in stats.theilslopes(held_bytes, at, CONFIDENCE))
    word = "level" if high < least else "grows" if low > 0 else "cannot be told"
    return Level(word=word, slope=slope, low=low, high=high, least=least)


def at_rest(looks: Sequence[tuple[float, int, int]]) -> list[tuple[float, int]]:
    """Of looks (when, what is under way, octets) those at which no more was under way than usually.

    Tasks and secured connections are: each of those has a buffer of 262,144 octets (asyncio's).
    """
    usual = median_low(busy for _, busy, _ in looks)
    return [(at, held_bytes) for at, busy, held_bytes in looks if busy == usual]
