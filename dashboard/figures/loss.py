"""Packets of one train that were lost or held over time, each way, with its stalls beneath."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from dashboard.figures.drawing import SIGNS, at, drawn
from dashboard.figures.pooling import Piece, Stretch
from dashboard.judge.delay import TrainSummary
from store.records import Gap

LINES: tuple[tuple[str, str, Callable[[TrainSummary], int], str, str], ...] = (
    # name, stylesheet colour, what is counted, sign, dash
    ("lost up", "up", lambda train: train.loss_up.lost, SIGNS["up"], "solid"),
    ("lost down", "down", lambda train: train.loss_down.lost, SIGNS["down"], "dash"),
    ("held up", "up", lambda train: train.held_up, "triangle-up-open", "dot"),
    ("held down", "down", lambda train: train.held_down, "triangle-down-open", "dashdot"),
)


def figure(pieces: Sequence[Piece], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text: shares of the packets sent, in per cent; a gap parts the line."""
    import plotly.graph_objects as go

    times = [at(piece.start_ns, stretch.zone) for piece in pieces]
    traces: list[Any] = [
        go.Scatter(
            name=name,
            meta=meta,
            mode="lines+markers",
            x=times,
            y=[_percent(piece.train, count_of) for piece in pieces],
            line={"width": 1.4, "dash": dash},
            marker={"size": 6, "symbol": sign},
            connectgaps=False,
            hovertemplate=f"%{{x|%a %d %b %H:%M}}<br>{name} %{{y:.3f}} %<extra></extra>",
        )
        for name, meta, count_of, sign, dash in LINES
    ]
    return drawn(
        traces,
        unit="% of packets sent",
        stretch=stretch,
        gaps=gaps,
    )


def _percent(train: TrainSummary, count_of: Callable[[TrainSummary], int]) -> float | None:
    return round(100 * count_of(train) / train.sent, 4) if train.sent else None
