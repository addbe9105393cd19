"""A burst run: bursts of growing size at the sender's line rate, each after a silence.

It ends as soon as the limit has shown itself the same way in three bursts of one size, so that no more is
sent than that takes. What bursts say stands in burst_shape and burst_outcome.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from probe import burst_outcome
from probe.bulk.pacer import packet_bytes
from probe.burst_outcome import Around, Bursts
from probe.control import Control
from probe.methods.carrying import Carried, OnProgress, Way
from probe.reach import Reach
from probe.wire.paced import BURST_PACKETS_MAX
from probe.wire.paced_control import PacedRequest
from store.bursts import BURST_BYTES, IDLE_S, BurstRun
from store.clock import Clock
from store.errors import UserMistake
from store.paced import OFFERED_BPS
from store.quantities import size_text
from store.records import Direction, Failed, Owner

WHAT = "run burst"

_ARRIVE_S = 0.2  # how long arrivals are waited for at least; while they go on, 3 s more


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstPlan:
    """What to send: bursts of `most_bytes` at most, at the IP layer, no faster than `line_bps`.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    most_bytes: int = BURST_BYTES[2]
    line_bps: int = OFFERED_BPS[1]
    idle_s: float = IDLE_S

    def __post_init__(self) -> None:
        low, high, _ = BURST_BYTES
        if self.direction is Direction.BOTH:
            raise UserMistake("direction: a burst run has one; expected up or down")
        if not low <= self.most_bytes <= high:
            raise UserMistake(
                f"most: expected {size_text(low)} to {size_text(high)}, not {size_text(self.most_bytes)}"
            )


async def run(
    plan: BurstPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> BurstRun | Failed:
    """Run once. Cancelled, it ends what is under way at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        return way if isinstance(way, Failed) else await _over(way, plan)


async def _over(way: Way, plan: BurstPlan) -> BurstRun | Failed:
    payload_bytes = await way.fitting_bytes()
    ip_bytes = packet_bytes(payload_bytes, way.ip_version)
    bursts = Bursts(ip_bytes=ip_bytes, most_packets=min(plan.most_bytes // ip_bytes, BURST_PACKETS_MAX))
    carried: list[Carried] = []
    failed: Failed | None = None
    while failed is None and (packets := bursts.next_packets()) is not None:
        await asyncio.sleep(plan.idle_s)
        way.say(f"{packets} packets at once, {plan.direction}")
        request = PacedRequest(
            direction=str(plan.direction),
            offered_bps=plan.line_bps,
            payload_bytes=payload_bytes,
            seconds=_ARRIVE_S,
            burst_packets=packets,
        )
        found = await way.carry(request)
        if isinstance(found, Failed):
            failed = found
            break
        seen = burst_outcome.seen(request, found.ends, found.around, way.where.evidence)
        if seen is None:
            failed = way.failed("the far end told nothing of the packets of a burst", Owner.ENDPOINT)
            break
        carried.append(found)
        bursts.seen.append(seen)
        bursts.dropped_socket += found.ends.received.dropped_socket
    if not carried:
        assert failed is not None  # noqa: S101 - the first burst is always sent
        return failed
    around = Around(
        request=carried[0].request,
        started_unix_ns=carried[0].started_unix_ns,
        idle_s=plan.idle_s,
        most_bytes=plan.most_bytes,
        ends=[one.ends for one in carried],
        broken=failed is not None,
        circumstances=[one.around for one in carried],
        rules=way.where.evidence,
    )
    return burst_outcome.record(bursts, around, names=way.names)
