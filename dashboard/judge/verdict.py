"""The shape of a contract verdict: a word, one sentence that gives its reason, and every count behind it.

Stands on store.records only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from store.layers import Layer
from store.records import Direction


class Word(StrEnum):
    """What can be said of a promise. UNDECIDED: tested, but the runs support neither side."""

    MET = "met"
    NOT_MET = "not met"
    UNDECIDED = "undecided"
    NOT_TESTED = "not tested"


@dataclass(frozen=True, slots=True, kw_only=True)
class RateVerdict:
    """Whether one direction of a handoff carries what its contract card states.

    `n` runs counted, worth `effective_n` independent ones: `met` surely reached the rate, `not_met`
    surely did not, `open_` lie between (their method error or the unstated layer decides nothing).
    `share` is met / n, `bound_low` and `bound_high` its one-sided 95 % exact bounds, the open runs
    taken as not met for the lower and as met for the upper. `excluded_why` counts the runs left out
    by reason code. `more_runs` would decide if shares stay as they are, which takes `more_days` at as many
    a day as so far; None when decided or when nothing can be said. `question` is what to ask the provider
    when the card's silence decides.
    """

    word: Word
    because: str
    direction: Direction
    needed_bps: int | None
    layer_used: Layer
    conversion: str
    met_ratio: float
    n: int
    effective_n: float
    met: int
    not_met: int
    open_: int
    share: float | None
    bound_low: float
    bound_high: float
    excluded: int
    void: int
    failed: int
    skipped: int
    excluded_why: tuple[tuple[str, int], ...]
    days: int
    more_runs: int | None
    more_days: int | None
    question: str | None


def outward(low: float, high: float) -> tuple[float, float]:
    """Bounds of a share to a tenth of a percent, rounded apart, so that neither says too much."""
    return math.floor(low * 1000 + 1e-9) / 1000, math.ceil(high * 1000 - 1e-9) / 1000
