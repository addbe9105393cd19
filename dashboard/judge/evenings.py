"""The evenings of a month beside each other: which was the worst to send from.

Pure; imports store.records. An evening is ranked by the middle one of its upload runs; of two alike the one
with more seconds of stalls is the worse. One with fewer than `ENOUGH_RUNS` is not ranked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median_low

from store.records import Stall

ENOUGH_RUNS = 4  # of fewer, one odd run decides what the middle one is; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """What one evening showed. Rates are of payload; None without a run.

    `stalls` and `stalled_s` are those of the train that saw most, for several see the same; None where no
    train watched.
    """

    day: date
    runs: int
    middle_bps: float | None
    least_bps: int | None
    stalls: int | None
    stalled_s: float | None

    @property
    def ranked(self) -> bool:
        return self.runs >= ENOUGH_RUNS

    @property
    def seen(self) -> bool:
        """Whether anything is known of it."""
        return bool(self.runs or self.stalls)


def evening(day: date, rates_bps: Sequence[int], stalls: Iterable[Stall] | None) -> Evening:
    """One evening from its runs that count and its stalls to endpoints outside, None where none watched."""
    seen: dict[str, list[float]] = {}
    for one in stalls or ():
        seen.setdefault(one.endpoint, []).append(one.seconds)
    most = max(seen.values(), key=sum, default=[])
    return Evening(
        day=day,
        runs=len(rates_bps),
        middle_bps=median_low(rates_bps) if rates_bps else None,
        least_bps=min(rates_bps, default=None),
        stalls=None if stalls is None else len(most),
        stalled_s=None if stalls is None else sum(most),
    )


def worst_first(found: Iterable[Evening]) -> list[Evening]:
    """The evenings from the worst on; those that cannot be ranked come last, by day."""

    def place(one: Evening) -> tuple[bool, float, float, date]:
        if not one.ranked or one.middle_bps is None:
            return True, 0.0, 0.0, one.day
        return False, one.middle_bps, -(one.stalled_s or 0.0), one.day

    return sorted(found, key=place)


def most_stalled(found: Iterable[Evening]) -> Evening | None:
    """The evening with most seconds of stalls; None where there was none."""
    return max((one for one in found if one.stalled_s), key=lambda one: one.stalled_s or 0.0, default=None)
