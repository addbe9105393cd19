"""The send buffer as a fluid queue: what a stall or a slow-down costs a live stream.

Time and backlog are both counted in seconds of media, so demand is 1 and the line is `headroom`, its
rate over the demand (0 in a stall). The backlog grows by 1 - headroom while the line is too slow,
shrinks by headroom - 1 while it has rate to spare, never goes below 0, and what would exceed the
buffer's window is lost. Own derivation. Stands on nothing of the project.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

# TCP's waits before it tries again double (RFC 6298 section 5.5); 0.2 s for the first is what common
# systems use (common practice; the RFC recommends 1 s), so tries come after 0.2, 0.6, 1.4, 3.0, 6.2 s
_FIRST_WAIT_S = 0.2
_LONGEST_WAIT_S = 60.0  # RFC 6298 (2.5): a maximum, if there is one, is at least this


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A span of one headroom, and how many seconds of media the buffer may hold in it."""

    seconds: float
    headroom: float
    window_s: float


def recovery_s(stall_s: float, headroom: float) -> float:
    """Seconds from a stall's end until the stream is live again; infinite without rate to spare."""
    return stall_s / (headroom - 1) if headroom > 1 else math.inf


def overflow_s(window_s: float, headroom: float) -> float:
    """Seconds until a slow-down to `headroom` fills the buffer; infinite when it never does."""
    return window_s / (1 - headroom) if headroom < 1 else math.inf


def dropped_ratio(headroom: float) -> float:
    """The share of the media that is dropped once a slow-down has filled the buffer."""
    return max(0.0, 1 - headroom)


def tcp_silence_s(stall_s: float) -> float:
    """The silence that TCP makes of a stall in which everything was lost: until its next try."""
    wait_s = tried_s = _FIRST_WAIT_S
    while tried_s < stall_s:
        wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        tried_s += wait_s
    return tried_s if stall_s > 0 else 0.0


def replay(stretches: Iterable[Stretch]) -> list[float]:
    """Seconds of media lost in each stretch, the backlog of one carried into the next; empty at first."""
    backlog_s = 0.0
    lost: list[float] = []
    for stretch in stretches:
        grown_s = max(0.0, backlog_s + (1 - stretch.headroom) * stretch.seconds)
        kept_s = min(grown_s, stretch.window_s)
        lost.append(grown_s - kept_s)
        backlog_s = kept_s
    return lost
