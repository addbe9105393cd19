"""Cases over time as lanes, one for each handoff and owner: whose trouble it was, and how long.

A case is a bar from its first event to its last; one that is open ends in an arrow. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dashboard.figures.drawing import at, drawn
from dashboard.figures.pooling import Stretch
from store import case_words
from store.cases import Case
from store.records import Gap, Owner

OWNERS = {  # the stylesheet's colour and the sign of an owner
    Owner.HOUSE: ("down", "square"),
    Owner.PROVIDER: ("stated", "diamond"),
    Owner.ENDPOINT: ("up", "circle"),
    Owner.UNKNOWN: ("excluded", "circle-open"),
}
WORDS = {
    Owner.HOUSE: "House",
    Owner.PROVIDER: "Provider",
    Owner.ENDPOINT: "Endpoint",
    Owner.UNKNOWN: "Not told",
}


def figure(cases: Sequence[Case], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text; lanes from the top in the order of handoffs, then of owners."""
    import plotly.graph_objects as go

    lanes = [
        (handoff, owner)
        for handoff in sorted({case.handoff for case in cases})
        for owner in OWNERS
        if any(case.handoff == handoff and case.owner is owner for case in cases)
    ]
    traces = []
    for owner, (meta, sign) in OWNERS.items():
        x: list[str | None] = []
        y: list[int | None] = []
        symbols: list[str] = []
        any_open = False
        said: list[str | None] = []
        for case in (one for one in cases if one.owner is owner):
            lane = lanes.index((case.handoff, owner))
            open_ = case.ended_unix_ns is None
            last_ns = stretch.to_ns if case.under_way else case.last_unix_ns
            ends = (max(case.started_unix_ns, stretch.from_ns), min(last_ns, stretch.to_ns))
            x += [*(at(one, stretch.zone) for one in ends), None]
            y += [lane, lane, None]
            symbols += [sign, "arrow-right" if open_ else sign, sign]
            any_open = any_open or open_
            said += [case_words.says(case), None, None]
        if x:
            traces.append(
                go.Scatter(
                    name=WORDS[owner],
                    meta=meta,
                    mode="lines+markers",
                    x=x,
                    y=y,
                    customdata=said,
                    connectgaps=False,
                    line={"width": 5},
                    marker={"symbol": symbols if any_open else sign, "size": 8, "line": {"width": 1.5}},
                    hovertemplate="%{x|%a %d %b %H:%M:%S}<br>%{customdata}<extra></extra>",
                )
            )
    titles = [f"{handoff or 'all'}: {WORDS[owner].lower()}" for handoff, owner in lanes]
    ticks = {"tickvals": [*range(len(lanes))], "ticktext": titles, "range": [len(lanes) - 0.5, -0.5]}
    return drawn(traces, unit="", stretch=stretch, gaps=gaps, yaxis=ticks)
