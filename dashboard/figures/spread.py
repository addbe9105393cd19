"""How runs' slowest seconds are spread: the share of runs at or below each rate, and the floor upright.

Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.figures.drawing import bare
from dashboard.judge.rate_spread import Spread, steps

_POINTS = 150  # of a line; more do not show
DASHES = ("solid", "dot")


def figure(lines: Mapping[str, Spread], *, meta: str) -> str:
    """The figure of one direction as JSON text: a step line each, the floor of each upright in its dash."""
    import plotly.graph_objects as go

    traces: list[Any] = []
    for (name, found), dash in zip(lines.items(), DASHES, strict=False):
        points = steps(found, most=_POINTS)
        traces.append(
            go.Scatter(
                name=name,
                meta=meta,
                mode="lines",
                x=[round(bps / 1e6, 3) for bps, _ in points],
                y=[round(100 * share, 2) for _, share in points],
                line={"width": 1.8, "dash": dash, "shape": "hv"},
                hovertemplate=f"{name}<br>%{{y:.1f}} % of runs at %{{x:.2f}} Mb/s or less<extra></extra>",
            )
        )
    for (name, found), dash in zip(lines.items(), ("dashdot", "longdash"), strict=False):
        if found.floor.bps is not None:
            traces.append(
                go.Scatter(
                    name=f"floor, {name}",
                    meta="stated",
                    mode="lines",
                    x=[round(found.floor.bps / 1e6, 3)] * 2,
                    y=[0, 100],
                    line={"width": 1.6, "dash": dash},
                    hoverinfo="skip",
                )
            )
    return bare(
        traces,
        xaxis={"title": {"text": "Mb/s at the IP layer"}, "zeroline": False},
        yaxis={"title": {"text": "% of runs at or below"}, "range": [0, 101]},
    )
