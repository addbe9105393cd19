"""Every rate run of a period as a point: what arrived, at one layer, beside what the contract states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from dashboard.figures.drawing import SIGNS, drawn, level, points
from dashboard.figures.pooling import Stretch
from store.layers import Layer
from store.records import Direction, Gap, RateRun, Standing
from store.site import Card

STATED_DASHES = {Direction.UP: "dashdot", Direction.DOWN: "dot"}


def figure(
    runs: Sequence[RateRun], *, layer: Layer, card: Card, gaps: Iterable[Gap], stretch: Stretch
) -> str:
    """The figure as JSON text; `layer` is the one whose rates are drawn (not NOT_STATED)."""
    found = {direction: _side(runs, direction, layer) for direction in (Direction.UP, Direction.DOWN)}
    traces = [trace for direction, values in found.items() for trace in _traces(direction, values, stretch)]
    for direction, dash in STATED_DASHES.items():
        rate_bps = card.rate_bps(direction)
        if rate_bps is not None and found[direction]:
            traces.append(level(f"stated {direction}", rate_bps, meta="stated", dash=dash, stretch=stretch))
    return drawn(traces, unit="Mb/s", stretch=stretch, gaps=gaps)


def _side(runs: Iterable[RateRun], direction: Direction, layer: Layer) -> list[tuple[RateRun, int]]:
    return [(run, side.rates.at(layer)) for run in runs if (side := run.sides().get(direction)) is not None]


def _traces(direction: Direction, values: Sequence[tuple[RateRun, int]], stretch: Stretch) -> Iterator[Any]:
    for name, meta, valid in (("valid", str(direction), True), ("left out", "excluded", False)):
        found = [
            (run.started_unix_ns, rate_bps)
            for run, rate_bps in values
            if (run.standing is Standing.VALID) is valid
        ]
        if found:
            yield points(f"{direction}, {name}", found, meta=meta, sign=SIGNS[meta], where=stretch.zone)
