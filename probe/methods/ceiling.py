"""How much this host, or an endpoint, carries at most: each measured on its own machine, over loopback.

An endpoint is asked to measure itself, which it does when nothing else is under way there. Neither sends
anything over a line but the question. Shape as of every method.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from probe.bulk import own_rate
from probe.control import Control
from probe.reach import Reach
from probe.wire.control import CeilingRequest
from store.ceilings import Ceiling, CeilingOf
from store.clock import Clock
from store.records import Failed, Owner

WHAT = "ceiling"


@dataclass(frozen=True, slots=True, kw_only=True)
class CeilingPlan:
    """Whose ceiling, and of how many flows: a run is held against that of as many as it had."""

    of: CeilingOf
    flows: int


async def run(plan: CeilingPlan, where: Reach | None, clock: Clock) -> Ceiling | Failed:
    """Measure once; `where` says which endpoint, and is not needed for this host."""
    if plan.of is CeilingOf.ENDPOINT and where is not None:
        return await _of_endpoint(plan, where, clock)
    began_ns = clock.unix_ns()
    found = await own_rate.measure(plan.flows, clock=clock)
    if isinstance(found, str):
        return Failed(what=WHAT, why=found, whose=Owner.HOUSE, started_unix_ns=began_ns)
    return Ceiling(
        started_unix_ns=began_ns,
        of=CeilingOf.HOST,
        flows=plan.flows,
        seconds=own_rate.SECONDS,
        goodput_bps=found,
        kernel=os.uname().release,
    )


async def _of_endpoint(plan: CeilingPlan, where: Reach, clock: Clock) -> Ceiling | Failed:
    began_ns = clock.unix_ns()
    async with Control(where, clock=clock) as control:
        found = await control.ceiling(CeilingRequest(flows=plan.flows))
    if isinstance(found, Failed):
        return found
    return Ceiling(
        endpoint=where.endpoint,
        started_unix_ns=began_ns,
        of=CeilingOf.ENDPOINT,
        flows=plan.flows,
        seconds=found.seconds,
        goodput_bps=found.goodput_bps,
        kernel=found.kernel,
        port_rate_bps=found.port_rate_bps,
    )
