"""A soak as a terminal shows it: what it supports, its delays, and what of its time does not count."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from dashboard.text import standing_line
from store.clock import rfc3339
from store.records import REASONS
from store.soaks import Soak

if TYPE_CHECKING:  # brings numerics along, which the command has loaded already
    from dashboard.judge.soak import LossBounds

_MOST = 10  # stalls and gaps on a screen; the JSON has all


def soak(found: Soak, bounds: LossBounds) -> str:
    """Its sentence first, then a line for each thing that there is to say."""
    from dashboard.judge.soak import said

    return "\n".join([said(found, bounds), *_lines(found)])


def _lines(found: Soak) -> Iterator[str]:
    yield f"Watched {found.watched_s:,.0f} s of {found.seconds:,.0f} s; {found.counted_s:,.0f} s count."
    for name, histogram in (
        ("RTT", found.rtt_us),
        ("PDV up", found.pdv_up_us),
        ("PDV down", found.pdv_down_us),
    ):
        delays = histogram.delays()
        if delays is not None:
            figures = f"p50 {delays.p50 / 1e3:.3f}  p95 {delays.p95 / 1e3:.3f}  p99 {delays.p99 / 1e3:.3f}"
            yield f"{name:9} {figures}  max {delays.max / 1e3:.3f} ms"
    yield f"Stalls of 0.5 s or more: {len(found.stalls)}"
    for stall in found.stalls[:_MOST]:
        seconds = stall.duration_us / 1e6
        yield f"  {rfc3339(stall.started_unix_ns)}  {seconds:.2f} s {stall.direction}, {stall.how}"
    for gap in found.gaps[:_MOST]:
        yield f"Gap of {gap.seconds:.1f} s from {rfc3339(gap.started_unix_ns)}: {gap.why}."
    for out in found.left_out:
        yield f"Left out: {out.spans} spans, {out.seconds:.0f} s: {REASONS[out.reason][1]}."
    yield standing_line(str(found.standing), found.reasons)
