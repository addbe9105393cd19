"""A step run: paced runs at 25 to 125 % of a stated rate over one way; both ways is up, then down."""

from __future__ import annotations

from dataclasses import dataclass

from probe import parts_outcome
from probe.control import Control
from probe.methods import paced
from probe.methods.carrying import OnProgress, Way
from probe.methods.paced import PacedPlan
from probe.reach import Reach
from store.clock import Clock
from store.errors import UserMistake
from store.paced import OFFERED_BPS, PART_S, PacedRun
from store.quantities import port_rate
from store.records import Direction, Failed
from store.steps import PERCENTS, StepsRun

WHAT = "run steps"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepsPlan:
    """What to send: shares of `stated_bps` at the IP layer, `seconds` each.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    stated_bps: int
    seconds: float = PART_S

    def __post_init__(self) -> None:
        low, high = self.offered_bps(PERCENTS[0]), self.offered_bps(PERCENTS[-1])
        if not OFFERED_BPS[0] <= low <= high <= OFFERED_BPS[1]:
            raise UserMistake(
                f"rate: its steps of {PERCENTS[0]} to {PERCENTS[-1]} % have to lie from 100 kb/s to 10 Gb/s, "
                f"those of {port_rate(self.stated_bps)} do not"
            )
        if not self.seconds >= 2:
            raise UserMistake(f"seconds: expected 2 or more of each step, not {self.seconds:g}")

    def offered_bps(self, percent: int) -> int:
        return self.stated_bps * percent // 100


async def run(
    plan: StepsPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> StepsRun | Failed:
    """Run once. Cancelled, it ends what is under way at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        return way if isinstance(way, Failed) else await _over(way, plan)


async def _over(way: Way, plan: StepsPlan) -> StepsRun | Failed:
    both = plan.direction is Direction.BOTH
    runs: list[tuple[int, PacedRun]] = []
    failed: Failed | None = None
    for direction in (Direction.UP, Direction.DOWN) if both else (plan.direction,):
        for percent in PERCENTS:
            if failed is not None:
                break
            one = PacedPlan(direction=direction, offered_bps=plan.offered_bps(percent), seconds=plan.seconds)
            way.say(f"{percent} %")
            found = await paced.over(way, one)
            if isinstance(found, Failed):
                failed = found
            else:
                runs.append((percent, found))
    if not runs:
        assert failed is not None  # noqa: S101 - there is at least one step
        return failed
    return parts_outcome.steps(
        runs,
        direction=plan.direction,
        stated_bps=plan.stated_bps,
        broken=failed is not None,
        names=way.names,
    )
