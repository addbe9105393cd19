"""Delay of one train over time: round trip at its median and 95th percentile, variation each way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from dashboard.figures.drawing import at, drawn
from dashboard.figures.pooling import Piece, Stretch
from dashboard.judge.delay import TrainSummary
from store.histogram import Delays
from store.records import Gap

LINES: tuple[tuple[str, str, Callable[[TrainSummary], Delays | None], str, str], ...] = (
    # name, stylesheet colour, whose delays, percentile, dash
    ("RTT p50", "line", lambda train: train.rtt, "p50", "solid"),
    ("RTT p95", "line", lambda train: train.rtt, "p95", "dot"),
    ("PDV up p95", "up", lambda train: train.pdv_up, "p95", "dash"),
    ("PDV down p95", "down", lambda train: train.pdv_down, "p95", "longdashdot"),
)


def figure(pieces: Sequence[Piece], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text; a piece without packets parts the line."""
    import plotly.graph_objects as go

    times = [at(piece.start_ns, stretch.zone) for piece in pieces]
    traces: list[Any] = [
        go.Scatter(
            name=name,
            meta=meta,
            mode="lines+markers",
            x=times,
            y=[_ms(delays_of(piece.train), rank) for piece in pieces],
            line={"width": 1.8, "dash": dash},
            marker={"size": 3},
            connectgaps=False,
            hovertemplate=f"%{{x|%a %d %b %H:%M}}<br>{name} %{{y:.2f}} ms<extra></extra>",
        )
        for name, meta, delays_of, rank, dash in LINES
    ]
    return drawn(
        traces,
        unit="ms",
        stretch=stretch,
        gaps=gaps,
    )


def _ms(delays: Delays | None, rank: str) -> float | None:
    return None if delays is None else round(getattr(delays, rank) / 1000, 3)
