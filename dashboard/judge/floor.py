"""The assured floor: the rate that 95 % of comparable runs exceed, with 95 % confidence.

The value of a run is its slowest second after start-up. The (k+1)-th smallest of n values bounds
their 5th percentile from below when k is the most failures that n runs may show in support of "95 %
met" (order statistics, sampling). Values are taken as independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.judge import layers, sampling

FLOOR_SHARE = 0.05  # the floor bounds this quantile
LEAST_RUNS = sampling.least_runs(0, 1 - FLOOR_SHARE)  # 59: with fewer, no value bounds it


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """`bps` is None without runs. `exact` says that it is the bound; otherwise the smallest run stands in.

    `rank` is the place from 1 of the value taken, counted from the smallest of `n`.
    """

    bps: int | None
    n: int
    rank: int
    exact: bool
    because: str


def assured_floor(values_bps: Sequence[int]) -> Floor:
    """The floor of runs' values, all at one layer; which runs enter is the caller's choice."""
    n = len(values_bps)
    if not n:
        return Floor(bps=None, n=0, rank=0, exact=False, because="There is no run to take a floor from.")
    bound = sampling.lower_rank(n, FLOOR_SHARE)
    rank = bound or 1
    bps = sorted(values_bps)[rank - 1]
    if bound:
        because = (
            f"{layers.rate_text(bps)} is number {rank} from below of {n} runs' slowest seconds: with 95 % "
            "confidence, 95 % of such runs stay above it."
        )
    else:
        because = (
            f"{layers.rate_text(bps)} is the smallest of {n} runs' slowest seconds; it stands in for "
            f"a floor, which takes {LEAST_RUNS} runs."
        )
    return Floor(bps=bps, n=n, rank=rank, exact=bound is not None, because=because)
