"""Every rate run of a period as a point: what arrived one way, at one layer, beside what is stated."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dashboard.figures.drawing import SIGNS, drawn, level, points
from dashboard.figures.pooling import Stretch
from dashboard.judge import evidence
from store.layers import Layer
from store.records import Direction, Gap, RateRun, Standing


def figure(
    runs: Sequence[RateRun],
    *,
    direction: Direction,
    layer: Layer,
    stated_bps: int | None,
    gaps: Iterable[Gap],
    stretch: Stretch,
) -> str:
    """The figure of one direction as JSON text; `layer` is the one whose rates are drawn (not NOT_STATED)."""
    sides = [(run, side) for run in runs if (side := run.side(direction)) is not None]
    traces = []
    for name, meta in (("valid", str(direction)), ("light", "light"), ("left out", "excluded")):
        found = [(run.started_unix_ns, side.rates.at(layer)) for run, side in sides if _kind(run) == name]
        if found:
            trace = points(f"{direction}, {name}", found, meta=meta, sign=SIGNS[meta], where=stretch.zone)
            traces.append(trace)
    if stated_bps is not None:
        traces.append(level("stated", stated_bps, meta="stated", dash="dashdot", stretch=stretch))
    return drawn(traces, unit="Mb/s", stretch=stretch, gaps=gaps)


def _kind(run: RateRun) -> str:
    """A light run stands where it was told to, so it must never look like a slow one."""
    if run.standing is not Standing.VALID or evidence.ASKED in run.reasons:
        return "left out"
    return "light" if run.light else "valid"
