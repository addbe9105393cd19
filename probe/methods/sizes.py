"""A size sweep: paced runs of frames from 128 to 1518 bytes, all at one offered rate, over one way.

Sizes that do not fit the way are left out. What they say together stands in layer_fit and parts_outcome.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe import parts_outcome
from probe.bulk.pacer import packet_bytes
from probe.control import Control
from probe.methods import paced
from probe.methods.carrying import OnProgress, Way
from probe.methods.paced import PacedPlan
from probe.reach import Reach
from store.clock import Clock
from store.errors import UserMistake
from store.layers import ETHERNET_BYTES
from store.paced import PART_S, PacedRun
from store.records import Direction, Failed
from store.sizes import FRAMES_BYTES, SizesRun

WHAT = "run sizes"


@dataclass(frozen=True, slots=True, kw_only=True)
class SizesPlan:
    """What to send: `offered_bps` at the IP layer in each size, `seconds` each.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    offered_bps: int
    seconds: float = PART_S

    def __post_init__(self) -> None:
        if not self.seconds >= 2:
            raise UserMistake(f"seconds: expected 2 or more of each size, not {self.seconds:g}")
        PacedPlan(direction=self.direction, offered_bps=self.offered_bps, seconds=self.seconds)


async def run(
    plan: SizesPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> SizesRun | Failed:
    """Run once. Cancelled, it ends what is under way at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        return way if isinstance(way, Failed) else await _over(way, plan)


async def _over(way: Way, plan: SizesPlan) -> SizesRun | Failed:
    largest_bytes = await way.fitting_bytes()
    runs: list[tuple[int, PacedRun]] = []
    for frame_bytes in FRAMES_BYTES:
        payload_bytes = frame_bytes - ETHERNET_BYTES - packet_bytes(0, way.ip_version)
        if payload_bytes > largest_bytes:
            continue
        one = PacedPlan(
            direction=plan.direction,
            offered_bps=plan.offered_bps,
            seconds=plan.seconds,
            payload_bytes=payload_bytes,
        )
        way.say(f"frames of {frame_bytes} bytes")
        found = await paced.over(way, one)
        if isinstance(found, Failed):
            if not runs:
                return found
            return parts_outcome.sizes(runs, broken=True, names=way.names)
        runs.append((frame_bytes, found))
    return parts_outcome.sizes(runs, broken=False, names=way.names)
