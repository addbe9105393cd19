"""One train over time on one axis: delay percentiles above, what was lost or held each way below.

So that a reader sees in one column whether packets were late when they were lost. A gap parts the lines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from dashboard.figures.drawing import SIGNS, drawn, evenly
from dashboard.figures.pooling import Piece, Stretch
from dashboard.judge.delay import TrainSummary
from store.histogram import Delays
from store.records import Gap

DELAYS: tuple[tuple[str, str, Callable[[TrainSummary], Delays | None], str, str], ...] = (
    # name, stylesheet colour, whose delays, percentile, dash
    ("RTT p50", "line", lambda train: train.rtt, "p50", "solid"),
    ("RTT p95", "line", lambda train: train.rtt, "p95", "dot"),
    ("PDV up p95", "up", lambda train: train.pdv_up, "p95", "dash"),
    ("PDV down p95", "down", lambda train: train.pdv_down, "p95", "longdashdot"),
)
COUNTS: tuple[tuple[str, str, Callable[[TrainSummary], int], str, str], ...] = (
    # name, stylesheet colour, what is counted, sign, dash
    ("lost up", "up", lambda train: train.loss_up.lost, SIGNS["up"], "solid"),
    ("lost down", "down", lambda train: train.loss_down.lost, SIGNS["down"], "dash"),
    ("held up", "up", lambda train: train.held_up, "triangle-up-open", "dot"),
    ("held down", "down", lambda train: train.held_down, "triangle-down-open", "dashdot"),
)
_ABOVE, _BELOW = (0.5, 1.0), (0.0, 0.38)  # of the height


def figure(pieces: Sequence[Piece], *, gaps: Iterable[Gap], stretch: Stretch) -> str:
    """The figure as JSON text; delays in ms, counts in per cent of the packets sent."""
    import plotly.graph_objects as go

    times = evenly([piece.start_ns for piece in pieces], stretch.zone)
    traces: list[Any] = [
        go.Scatter(
            name=name,
            meta=meta,
            mode="lines+markers",
            y=[_ms(delays_of(piece.train), rank) for piece in pieces],
            line={"width": 1.8, "dash": dash},
            marker={"size": 3},
            connectgaps=False,
            hovertemplate=f"%{{x|%a %d %b %H:%M}}<br>{name} %{{y:.2f}} ms<extra></extra>",
            **times,
        )
        for name, meta, delays_of, rank, dash in DELAYS
    ]
    traces += [
        go.Scatter(
            name=name,
            meta=meta,
            mode="lines+markers",
            yaxis="y2",
            y=[_percent(piece.train, count_of) for piece in pieces],
            line={"width": 1.4, "dash": dash},
            marker={"size": 6, "symbol": sign},
            connectgaps=False,
            hovertemplate=f"%{{x|%a %d %b %H:%M}}<br>{name} %{{y:.3f}} %<extra></extra>",
            **times,
        )
        for name, meta, count_of, sign, dash in COUNTS
    ]
    return drawn(
        traces,
        unit="ms",
        stretch=stretch,
        gaps=gaps,
        yaxis={"domain": _ABOVE},
        below=("% of packets", _BELOW),
    )


def _ms(delays: Delays | None, rank: str) -> float | None:
    return None if delays is None else round(getattr(delays, rank) / 1000, 3)


def _percent(train: TrainSummary, count_of: Callable[[TrainSummary], int]) -> float | None:
    return round(100 * count_of(train) / train.sent, 4) if train.sent else None
