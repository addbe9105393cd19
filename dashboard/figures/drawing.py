"""What all figures share: a plain layout, local times on the axis, gaps, and JSON out.

A trace's `meta` and a shape's `name` say what it is (``up``, ``stated``, ``gap`` ...); the
stylesheet has a colour of that name, and static/charts.js brings the two together. Symbols and
dashes are set here, so that nothing is told by colour alone. plotly is imported when a figure is
drawn and not before: it takes time and memory that no other page should pay.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta, tzinfo
from itertools import pairwise
from typing import Any

from dashboard.figures.pooling import Stretch
from store.clock import local
from store.records import Gap

TICKS = (  # a tick's label by the distance of ticks, in ms
    {"dtickrange": [None, 60_000], "value": "%H:%M:%S\n%a %d %b"},
    {"dtickrange": [60_000, 43_200_000], "value": "%H:%M\n%a %d %b"},
    {"dtickrange": [43_200_000, None], "value": "%d %b\n%Y"},
)
SIGNS = {"up": "triangle-up", "down": "triangle-down", "light": "circle-open", "excluded": "x-thin-open"}


def at(unix_ns: int, where: tzinfo, *, timespec: str = "milliseconds") -> str:
    """A time on the axis: local to the site, without offset, because a chart's axis has none."""
    return local(unix_ns, where).replace(tzinfo=None).isoformat(timespec=timespec)


def evenly(moments_ns: Sequence[int], where: tzinfo) -> dict[str, Any]:
    """The times of a trace: where they lie evenly the first and their distance in ms, a tenth of the text."""
    times = [local(one, where).replace(tzinfo=None) for one in moments_ns]
    steps = {later - earlier for earlier, later in pairwise(times)}
    if len(steps) != 1:  # a day on which clocks change, a single piece
        return {"x": [at(one, where) for one in moments_ns]}
    return {"x0": at(moments_ns[0], where), "dx": steps.pop() // timedelta(milliseconds=1)}


def level(name: str, rate_bps: int, *, meta: str, dash: str, stretch: Stretch) -> Any:
    """A trace that stands at one rate all the time."""
    import plotly.graph_objects as go

    return go.Scatter(
        name=name,
        meta=meta,
        mode="lines",
        x=[at(stretch.from_ns, stretch.zone), at(stretch.to_ns, stretch.zone)],
        y=[rate_bps / 1e6] * 2,
        line={"width": 1.6, "dash": dash},
        hoverinfo="skip",
    )


def points(name: str, values: Sequence[tuple[int, float]], *, meta: str, sign: str, where: tzinfo) -> Any:
    """A trace of single measurements: (Unix ns, bit/s), not joined, for nothing is known between them."""
    import plotly.graph_objects as go

    return go.Scatter(
        name=name,
        meta=meta,
        mode="markers",
        x=[at(unix_ns, where, timespec="seconds") for unix_ns, _ in values],
        y=[round(rate_bps / 1e6, 3) for _, rate_bps in values],
        marker={"symbol": sign, "size": 9, "line": {"width": 1.8}},
        hovertemplate=f"%{{x|%a %d %b %H:%M:%S}}<br>{name}: %{{y:.2f}} Mb/s<extra></extra>",
    )


def drawn(
    traces: Sequence[Any],
    *,
    unit: str,
    stretch: Stretch,
    gaps: Iterable[Gap],
    yaxis: Mapping[str, Any] | None = None,
    below: tuple[str, tuple[float, float]] | None = None,
) -> str:
    """The figure over time as JSON text, with bands over the times without measuring.

    Its time can be zoomed; static/charts.js keeps the other charts of the page in step. `below` is the unit
    and the place of a second axis for traces of ``y2``, under the first on the same time.
    """
    lower: dict[str, Any] = {}
    if below is not None:
        axis = {"automargin": True, "fixedrange": True, "zeroline": False, "rangemode": "tozero"}
        lower = {"yaxis2": {"title": {"text": below[0]}, "domain": below[1], "anchor": "x", **axis}}
    return bare(
        traces,
        shapes=[_band(gap, stretch) for gap in gaps],
        xaxis={
            "type": "date",
            "range": [at(stretch.from_ns, stretch.zone), at(stretch.to_ns, stretch.zone)],
            "fixedrange": False,
            "showgrid": False,
            "showline": True,
            "ticks": "outside",
            "tickformatstops": TICKS,
            "tickangle": 0,
            **({"anchor": "y2"} if lower else {}),
        },
        yaxis={"title": {"text": unit}, "rangemode": "tozero", **(yaxis or {})},
        **lower,
    )


def bare(traces: Sequence[Any], *, xaxis: Mapping[str, Any], yaxis: Mapping[str, Any], **layout: Any) -> str:
    """A figure with what all of them share, as JSON text."""
    import plotly.graph_objects as go

    figure = go.Figure(data=list(traces))
    figure.layout.template = None  # ours is the stylesheet, and plotly's is 7 kB in every answer
    figure.update_layout(
        margin={"l": 8, "r": 8, "t": 8, "b": 8},
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        hovermode="closest",
        dragmode=False,
        xaxis={"automargin": True, "fixedrange": True, **xaxis},
        yaxis={"automargin": True, "fixedrange": True, "zeroline": False, **yaxis},
        **layout,
    )
    text: str = figure.to_json()
    return text


def _band(gap: Gap, stretch: Stretch) -> dict[str, Any]:
    return {
        "type": "rect",
        "name": "gap",
        "layer": "below",
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "x0": at(max(gap.started_unix_ns, stretch.from_ns), stretch.zone),
        "x1": at(min(gap.ended_unix_ns, stretch.to_ns), stretch.zone),
        "line": {"width": 0},
    }
