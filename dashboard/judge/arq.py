"""Repeats on request: what a latency survives, what is left unrecovered, and which latency to set.

A lost packet can be asked for again as often as a round trip and the time to notice fit into the latency.
While nothing arrives at all for b seconds, all of it has to be repeated beside the stream, at a share h of
its rate, before the first of it is late: L >= RTT + b/h. So spare rate buys as much as latency does. Losses
are taken as independent where `unrecovered` says so. Own derivation; four round trips as a value to start
from are common practice, no source. Pure; imports store only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from store.site import Destination

START_ROUND_TRIPS = 4  # of the median, as a latency to start from
LEAST_LATENCY_S = 0.12  # below, one repeat hardly fits on any line to the outside; common practice, no source
LONGEST_LATENCY_S = 10.0  # beyond, it is no longer live
_STEP_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Latency:
    """The latency to set, and why. `survives_s` is the longest silence with every packet lost that it
    outlasts; `seen_s` the longest such one on record, None where there was none."""

    latency_s: float
    survives_s: float
    seen_s: float | None
    because: str


def repeats(latency_s: float, *, rtt_s: float, notice_s: float) -> int:
    """How often a packet can be asked for again in time: floor(L / (RTT + notice))."""
    if rtt_s + notice_s <= 0:
        return 0
    return math.floor(latency_s / (rtt_s + notice_s) + 1e-9)


def unrecovered(loss_ratio: float, times: int) -> float:
    """The share of packets that never arrive in time, losses independent: p^(k+1)."""
    return float(loss_ratio ** (times + 1))


def repeat_share(destination: Destination, headroom: float) -> float:
    """The share of its rate that a destination can repeat: what the line leaves, up to its ceiling."""
    return min(max(0.0, headroom - 1), destination.repeat_ceiling, 1.0)


def survives_s(latency_s: float, *, rtt_s: float, share: float) -> float:
    """The longest silence, every packet of it lost, of which nothing is missing in the end: (L - RTT) h."""
    return max(0.0, latency_s - rtt_s) * share


def latency_for(silence_s: float, *, rtt_s: float, share: float) -> float:
    """Undo `survives_s`: the latency that outlasts such a silence; infinite without rate to spare."""
    return rtt_s + silence_s / share if share > 0 else math.inf


def propose(
    silences_s: Sequence[float], *, rtt_s: float, rtt_p99_s: float, share: float, now_s: float
) -> Latency:
    """The latency for a destination: at least four round trips and what 99 % of packets take, and more as far
    as that outlasts every silence on record (`silences_s`, those whose packets were lost).

    `now_s` is what it is set to; a proposal never goes below it.
    """
    start_s = max(START_ROUND_TRIPS * rtt_s, rtt_p99_s, LEAST_LATENCY_S, now_s)
    seen_s = max(silences_s, default=None)
    wanted_s = latency_for(seen_s, rtt_s=rtt_s, share=share) if seen_s and share > 0 else start_s
    latency_s = min(LONGEST_LATENCY_S, max(start_s, wanted_s))
    latency_s = math.ceil(latency_s / _STEP_S - 1e-9) * _STEP_S
    survived_s = survives_s(latency_s, rtt_s=rtt_s, share=share)
    if share <= 0:
        because = (
            f"{latency_s:.2f} s to start from; the line has no rate to spare for repeats, so no latency "
            f"outlasts a silence in which every packet is lost"
        )
        return Latency(latency_s=latency_s, survives_s=0.0, seen_s=seen_s, because=because)
    because = (
        f"{latency_s:.2f} s, with repeats of {share * 100:.0f} % of the rate, outlasts {survived_s:.2f} s in "
        f"which "
        "every packet is lost"
    )
    if seen_s is None:
        because += f"; no such silence is on record, and {START_ROUND_TRIPS} round trips are a start"
    elif survived_s >= seen_s - 1e-9:
        because += f", the longest on record being {seen_s:.1f} s"
    else:
        because += (
            f"; the longest on record was {seen_s:.1f} s, which takes more rate to spare and not more latency"
        )
    return Latency(latency_s=latency_s, survives_s=survived_s, seen_s=seen_s, because=because)
