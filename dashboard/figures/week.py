"""Rates by hour of the week: a mark for each hour, the larger and darker the worse; none, not measured.

Told by sign and size, in the legend's words; colour only repeats it. Pure.
"""

from __future__ import annotations

from dashboard.figures.drawing import bare
from dashboard.judge.week_hours import HOURS, Hours, Level, WeekMap

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
SIGNS = {  # level: the stylesheet's colour, plotly's symbol, its size in CSS pixels
    Level.GOOD: ("up", "circle-open", 6),
    Level.FAIR: ("line", "square-open", 9),
    Level.POOR: ("down", "square-x-open", 11),
    Level.BAD: ("stated", "square", 13),
}
MISSED = {
    Level.GOOD: "no run missed the stated rate",
    Level.FAIR: "a quarter or less missed it",
    Level.POOR: "half or less missed it",
    Level.BAD: "more than half missed it",
}
OF_MIDDLE = {
    Level.GOOD: "90 % of all hours’ middle or more",
    Level.FAIR: "75 to 90 %",
    Level.POOR: "50 to 75 %",
    Level.BAD: "less than half",
}


def figure(found: WeekMap) -> str:
    """The figure as JSON text: hours from left to right, weekdays from the top."""
    import plotly.graph_objects as go

    words = OF_MIDDLE if found.stated_bps is None else MISSED
    traces = []
    for level, (meta, sign, size) in SIGNS.items():
        hours = [at for at, one in found.week.items() if one.level is level]
        if not hours:
            continue
        traces.append(
            go.Scatter(
                name=words[level],
                meta=meta,
                mode="markers",
                x=[hour for _, hour in hours],
                y=[day for day, _ in hours],
                customdata=[said(at, found.week[at]) for at in hours],
                marker={"symbol": sign, "size": size, "line": {"width": 1.5}},
                hovertemplate="%{customdata}<extra></extra>",
            )
        )
    ticks = HOURS[::3]
    return bare(
        traces,
        xaxis={
            "tickvals": list(ticks),
            "ticktext": [f"{hour:02d}" for hour in ticks],
            "range": [-0.7, 23.7],
            "showgrid": False,
            "zeroline": False,
        },
        yaxis={"tickvals": list(range(7)), "ticktext": WEEKDAYS, "range": [6.7, -0.7]},
    )


def said(at: tuple[int, int], one: Hours) -> str:
    """``Thu 19:00: middle 5.12 Mb/s of 8 runs, 6 missed``."""
    day, hour = at
    missed = "" if one.missed is None else f", {one.missed} missed"
    middle = f"{(one.middle_bps or 0) / 1e6:.2f} Mb/s"
    return f"{WEEKDAYS[day]} {hour:02d}:00: middle {middle} of {one.runs} runs{missed}"
