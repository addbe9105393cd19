"""Every rate run of a period as a point: what arrived one way, at one layer, beside what is stated."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dashboard.figures.drawing import SIGNS, drawn, level, points
from dashboard.figures.pooling import Stretch
from dashboard.judge import evidence
from store.layers import Layer
from store.records import Direction, Gap, RateRun, Standing

PARTS = 60  # three points each are all that a chart of a page's width can tell apart

Point = tuple[int, int]  # Unix ns, bit/s


def figure(
    runs: Sequence[RateRun],
    *,
    direction: Direction,
    layer: Layer,
    stated_bps: int | None,
    gaps: Iterable[Gap],
    stretch: Stretch,
) -> str:
    """The figure of one direction as JSON text; `layer` is the one whose rates are drawn (not NOT_STATED).

    Of very many runs those are drawn that `thinned` keeps.
    """
    sides = [(run, side) for run in runs if (side := run.side(direction)) is not None]
    traces = []
    for name, meta in (("valid", str(direction)), ("light", "light"), ("left out", "excluded")):
        every = [(run.started_unix_ns, side.rates.at(layer)) for run, side in sides if _kind(run) == name]
        if found := thinned(every, stretch):
            trace = points(f"{direction}, {name}", found, meta=meta, sign=SIGNS[meta], where=stretch.zone)
            traces.append(trace)
    if stated_bps is not None:
        traces.append(level("stated", stated_bps, meta="stated", dash="dashdot", stretch=stretch))
    return drawn(traces, unit="Mb/s", stretch=stretch, gaps=gaps)


def thinned(points_: Sequence[Point], stretch: Stretch) -> list[Point]:
    """The same points, oldest first, while they are few; else of each of `PARTS` equal parts of the time the
    lowest, the highest and one in the middle, so that no extreme is lost."""
    if len(points_) <= 3 * PARTS:
        return list(points_)
    parts: dict[int, list[Point]] = {}
    length_ns = max(1, (stretch.to_ns - stretch.from_ns) // PARTS)
    for one in points_:
        parts.setdefault((one[0] - stretch.from_ns) // length_ns, []).append(one)
    kept = set()
    for part in parts.values():
        part.sort(key=lambda one: one[1])
        kept |= {part[0], part[(len(part) - 1) // 2], part[-1]}
    return sorted(kept)


def _kind(run: RateRun) -> str:
    """A light run stands where it was told to, so it must never look like a slow one."""
    if run.standing is not Standing.VALID or evidence.ASKED in run.reasons:
        return "left out"
    return "light" if run.light else "valid"
