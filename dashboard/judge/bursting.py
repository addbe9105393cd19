"""Keyframes of every destination at the same instant, against what a limit on the line lets pass at once.

The outputs of one encoder key together, and their keyframes leave at the speed of the house's network. What
does not fit the limiter's bucket (its CBS) while it refills, N x I x (1 - rate / line rate) bytes, is
dropped by a policer, every keyframe interval again although the mean is small; a shaper delays it. Own
derivation. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.judge.layers import rate_text
from store import demand
from store.quantities import size_text
from store.site import Destination


@dataclass(frozen=True, slots=True, kw_only=True)
class Bucket:
    """What a limit on the way up lets pass at once (`cbs_bytes`, IP layer), beyond its rate.

    `drops` says that it drops the excess, None that nobody knows. `line_bps` is how fast a burst reaches it,
    None where that is unknown: then nothing refills. `source` is where this is known from, for a sentence.
    """

    cbs_bytes: int
    rate_bps: int
    line_bps: int | None
    drops: bool | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One keyframe of each destination at the same instant.

    `bytes_` at the IP layer; `needs_bytes` of bucket; `lost_bytes` what a policer drops of it, or a shaper
    holds for `held_s`.
    """

    bytes_: int
    needs_bytes: int
    lost_bytes: int
    held_s: float


def aligned(destinations: Sequence[Destination], bucket: Bucket) -> Burst:
    """What the bucket makes of all keyframes at once."""
    together = keyframes_ip_bytes(destinations)
    refill = 0.0 if bucket.line_bps is None else min(1.0, bucket.rate_bps / bucket.line_bps)
    needs = round(together * (1 - refill))
    over = max(0, needs - bucket.cbs_bytes)
    return Burst(
        bytes_=together,
        needs_bytes=needs,
        lost_bytes=over,
        held_s=over * 8 / bucket.rate_bps if bucket.rate_bps else 0.0,
    )


def keyframes_ip_bytes(destinations: Sequence[Destination]) -> int:
    """One keyframe of each destination, with its transport's headers."""
    return round(sum(demand.keyframe_bytes(one) * demand.FACTORS[one.transport] for one in destinations))


def drain_s(destinations: Sequence[Destination], rate_bps: int) -> float:
    """How long a line of this rate (IP layer) takes for all of them; what follows waits so long."""
    return keyframes_ip_bytes(destinations) * 8 / rate_bps


def said(destinations: Sequence[Destination], bucket: Bucket) -> str:
    """What happens to keyframes that do not fit, as a clause."""
    burst = aligned(destinations, bucket)
    every = min(one.keyframe_s for one in destinations)
    keys = "the keyframe" if len(destinations) == 1 else f"{len(destinations)} keyframes at one instant"
    fate = {
        True: f"so {size_text(burst.lost_bytes)} are lost every {every:g} s although the mean rate is small",
        False: f"so they wait {burst.held_s * 1000:.0f} ms longer than the rest",
        None: f"so every {every:g} s a policer drops {size_text(burst.lost_bytes)} and a shaper holds them "
        f"for {burst.held_s * 1000:.0f} ms",
    }[bucket.drops]
    return (
        f"{keys} ({size_text(burst.bytes_)}) need a burst of {size_text(burst.needs_bytes)}, and the limit "
        f"of {rate_text(bucket.rate_bps)} lets {size_text(bucket.cbs_bytes)} pass at once "
        f"({bucket.source}), {fate}; pace the sender, shape just under the rate in the house's own router, "
        "stagger the keyframes, or ask for a larger burst size"
    )
