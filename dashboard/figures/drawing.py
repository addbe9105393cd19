"""What all figures share: a plain layout, local times on the axis, gaps, and JSON out.

A trace's `meta` and a shape's `name` say what it is (``up``, ``stated``, ``gap`` ...); the
stylesheet has a colour of that name, and static/charts.js brings the two together. Symbols and
dashes are set here, so that nothing is told by colour alone. plotly is imported when a figure is
drawn and not before: it takes half a second that no other page should wait for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any

from store.clock import local
from store.records import Gap

SIGNS = {"up": "triangle-up", "down": "triangle-down", "excluded": "x-thin-open"}
DASHES = {"up": "solid", "down": "dash", "stated": "dashdot"}


def at(unix_ns: int, where: tzinfo) -> str:
    """A time on the axis: local to the site, without offset, because a chart's axis has none."""
    return local(unix_ns, where).replace(tzinfo=None).isoformat(timespec="milliseconds")


def gap_shapes(gaps: Iterable[Gap], where: tzinfo) -> list[dict[str, Any]]:
    """Bands over the times without measuring."""
    return [
        {
            "type": "rect",
            "name": "gap",
            "layer": "below",
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "x0": at(gap.started_unix_ns, where),
            "x1": at(gap.ended_unix_ns, where),
            "line": {"width": 0},
        }
        for gap in gaps
    ]


def drawn(
    traces: Sequence[Any],
    *,
    unit: str,
    span: tuple[str, str],
    shapes: Sequence[dict[str, Any]] = (),
    axes: Sequence[dict[str, Any]] = (),
) -> str:
    """The figure as JSON text. `axes` replaces the one vertical axis when there are several."""
    import plotly.graph_objects as go

    figure = go.Figure(data=list(traces))
    figure.layout.template = None  # ours is the stylesheet, and plotly's is 7 kB in every answer
    figure.update_layout(
        margin={"l": 8, "r": 8, "t": 8, "b": 8},
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        hovermode="closest",
        dragmode=False,
        shapes=list(shapes),
        xaxis={
            "type": "date",
            "range": list(span),
            "automargin": True,
            "fixedrange": True,
            "showgrid": False,
            "showline": True,
            "ticks": "outside",
        },
    )
    for number, axis in enumerate(axes or ({"title": {"text": unit}},), start=1):
        figure.update_layout(
            {
                f"yaxis{number if number > 1 else ''}": {
                    "rangemode": "tozero",
                    "automargin": True,
                    "fixedrange": True,
                    "zeroline": False,
                    **axis,
                }
            }
        )
    text: str = figure.to_json()
    return text
