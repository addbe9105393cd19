"""The stalls of one show beside what the send buffers hold: what lies above a line outlasts that buffer.

Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dashboard.figures.drawing import at, drawn
from dashboard.figures.pooling import Stretch
from dashboard.judge.after import Seen
from store.records import Gap
from store.site import StreamPlan

SIGNS = (
    "triangle-up",
    "circle-open",
    "diamond-open",
    "square-open",
    "cross-thin-open",
)  # a train each, in turn
DASHES = ("dashdot", "dash", "dot", "longdash", "solid")


def figure(plan: StreamPlan, seen: Sequence[Seen], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text: a point a stall at its beginning, a line a length of buffer."""
    import plotly.graph_objects as go

    traces: list[Any] = [
        go.Scatter(
            name=f"stalls, train to {one.endpoint}",
            meta="up",
            mode="markers",
            x=[at(stall.started_unix_ns, stretch.zone) for stall in one.stalls],
            y=[round(stall.seconds, 3) for stall in one.stalls],
            marker={"symbol": SIGNS[nth % len(SIGNS)], "size": 9, "line": {"width": 1.8}},
            hovertemplate="%{x|%a %d %b %H:%M:%S}<br>%{y:.2f} s<extra></extra>",
        )
        for nth, one in enumerate(seen)
        if one.stalls
    ]
    for nth, (buffer_s, names) in enumerate(buffers(plan).items()):
        traces.append(
            go.Scatter(
                name=f"buffer of {', '.join(names)}",
                meta="stated",
                mode="lines",
                x=[at(stretch.from_ns, stretch.zone), at(stretch.to_ns, stretch.zone)],
                y=[buffer_s] * 2,
                line={"width": 1.6, "dash": DASHES[nth % len(DASHES)]},
                hoverinfo="skip",
            )
        )
    return drawn(traces, unit="s", stretch=stretch, gaps=gaps)


def buffers(plan: StreamPlan) -> dict[float, list[str]]:
    """Which destinations have which length of buffer, in seconds, the shortest first."""
    found: dict[float, list[str]] = {}
    for one in sorted(plan.destinations, key=lambda each: each.buffer_s):
        found.setdefault(one.buffer_s, []).append(one.name)
    return found
