"""The parts of the way as lanes over time, from the house outwards: a thin line where a part was watched,
a bar where it was silent, a ring where routers that were asked about a stall answered as usual. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dashboard.figures import drawing
from dashboard.figures.drawing import drawn
from dashboard.figures.pooling import Stretch
from dashboard.judge.part_lanes import Lane, bars
from store.clock import NS_PER_S
from store.records import Gap

_COLUMNS = 300  # of the width: silences nearer to each other are one bar


def figure(lanes: Sequence[Lane], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text; lanes from the top in the order given."""
    import plotly.graph_objects as go

    def at(unix_ns: int) -> str:
        return drawing.at(unix_ns, stretch.zone, timespec="seconds")

    apart_ns = round(stretch.seconds * NS_PER_S / _COLUMNS)
    watched: dict[str, list[Any]] = {"x": [], "y": []}
    silent: dict[str, list[Any]] = {"x": [], "y": [], "said": []}
    clear: dict[str, list[Any]] = {"x": [], "y": []}
    for nth, lane in enumerate(lanes):
        for low, high in lane.watched:
            ends = (max(low, stretch.from_ns), min(high, stretch.to_ns))
            watched["x"] += [*(at(one) for one in ends), None]
            watched["y"] += [nth, nth, None]
        for bar in bars(lane.silent, apart_ns=apart_ns):
            silent["x"] += [at(bar.start_ns), at(bar.end_ns), None]
            silent["y"] += [nth, nth, None]
            silent["said"] += [f"{bar.count} silent, {bar.silent_s:.1f} s", None, None]
        for bar in bars(((one, one) for one in lane.clear), apart_ns=apart_ns):
            clear["x"].append(at(bar.start_ns))
            clear["y"].append(nth)
    traces = []
    if watched["x"]:
        traces.append(
            go.Scatter(
                name="watched",
                meta="excluded",
                mode="lines",
                line={"width": 1},
                connectgaps=False,
                hoverinfo="skip",
                **watched,
            )
        )
    if clear["x"]:
        traces.append(
            go.Scatter(
                name="answered during a stall",
                meta="up",
                mode="markers",
                marker={"symbol": "circle-open", "size": 8, "line": {"width": 1.5}},
                hovertemplate="%{x|%a %d %b %H:%M}<br>answered as usual<extra></extra>",
                **clear,
            )
        )
    if silent["x"]:
        traces.append(
            go.Scatter(
                name="silent",
                meta="stated",
                mode="lines+markers",
                x=silent["x"],
                y=silent["y"],
                customdata=silent["said"],
                connectgaps=False,
                line={"width": 6},
                marker={"symbol": "square", "size": 7},
                hovertemplate="%{x|%a %d %b %H:%M}<br>%{customdata}<extra></extra>",
            )
        )
    one = len({lane.handoff for lane in lanes}) == 1
    titles = [title(lane) if one else f"{lane.handoff}: {title(lane)}" for lane in lanes]
    ticks = {"tickvals": [*range(len(lanes))], "ticktext": titles, "range": [len(lanes) - 0.5, -0.5]}
    return drawn(traces, unit="", stretch=stretch, gaps=gaps, yaxis=ticks)


_WHAT = {"S1": "house", "S2": "own routers", "S3": "provider"}


def title(lane: Lane) -> str:
    """``S1 house``, ``S4 north``."""
    return f"{lane.segment} {_WHAT.get(lane.segment, lane.name)}"
