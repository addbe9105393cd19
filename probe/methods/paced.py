"""A paced run: packets offered over UDP at a fixed rate in one direction, counted where they arrive.

What had arrived when a run breaks off is kept and says ``aborted``; a run of which nothing arrived, or whose
receiver was lost with its counts, is a `Failed`.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe import paced_outcome
from probe.control import Control
from probe.methods.carrying import OnProgress, Way
from probe.reach import Reach
from probe.wire.paced import PAYLOAD_BYTES, STEP_BYTES
from probe.wire.paced_control import PacedRequest
from store.clock import Clock
from store.errors import UserMistake
from store.paced import OFFERED_BPS, PacedRun
from store.quantities import port_rate
from store.records import Direction, Failed

WHAT = "run paced"


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedPlan:
    """What to run: `offered_bps` at the IP layer; `payload_bytes` None for the largest that fits the way.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    offered_bps: int
    seconds: float
    payload_bytes: int | None = None

    def __post_init__(self) -> None:
        low, high = OFFERED_BPS
        if self.direction is Direction.BOTH:
            raise UserMistake("direction: a paced run has one; expected up or down")
        if not low <= self.offered_bps <= high:
            raise UserMistake(f"offered: expected 100 kb/s to 10 Gb/s, not {port_rate(self.offered_bps)}")
        if not self.seconds >= 1:
            raise UserMistake(f"seconds: expected 1 or more, not {self.seconds:g}")
        low, high = PAYLOAD_BYTES
        size = self.payload_bytes
        if size is not None and (not low <= size <= high or size % STEP_BYTES):
            raise UserMistake(
                f"payload: expected a multiple of {STEP_BYTES} from {low} to {high}, not {size}"
            )


async def run(
    plan: PacedPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> PacedRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        return way if isinstance(way, Failed) else await over(way, plan)


async def over(way: Way, plan: PacedPlan) -> PacedRun | Failed:
    """One run over a way that is open already."""
    too_long = way.too_long(plan.seconds)
    if too_long is not None:
        return too_long
    request = PacedRequest(
        direction=str(plan.direction),
        offered_bps=plan.offered_bps,
        payload_bytes=plan.payload_bytes or await way.fitting_bytes(),
        seconds=plan.seconds,
    )
    way.say(f"{plan.offered_bps / 1e6:g} Mb/s {plan.direction} for {plan.seconds:g} s")
    carried = await way.carry(request)
    if isinstance(carried, Failed):
        return carried
    return paced_outcome.record(
        request,
        carried.ends,
        started_unix_ns=carried.started_unix_ns,
        circumstances=carried.around,
        names=way.names,
        rules=way.where.evidence,
    )
