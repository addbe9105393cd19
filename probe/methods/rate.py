"""A TCP rate run: several flows up, down or both ways, counted where they arrive.

A train of small packets runs beside it, first alone and then under load. How the load is carried, and what
becomes of one that breaks off, stands in `probe.methods.loading`.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from probe import rate_outcome, standing
from probe.control import Control
from probe.methods.loading import Load, Loader, LoadPlan, OnProgress
from probe.reach import Reach
from probe.train_outcome import Tally
from store.clock import NS_PER_MS, NS_PER_US, Clock
from store.histogram import Delays, delays_of
from store.records import Failed, RateRun

WHAT = "run rate"


@dataclass(frozen=True, slots=True, kw_only=True)
class RatePlan(LoadPlan):
    """What to run. `idle_s` is how long the train runs alone before, `per_second` how dense it is:
    ten take a quarter of a per cent of a 5 Mb/s line, which the flows then lack.
    """

    idle_s: float = 2.0
    per_second: float = 10.0


async def run(
    plan: RatePlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> RateRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        loader = await Loader.find(control, where, clock, plan, what=WHAT, say=on_progress)
        return loader if isinstance(loader, Failed) else await _over(loader, plan)


async def _over(loader: Loader, plan: RatePlan) -> RateRun | Failed:
    async with loader.train(per_second=plan.per_second) as train:
        if train.failed is None:  # a run without a train has no delays, and its rate all the same
            loader.say(f"delay without load for {plan.idle_s:g} s")
            await asyncio.sleep(plan.idle_s)
        load = await loader.carry(plan)
        if isinstance(load, Failed):
            return load
        idle_us, loaded_us = _delays(load, train.tally)
        told = await loader.told(load, rtt_idle_us=idle_us, rtt_loaded_us=loaded_us)
        if isinstance(told, Failed):
            return told
        return RateRun(
            handoff=loader.where.handoff,
            endpoint=loader.where.endpoint,
            started_unix_ns=load.began.unix_ns,
            seconds=plan.seconds,
            direction=plan.direction,
            flows=plan.flows,
            up=told.up,
            down=told.down,
            rtt_idle_us=idle_us,
            rtt_loaded_us=loaded_us,
            timestamps=train.timestamps,
            spent_bytes=load.spent_bytes,
            # whoever has the ceilings on record judges by them (probe.ceilings)
            reasons=(*told.reasons, standing.CEILING_UNKNOWN),
            circumstances=told.around,
            at_most_up_goodput_bps=plan.pace.up_bps,
            at_most_down_goodput_bps=plan.pace.down_bps,
        )


def _delays(load: Load, tally: Tally) -> tuple[Delays | None, Delays | None]:
    """RTT before the load, and RTT of packets sent within its steady window."""
    bins = round(load.plan.seconds * rate_outcome.BINS_PER_S)
    first, after = rate_outcome.steady_window(bins)
    bin_ns = rate_outcome.BIN_MS * NS_PER_MS
    began_ns = load.began.monotonic_ns
    return (
        _rtt_us(tally, 0, began_ns),
        _rtt_us(tally, began_ns + first * bin_ns, began_ns + after * bin_ns),
    )


def _rtt_us(tally: Tally, from_ns: int, to_ns: int) -> Delays | None:
    """The RTTs of packets sent from `from_ns` to `to_ns` that were answered."""
    found = (tally.rtt_ns(index) for index in range(tally.first_since(from_ns), tally.first_since(to_ns)))
    return delays_of(rtt_ns // NS_PER_US for rtt_ns in found if rtt_ns is not None)
