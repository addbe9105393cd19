"""What a check before a show sends, by how long before the show it is made.

How long each stage may take, and what it sends, is common practice, no source. Imports demand and site.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from store import demand
from store.records import Direction
from store.site import Handoff, Method, RunPlan, Site, StreamPlan, Where

FLOWS = 4
_ONCE_S = 86_400  # nothing is due again; a plan has to say something


class Stage(StrEnum):
    """How long before a show, by the word of the command."""

    DAY = "24h"
    HOUR = "1h"
    MINUTES = "10min"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stint:
    """What a stage may take, and its run: `factor` times the planned total, None for all that the line
    gives.
    """

    within_s: float
    run_s: float
    factor: float | None
    every_uplink: bool


STINTS = {
    Stage.DAY: Stint(within_s=300, run_s=10, factor=None, every_uplink=True),
    Stage.HOUR: Stint(within_s=60, run_s=30, factor=1.5, every_uplink=True),
    Stage.MINUTES: Stint(within_s=20, run_s=10, factor=1.2, every_uplink=False),
}


def said(stage: Stage) -> str:
    """How long before a show it is made, in words that the show follows."""
    return {Stage.DAY: "a day before", Stage.HOUR: "an hour before", Stage.MINUTES: "ten minutes before"}[
        stage
    ]


def stage_of(ahead_s: float) -> Stage:
    """Which check there is time for, so long before a show."""
    if ahead_s > 6 * 3600:
        return Stage.DAY
    return Stage.HOUR if ahead_s > 1800 else Stage.MINUTES


def uplinks(site: Site, plan: StreamPlan, stage: Stage) -> tuple[Handoff, ...]:
    """The plan's own uplink first, and the others where the stage looks at them; none that is metered."""
    own = site.handoff(plan.handoff)
    rest = (one for one in site.handoffs if one.name != own.name and (not one.metered or one.metered_runs))
    return (own, *rest) if STINTS[stage].every_uplink else (own,)


def asked_bps(needs_bps: int, stage: Stage) -> int | None:
    """What a capped run asks for at the IP layer; None for a full one."""
    factor = STINTS[stage].factor
    return None if factor is None else math.ceil(factor * needs_bps)


def needs_bps(plan: StreamPlan) -> int:
    """What a plan needs at the IP layer, what goes beside it included."""
    return demand.together(plan.destinations)[0] + plan.beside_bps


def outside(site: Site) -> str | None:
    """The endpoint that the runs go to; None where none stands outside."""
    return next((one.name for one in site.endpoints if one.where is Where.OUTSIDE), None)


def run_plan(handoff: str, endpoint: str, stage: Stage, *, capped_bps: int | None) -> RunPlan:
    """The stage's run on a handoff; a capped one is charged for what it asks, as a paced run is."""
    return RunPlan(
        handoff=handoff,
        endpoint=endpoint,
        direction=Direction.UP,
        seconds=round(STINTS[stage].run_s),
        flows=FLOWS,
        every_s=_ONCE_S,
        method=Method.RATE if capped_bps is None else Method.PACED,
        offered_bps=capped_bps,
    )
