"""How the slowest seconds of runs are spread, beside the floor that they assure.

Percentiles are by nearest rank, of the values themselves. Pure; imports floor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.judge.floor import Floor, assured_floor

RANKS = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Values in bit/s from the least on, their percentiles at `RANKS`, and the floor."""

    values_bps: tuple[int, ...]
    percentiles_bps: tuple[int, ...]
    floor: Floor

    @property
    def n(self) -> int:
        return len(self.values_bps)


def spread(values_bps: Sequence[int]) -> Spread:
    """At least one value, all of one direction and at one layer."""
    ordered = tuple(sorted(values_bps))
    return Spread(
        values_bps=ordered,
        percentiles_bps=tuple(ordered[max(0, math.ceil(rank * len(ordered)) - 1)] for rank in RANKS),
        floor=assured_floor(ordered),
    )


def steps(found: Spread, *, most: int) -> list[tuple[int, float]]:
    """(bit/s, share of the runs at or below it), at `most` points or fewer; least and greatest are kept."""
    n = found.n
    every = math.ceil(n / (most - 1)) if n > most else 1
    places = sorted({*range(0, n, every), n - 1})
    return [(found.values_bps[place], (place + 1) / n) for place in places]
