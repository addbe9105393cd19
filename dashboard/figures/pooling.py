"""Time cut into pieces, and what one train said in each.

A piece's figures come from its own packets (`judge.delay.summary`), never from averaging. A piece in
which nothing was measured counts no spans: a gap. Pure; imports store and judge.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta, tzinfo
from itertools import pairwise

from dashboard.judge.delay import TrainSummary, summary, summary_of_sums
from store.cells import Cells, Length
from store.clock import NS_PER_S, local
from store.records import Stall, TrainSpan
from store.rollup import Rolled

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

    Steps of a day, six hours, an hour and ten minutes are the cells in which minutes are summed up
    (`store.cells`): a day has the length it has there. Others begin at whole steps of the local clock as it
    stood at the beginning.
    """
    lengths = {length.seconds: length for length in Length}
    if step_s in lengths:
        found = list(Cells(stretch.zone).between(lengths[step_s], stretch.from_ns, stretch.to_ns))
        return (*(start_ns for start_ns, _ in found), found[-1][1]) if found else ()
    step_ns = step_s * NS_PER_S
    shift = local(stretch.from_ns, stretch.zone).utcoffset() or timedelta()
    first_ns = stretch.from_ns - (stretch.from_ns + round(shift.total_seconds()) * NS_PER_S) % step_ns
    return tuple(range(first_ns, stretch.to_ns + step_ns, step_ns))


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


def pieces_of_sums(cuts: Sequence[int], sums: Sequence[Rolled]) -> tuple[Piece, ...]:
    """The pieces between the cuts from sums of one train, oldest first; a cell lies in one piece."""
    starts = [one.started_unix_ns for one in sums]
    return tuple(
        Piece(
            start_ns=start_ns,
            end_ns=end_ns,
            train=summary_of_sums(sums[bisect_left(starts, start_ns) : bisect_left(starts, end_ns)]),
        )
        for start_ns, end_ns in pairwise(cuts)
    )
