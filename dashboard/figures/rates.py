"""Every rate run of a period as a point: what arrived, at one layer, beside what the contract states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any

from dashboard.figures.drawing import DASHES, SIGNS, at, drawn, gap_shapes
from store.layers import Layer
from store.records import Direction, Gap, RateRun, Standing
from store.site import Card


def figure(
    runs: Sequence[RateRun],
    *,
    layer: Layer,
    card: Card,
    gaps: Iterable[Gap],
    from_ns: int,
    to_ns: int,
    where: tzinfo,
) -> str:
    """The figure as JSON text; `layer` is the one whose rates are drawn (not NOT_STATED)."""
    traces = [
        trace
        for direction in (Direction.UP, Direction.DOWN)
        for trace in _points(runs, direction, layer=layer, where=where)
    ]
    ends = (at(from_ns, where), at(to_ns, where))
    return drawn([*traces, *_stated(card, ends)], unit="Mb/s", span=ends, shapes=gap_shapes(gaps, where))


def _points(runs: Iterable[RateRun], direction: Direction, *, layer: Layer, where: tzinfo) -> Iterable[Any]:
    import plotly.graph_objects as go

    sides = [(run, side) for run in runs if (side := run.sides().get(direction)) is not None]
    valid = [(run, side) for run, side in sides if run.standing is Standing.VALID]
    others = [(run, side) for run, side in sides if run.standing is not Standing.VALID]
    for name, meta, symbol, found in (
        (f"{direction}, valid", str(direction), SIGNS[direction], valid),
        (f"{direction}, excluded or void", "excluded", SIGNS["excluded"], others),
    ):
        if found:
            yield go.Scatter(
                name=name,
                meta=meta,
                mode="markers",
                x=[at(run.started_unix_ns, where) for run, _ in found],
                y=[round(side.rates.at(layer) / 1e6, 3) for _, side in found],
                marker={"symbol": symbol, "size": 9, "line": {"width": 1.5}},
                hovertemplate="%{x|%a %d %b %H:%M:%S}<br>%{y:.2f} Mb/s",
            )


def _stated(card: Card, ends: tuple[str, str]) -> Iterable[Any]:
    import plotly.graph_objects as go

    for direction in (Direction.UP, Direction.DOWN):
        rate_bps = card.rate_bps(direction)
        if rate_bps is not None:
            yield go.Scatter(
                name=f"stated {direction}",
                meta="stated",
                mode="lines",
                x=list(ends),
                y=[rate_bps / 1e6] * 2,
                line={"width": 1.5, "dash": DASHES["stated"] if direction is Direction.UP else "dot"},
                hoverinfo="skip",
            )
