"""A capacity run: what a direction carries at most, searched for over UDP by RFC 9097 and never told.

The sender follows the receiver's reports (`probe.load_rate`). One at a time on a path: the endpoint lets
nothing run beside it. What had arrived when a run breaks off is kept and says ``aborted``; a run without one
whole second that counts is a `Failed`.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe import capacity_outcome
from probe.control import Control
from probe.methods.carrying import OnProgress, Way
from probe.reach import Reach
from probe.wire.paced import STEP_BYTES
from probe.wire.paced_control import CapacityRequest
from store.capacity import PAYLOAD_BYTES, SECONDS, STANDARD_PAYLOAD_BYTES, CapacityRun
from store.clock import Clock
from store.errors import UserMistake
from store.records import Direction, Failed, Owner

WHAT = "run capacity"


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityPlan:
    """What to search; raises UserMistake for figures no endpoint could grant."""

    direction: Direction
    seconds: float = 10
    payload_bytes: int = STANDARD_PAYLOAD_BYTES

    def __post_init__(self) -> None:
        if self.direction is Direction.BOTH:
            raise UserMistake("direction: a capacity run has one; expected up or down")
        low, high = SECONDS
        if not low <= self.seconds <= high:
            raise UserMistake(f"seconds: expected {low} to {high}, not {self.seconds:g}")
        low, high = PAYLOAD_BYTES
        if not low <= self.payload_bytes <= high or self.payload_bytes % STEP_BYTES:
            raise UserMistake(
                f"payload: expected a multiple of {STEP_BYTES} from {low} to {high}, not {self.payload_bytes}"
            )


async def run(
    plan: CapacityPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> CapacityRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        return way if isinstance(way, Failed) else await over(way, plan)


async def over(way: Way, plan: CapacityPlan) -> CapacityRun | Failed:
    """One run over a way that is open already."""
    too_long = way.too_long(plan.seconds)
    if too_long is not None:
        return too_long
    asked = CapacityRequest(
        direction=str(plan.direction), payload_bytes=plan.payload_bytes, seconds=plan.seconds
    )
    way.say(f"searching {plan.direction} for {plan.seconds:g} s")
    carried = await way.search(asked)
    if isinstance(carried, Failed):
        return carried
    found = capacity_outcome.record(
        carried.request,
        carried.ends,
        started_unix_ns=carried.started_unix_ns,
        circumstances=carried.around,
        names=way.names,
        rules=way.where.evidence,
    )
    why = "no whole second of the search kept its losses within their bound"
    return found or way.failed(why, Owner.UNKNOWN)
