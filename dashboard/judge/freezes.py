"""What the stalls of comparable hours would have cost a plan: freezes and seconds of picture.

Each recorded stall is replayed through the send buffer of each destination (fluid), by what its
transport makes of packets that came late and of packets that never came.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from dashboard.judge import arq, fluid
from dashboard.judge.comparable import History
from store import demand
from store.clock import NS_PER_S
from store.records import Stall
from store.site import Destination, Transport

OUTAGE_S = (
    10.0  # what lasts longer is an outage: no buffer of a live show outlasts it; common practice, no source
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frozen:
    """What the stalls of comparable hours would have cost, an hour of show.

    `outages` are those of the freezes that lasted more than 10 s; of each the picture's first 10 s count,
    since one of an hour says nothing more of buffers.
    """

    freezes: float
    lost_s: float
    outages: float = 0.0


def headroom_of(destinations: Sequence[Destination], history: History) -> float:
    """What the floor leaves for the streams, over the demand."""
    needs, _, _ = demand.together(destinations, loss_ratio=history.loss_ratio)
    return history.free_bps / needs


def by_stall(destinations: Sequence[Destination], history: History) -> list[list[float]]:
    """Seconds of picture that each stall of each train costs the destination that it hits worst."""
    headroom = headroom_of(destinations, history)
    each = [[_lost(one, train, headroom, history.rtt_s) for one in destinations] for train in history.trains]
    return [[max(stall) for stall in zip(*train, strict=True)] for train in each]


def frozen(destinations: Sequence[Destination], history: History) -> Frozen:
    """The freezes and lost seconds of the destination hit worst, stall by stall, as shares of an hour."""
    lost_s = [stall_s for train in by_stall(destinations, history) for stall_s in train]
    return Frozen(
        freezes=history.per_hour(sum(stall_s > 0 for stall_s in lost_s)),
        lost_s=history.per_hour(sum(min(stall_s, OUTAGE_S) for stall_s in lost_s)),
        outages=history.per_hour(
            sum(stall.seconds > OUTAGE_S for train in history.trains for stall in train)
        ),
    )


@lru_cache(maxsize=512)  # a plan's changes have most of its destinations alike, and so has the next look
def _lost(
    destination: Destination, stalls: tuple[Stall, ...], headroom: float, rtt_s: float
) -> tuple[float, ...]:
    """Seconds of picture that each stall costs this destination; 0 for those that its buffer outlasts."""
    stretches: list[fluid.Stretch] = []
    free_ns: int | None = None
    for stall in stalls:
        silence_s, window_s = _hit(destination, stall, headroom=headroom, rtt_s=rtt_s)
        since_s = 0.0 if free_ns is None else max(0.0, (stall.started_unix_ns - free_ns) / NS_PER_S)
        stretches += [
            # what an over-full line loses between stalls is a matter of capacity, and judged there
            fluid.Stretch(seconds=since_s, headroom=max(1.0, headroom), window_s=destination.buffer_s),
            fluid.Stretch(seconds=silence_s, headroom=0.0, window_s=window_s),
        ]
        free_ns = stall.started_unix_ns + int(silence_s * NS_PER_S)
    wait_s = destination.keyframe_s / 2
    return tuple(lost_s + wait_s if lost_s else 0.0 for lost_s in fluid.replay(stretches)[1::2])


def _hit(destination: Destination, stall: Stall, *, headroom: float, rtt_s: float) -> tuple[float, float]:
    """The silence that a stall means for this transport, and how much of it is survived, in seconds.

    Packets held back arrive after all: the buffer decides. Lost ones: TCP stays silent until it next
    tries; ARQ survives b when its latency is at least RTT + b/h, h the share of its rate it can repeat
    beside the stream; RTP repeats nothing.
    """
    if stall.how == "held":
        return stall.seconds, destination.buffer_s
    match destination.transport:
        case Transport.TCP:
            return fluid.tcp_silence_s(stall.seconds), destination.buffer_s
        case Transport.ARQ:
            return stall.seconds, arq.survives_s(
                destination.buffer_s, rtt_s=rtt_s, share=arq.repeat_share(destination, headroom)
            )
        case Transport.RTP:
            return stall.seconds, 0.0
