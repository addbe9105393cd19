"""A capacity run: what a direction carries at most, searched for over UDP by RFC 9097 and never told.

The sender follows the receiver's reports (`probe.load_rate`). One at a time on a path: the endpoint has
nothing run beside it. How it is carried, and what becomes of one that breaks off, stands in
`probe.paced_attempt`.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe import capacity_outcome
from probe.control import Control
from probe.paced_attempt import OnProgress, PacedAttempt, Told, silent
from probe.reach import Reach
from probe.wire.paced import WORD_BYTES
from probe.wire.paced_control import CapacityRequest, PacedGrant, PacedRequest
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
        if not low <= self.payload_bytes <= high or self.payload_bytes % WORD_BYTES:
            raise UserMistake(
                f"payload: expected a multiple of {WORD_BYTES} from {low} to {high}, not {self.payload_bytes}"
            )


async def run(
    plan: CapacityPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> CapacityRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        attempt = _Attempt(
            what=WHAT,
            direction=plan.direction,
            seconds=plan.seconds,
            payload_bytes=plan.payload_bytes,
            where=where,
            clock=clock,
            control=control,
            say=on_progress or silent,
        )
        return await attempt.run()


@dataclass(slots=True, kw_only=True)
class _Attempt(PacedAttempt[CapacityRun]):
    async def open(self, payload_bytes: int) -> tuple[PacedGrant, PacedRequest] | Failed:
        request = CapacityRequest(
            direction=str(self.direction), payload_bytes=payload_bytes, seconds=self.seconds
        )
        grant = await self.control.open_capacity(request)
        if isinstance(grant, Failed):
            return grant
        if grant.most_bps is None:
            return self.failed(
                "the endpoint granted a run without saying how much it may offer", Owner.ENDPOINT
            )
        return grant, PacedRequest(
            direction=request.direction,
            offered_bps=grant.most_bps,
            payload_bytes=payload_bytes,
            seconds=self.seconds,
        )

    def searches(self) -> bool:
        return True

    def saying(self) -> str:
        return f"searching {self.direction} for {self.seconds:g} s"

    def judge(self, told: Told) -> CapacityRun | str:
        found = capacity_outcome.record(
            told.request,
            told.ends,
            started_unix_ns=told.started_unix_ns,
            circumstances=told.circumstances,
            names=told.names,
        )
        return found or "no whole second of the search kept its losses within their bound"
