"""Upload runs beside what a show asks for: each run's slowest second, the demand, its peak, the floor."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dashboard.figures.drawing import SIGNS, drawn, level, points
from dashboard.figures.pooling import Stretch
from dashboard.judge import evidence
from dashboard.judge.stream import Check
from store.records import Direction, Gap, RateRun, RateSide


def figure(runs: Sequence[RateRun], *, check: Check, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text, at the IP layer."""
    values = [(run.started_unix_ns, at_ip(side)) for run, side in evidence.counted(runs, Direction.UP)[0]]
    traces = [
        points("slowest second of a run up", values, meta="up", sign=SIGNS["up"], where=stretch.zone),
        level("demand", check.demand_bps, meta="ink", dash="solid", stretch=stretch),
        level("peak", check.peak_bps, meta="ink", dash="dot", stretch=stretch),
    ]
    if check.floor_bps is not None:
        traces.append(level("floor", check.floor_bps, meta="stated", dash="dashdot", stretch=stretch))
    return drawn(traces, unit="Mb/s at the IP layer", stretch=stretch, gaps=gaps)


def at_ip(side: RateSide) -> int:
    """A run's slowest second at the IP layer, where demand is counted."""
    goodput_bps = side.rates.goodput_bps
    return side.lowest_second_bps * side.rates.ip_bps // goodput_bps if goodput_bps else 0
