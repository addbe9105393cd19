"""A run of the schedule, handed to its method by the word of the site file.

Whoever imports this loads every method. Imports the methods and the site's values.
"""

from __future__ import annotations

from probe import progress
from probe.methods import burst, capacity, loaded_delay, mtu, paced, rate, rehearsal, sizes, steps
from probe.reach import Reach
from probe.runs import Measured
from store import bursts
from store.clock import Clock
from store.pace import Pace
from store.records import Failed
from store.site import Method, RunPlan


async def measured(plan: RunPlan, where: Reach, clock: Clock, /, *, pace: Pace) -> Measured | Failed:
    say = progress.listener()
    if plan.method is Method.PACED and plan.offered_bps is not None:
        offered = paced.PacedPlan(
            direction=plan.direction, offered_bps=plan.offered_bps, seconds=plan.seconds
        )
        return await paced.run(offered, where, clock, on_progress=say)
    if plan.stream is not None:
        show = rehearsal.RehearsalPlan(stream=plan.stream, seconds=plan.seconds)
        return await rehearsal.run(show, where, clock, on_progress=say)
    if plan.method is Method.CAPACITY:
        searched = capacity.CapacityPlan(direction=plan.direction, seconds=plan.seconds)
        return await capacity.run(searched, where, clock, on_progress=say)
    if plan.method is Method.BURST:
        sending = burst.BurstPlan(
            direction=plan.direction, most_bytes=plan.most_bytes or bursts.BURST_BYTES[2]
        )
        return await burst.run(sending, where, clock, on_progress=say)
    if plan.method is Method.SIZES and plan.offered_bps is not None:
        sweep = sizes.SizesPlan(direction=plan.direction, offered_bps=plan.offered_bps, seconds=plan.seconds)
        return await sizes.run(sweep, where, clock, on_progress=say)
    if plan.method is Method.STEPS and plan.offered_bps is not None:
        climb = steps.StepsPlan(direction=plan.direction, stated_bps=plan.offered_bps, seconds=plan.seconds)
        return await steps.run(climb, where, clock, on_progress=say)
    if plan.method is Method.MTU:
        return await mtu.run(where, clock, on_progress=say)
    if plan.method is Method.LOADED_DELAY:
        loaded = loaded_delay.LoadedDelayPlan(directions=plan.loads, flows=plan.flows, seconds=plan.seconds)
        return await loaded_delay.run(loaded, where, clock, on_progress=say)
    asked = rate.RatePlan(direction=plan.direction, flows=plan.flows, seconds=plan.seconds, pace=pace)
    return await rate.run(asked, where, clock, on_progress=say)
