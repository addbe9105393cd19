"""Time cut into pieces, and what one train said in each.

A piece's figures come from its own packets (`judge.delay.summary`), never from averaging. A piece in
which nothing was measured counts no spans: a gap. Pure; imports store and judge.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from itertools import pairwise

from dashboard.judge.delay import TrainSummary, summary
from store.clock import NS_PER_S, local
from store.records import Stall, TrainSpan

DAY_S = 86_400


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """The time that a page or a figure shows, and the zone whose clocks it shows."""

    from_ns: int
    to_ns: int
    zone: tzinfo

    @property
    def seconds(self) -> float:
        return (self.to_ns - self.from_ns) / NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """From `start_ns` up to, not including, `end_ns`: what the spans and stalls that began in it say."""

    start_ns: int
    end_ns: int
    train: TrainSummary

    @property
    def measured(self) -> bool:
        return self.train.spans > 0


def edges(stretch: Stretch, *, step_s: int) -> tuple[int, ...]:
    """Where the pieces of `step_s` begin and end, the first at or before the stretch.

    Steps of a day begin at local midnight, so that a day has the length it has there; shorter ones
    at whole steps of the local clock as it stood at the beginning.
    """
    if step_s == DAY_S:
        return tuple(_midnights(stretch))
    step_ns = step_s * NS_PER_S
    shift = local(stretch.from_ns, stretch.zone).utcoffset() or timedelta()
    first_ns = stretch.from_ns - (stretch.from_ns + round(shift.total_seconds()) * NS_PER_S) % step_ns
    return tuple(range(first_ns, stretch.to_ns + step_ns, step_ns))


def _midnights(stretch: Stretch) -> Iterator[int]:
    day = local(stretch.from_ns, stretch.zone).date()
    midnight_ns = 0
    while midnight_ns < stretch.to_ns:
        midnight_ns = round(datetime.combine(day, time(), stretch.zone).timestamp()) * NS_PER_S
        yield midnight_ns
        day += timedelta(days=1)


def piece(start_ns: int, end_ns: int, *, spans: Iterable[TrainSpan], stalls: Iterable[Stall]) -> Piece:
    """One piece of these spans and stalls of one train."""
    return Piece(start_ns=start_ns, end_ns=end_ns, train=summary(spans, stalls))


def pieces(cuts: Sequence[int], *, spans: Sequence[TrainSpan], stalls: Sequence[Stall]) -> tuple[Piece, ...]:
    """The pieces between the cuts, from the spans and stalls of one train, each oldest first."""
    starts = [one.started_unix_ns for one in spans]
    stall_starts = [one.started_unix_ns for one in stalls]

    def within(times: Sequence[int], start_ns: int, end_ns: int) -> slice:
        return slice(bisect_right(times, start_ns - 1), bisect_right(times, end_ns - 1))

    return tuple(
        piece(
            start_ns,
            end_ns,
            spans=spans[within(starts, start_ns, end_ns)],
            stalls=stalls[within(stall_starts, start_ns, end_ns)],
        )
        for start_ns, end_ns in pairwise(cuts)
    )
