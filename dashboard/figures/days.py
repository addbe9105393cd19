"""A month's days as a calendar: each day a square by what its availability came to.

What a day is, is told by its sign and stands in the legend; colour only repeats it. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from dashboard.figures.drawing import bare


class DayState(StrEnum):
    """What a day came to, the worst first."""

    OUTAGE = "with an outage that counts"
    UNSEEN = "not wholly measured"
    CLEAN = "without an outage"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMark:
    """A day, its state, and its figures in words."""

    day: date
    state: DayState
    said: str


SIGNS = {  # state: the stylesheet's colour, plotly's symbol
    DayState.OUTAGE: ("stated", "square"),
    DayState.UNSEEN: ("excluded", "square-x-open"),
    DayState.CLEAN: ("up", "square-open"),
}
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def figure(days: Sequence[DayMark]) -> str:
    """The figure as JSON text: a column a weekday, a row a week."""
    import plotly.graph_objects as go

    traces = []
    weeks = [_week(one.day) for one in days]
    for state, (meta, sign) in SIGNS.items():
        found = [one for one in days if one.state is state]
        if not found:
            continue
        traces.append(
            go.Scatter(
                name=state,
                meta=meta,
                mode="markers+text",
                x=[_WEEKDAYS[one.day.weekday()] for one in found],
                y=[_week(one.day) for one in found],
                text=[str(one.day.day) for one in found],
                textposition="middle right",
                customdata=[one.said for one in found],
                marker={"symbol": sign, "size": 18, "line": {"width": 2}},
                hovertemplate="%{customdata}<extra></extra>",
            )
        )
    return bare(
        traces,
        xaxis={"type": "category", "categoryarray": _WEEKDAYS, "categoryorder": "array"},
        yaxis={
            "tickvals": sorted(set(weeks)),
            "ticktext": [f"week of {date.fromordinal(one):%d %b}" for one in sorted(set(weeks))],
            "autorange": "reversed",
        },
    )


def _week(day: date) -> int:
    """The ordinal of the Monday of its week."""
    return day.toordinal() - day.weekday()
