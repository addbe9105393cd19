"""What a soak supports: the loss that its counts leave possible, exact at 95 %, and the sentence for it.

A bound is Clopper and Pearson's, one-sided, as if each packet were lost by itself. Losses that come in bursts
are fewer independent ones, and support less. What was lost on either way counts against both. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dashboard.judge import sampling
from store.quantities import grouped
from store.soaks import Soak


@dataclass(frozen=True, slots=True, kw_only=True)
class LossBounds:
    """The most that a loss ratio may be, for all that was counted; 1 where nothing was sent."""

    below_ratio: float
    up_below_ratio: float
    down_below_ratio: float


def judge(soak: Soak) -> LossBounds:
    """The bounds of a soak's loss there and back, up, and down.

    Down, only what reached the endpoint could be lost.
    """
    unknown = soak.lost_unattributed
    return LossBounds(
        below_ratio=sampling.upper_bound(soak.lost, soak.sent),
        up_below_ratio=sampling.upper_bound(soak.lost_up + unknown, soak.sent),
        down_below_ratio=sampling.upper_bound(soak.lost_down + unknown, soak.sent - soak.lost_up),
    )


def said(soak: Soak, bounds: LossBounds) -> str:
    """As in ``4 320 000 packets in 24 h, none lost up: less than 0.00007 % at 95 %; ...``."""
    if not soak.sent:
        return "Nothing was counted, so it says nothing of loss."
    ways = [("up", soak.lost_up, bounds.up_below_ratio), ("down", soak.lost_down, bounds.down_below_ratio)]
    parts = [f"{_lost(count)} {way}: less than {below(ratio)}" for way, count, ratio in ways]
    text = f"{grouped(soak.sent)} packets in {_hours(soak.counted_s)}, {' at 95 %; '.join(parts)} at 95 %."
    if soak.lost_unattributed:
        text += f" Of {_lost(soak.lost_unattributed)} nobody can say which way; both bounds hold all of them."
    return text


def below(ratio: float) -> str:
    """A bound in per cent, two digits of it, rounded up so that it stays one."""
    if ratio >= 1:
        return "100 %"
    share = ratio * 100
    decimals = max(0, 1 - math.floor(math.log10(share)))
    text = f"{math.ceil(share * 10**decimals - 1e-9) / 10**decimals:.{decimals}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"


def as_json(bounds: LossBounds) -> dict[str, float]:
    """For programs, beside the soak's own fields."""
    return {
        "loss_below_ratio": bounds.below_ratio,
        "loss_up_below_ratio": bounds.up_below_ratio,
        "loss_down_below_ratio": bounds.down_below_ratio,
        "confidence_ratio": sampling.CONFIDENCE,
    }


def _lost(count: int) -> str:
    return f"{count:,} lost" if count else "none lost"


def _hours(seconds: float) -> str:
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.4g} {unit}"
    return f"{seconds:.3g} s"
