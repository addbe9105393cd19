"""A paced run: packets offered over UDP at a fixed rate in one direction, counted where they arrive.

How it is carried, and what becomes of one that breaks off, stands in `probe.paced_attempt`.
"""

from __future__ import annotations

from dataclasses import dataclass

from probe import paced_outcome
from probe.control import Control
from probe.paced_attempt import OnProgress, PacedAttempt, Told, silent
from probe.reach import Reach
from probe.wire.paced import PAYLOAD_BYTES, WORD_BYTES
from probe.wire.paced_control import PacedGrant, PacedRequest
from store.clock import Clock
from store.errors import UserMistake
from store.paced import OFFERED_BPS, PacedRun
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
            raise UserMistake(f"offered: expected 100 kb/s to 10 Gb/s, not {self.offered_bps} bit/s")
        if not self.seconds >= 1:
            raise UserMistake(f"seconds: expected 1 or more, not {self.seconds:g}")
        low, high = PAYLOAD_BYTES
        size = self.payload_bytes
        if size is not None and (not low <= size <= high or size % WORD_BYTES):
            raise UserMistake(
                f"payload: expected a multiple of {WORD_BYTES} from {low} to {high}, not {size}"
            )


async def run(
    plan: PacedPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> PacedRun | Failed:
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
            offered_bps=plan.offered_bps,
        )
        return await attempt.run()


@dataclass(slots=True, kw_only=True)
class _Attempt(PacedAttempt[PacedRun]):
    offered_bps: int

    async def open(self, payload_bytes: int) -> tuple[PacedGrant, PacedRequest] | Failed:
        request = PacedRequest(
            direction=str(self.direction),
            offered_bps=self.offered_bps,
            payload_bytes=payload_bytes,
            seconds=self.seconds,
        )
        grant = await self.control.open_paced(request)
        return grant if isinstance(grant, Failed) else (grant, request)

    def saying(self) -> str:
        return f"{self.offered_bps / 1e6:g} Mb/s {self.direction} for {self.seconds:g} s"

    def judge(self, told: Told) -> PacedRun:
        return paced_outcome.record(
            told.request,
            told.ends,
            started_unix_ns=told.started_unix_ns,
            circumstances=told.circumstances,
            names=told.names,
        )
