"""What each short interval of a train was: good, bad, or not known, from what the store still has of it.

A minute's record says how many packets were lost, not when; a stall and the single packets around it say
when. So the time comes in pieces, each with what is known of it, and an interval is called good or bad
only where every way in which a piece's losses could lie agrees; else it is unsure. Loss is counted each
way by itself, as a standard's frame loss is: down of the packets that had reached the far end. Packets lost
in a direction that nobody knows may have been lost in either.

Pure: numbers in, numbers out. Uses numpy, since a month has 2.7 million seconds.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import Self

import numpy as np
import numpy.typing as npt

States = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

_CHUNK = 86_400  # intervals worked on at once, so that memory stays small
_WATCHED = 0.5  # of an interval, so that it counts as measured; common practice, no source
_SLACK = 1e-6  # of a packet: sums of parts of pieces are not exact


class State(IntEnum):
    """What an interval was. HOUSE and UNPLACED come only where several trains are put together."""

    UNMEASURED = 0
    GOOD = 1
    BAD = 2
    UNSURE = 3
    HOUSE = 4  # the house's own network was bad, so the line was not seen
    UNPLACED = 5  # bad, and nothing tells whether it was the line


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Packets sent from `from_s` to `to_s` (Unix seconds), evenly, and how many of them were lost which way.

    `sent` may be a fraction where a piece is what is left of a minute. Its losses may lie in other places
    too, where `elsewhere` packets were sent; they stand in each of those pieces in full.
    """

    from_s: float
    to_s: float
    sent: float
    lost_up: float = 0.0
    lost_down: float = 0.0
    lost_unknown: float = 0.0
    elsewhere: float = 0.0

    @property
    def lost(self) -> float:
        return self.lost_up + self.lost_down + self.lost_unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Intervals of `interval_s` from `from_s` on; one is bad when more than `over_ratio` of a way is lost.

    Fewer than `in_a_row` bad ones mean nothing to whoever asks.
    """

    from_s: int
    intervals: int
    interval_s: int
    over_ratio: float
    in_a_row: int

    def may_be_bad(self, piece: Piece) -> int:
        """How many of its intervals could be bad at most, by the number of packets lost."""
        each = piece.sent / max(piece.to_s - piece.from_s, 1e-9) * self.interval_s
        needs = math.floor(self.over_ratio * each + _SLACK) + 1
        return int((piece.lost + _SLACK) // needs)

    def leaves_open(self, piece: Piece) -> bool:
        """Whether knowing more of a piece could change what is said of it."""
        return self.may_be_bad(piece) >= max(1, self.in_a_row / 2)


def states(pieces: Iterable[Piece], grid: Grid) -> States:
    """The state of every interval; `pieces` are of one train, in the order of time, and do not overlap."""
    found = np.zeros(grid.intervals, dtype=np.uint8)
    waiting = sorted(pieces, key=lambda piece: piece.from_s)
    begins, ends = [piece.from_s for piece in waiting], [piece.to_s for piece in waiting]
    for first in range(0, grid.intervals, _CHUNK):
        count = min(_CHUNK, grid.intervals - first)
        low_s = grid.from_s + first * grid.interval_s
        high_s = low_s + count * grid.interval_s
        within = waiting[bisect_right(ends, low_s) : bisect_left(begins, high_s)]
        if within:
            found[first : first + count] = _Chunk(grid, low_s, count).states(within)
    _let_short_ones_be_good(found, grid.in_a_row)
    return found


def _let_short_ones_be_good(states: States, in_a_row: int) -> None:
    """Too few that could be bad, with as many good ones on either side as end an outage, open none: so it
    does not hang on how finely the time around them was read."""
    every = list(runs(states))
    for before, (state, low, high), after in zip(every, every[1:], every[2:], strict=False):
        if state == State.UNSURE and high - low < in_a_row:
            sides = (before, after)
            if all(side == State.GOOD and to - from_ >= in_a_row for side, from_, to in sides):
                states[low:high] = State.GOOD


class _Chunk:
    """A day of intervals while pieces are laid over it."""

    def __init__(self, grid: Grid, low_s: int, count: int) -> None:
        self._grid, self._low_s, self._count = grid, low_s, count
        self._covered, self._sent = np.zeros(0), np.zeros(0)  # of each interval, once `_cover` was there

    def states(self, pieces: Sequence[Piece]) -> States:
        self._cover(pieces)
        watched = self._covered >= _WATCHED - 1e-9  # half an interval, whatever sums of parts make of it
        if self._too_few(pieces):
            return np.where(watched, State.GOOD, State.UNMEASURED).astype(np.uint8)
        lossy = _Lossy.of([piece for piece in pieces if piece.lost], self._grid, self._low_s)
        laid = _Laid(lossy, self._count)
        over, sent = self._grid.over_ratio, self._sent[laid.touched]
        least_up = laid.least(lossy.up)
        most_up, most_down = laid.most(lossy.up + lossy.unknown), laid.most(lossy.down + lossy.unknown)
        most_known_up = most_up if not lossy.unknown.any() else laid.most(lossy.up)
        bad = (
            (least_up > over * sent + _SLACK)
            | (laid.least(lossy.down) > over * (sent - least_up) + _SLACK)
            # lost each way up to the limit: no more than this can be lost altogether
            | (laid.least(lossy.lost) > (1 - (1 - over) ** 2) * sent + _SLACK)
        )
        # what is unknown lowers what arrived by no more than it lowers the loss down
        least_arrived = np.maximum(sent - most_known_up, 0)
        good = (most_up <= over * sent + _SLACK) & (most_down <= over * least_arrived + _SLACK)
        good |= lossy.too_few(laid.touched, self._grid.in_a_row)
        found = np.full(self._count, State.GOOD, dtype=np.uint8)
        found[laid.touched] = np.where(bad, State.BAD, np.where(good, State.GOOD, State.UNSURE))
        found[~(watched & (self._sent > 0))] = State.UNMEASURED
        return found

    def _too_few(self, pieces: Sequence[Piece]) -> bool:
        """Whether no interval can be bad, even one half covered that has all losses of two pieces."""
        lost = sum(sorted(piece.lost for piece in pieces)[-2:])
        if not lost:
            return True
        over = self._grid.over_ratio
        slowest = min(piece.sent / max(piece.to_s - piece.from_s, 1e-9) for piece in pieces)
        return lost * (1 + over) <= over * slowest * self._grid.interval_s * _WATCHED

    def _cover(self, pieces: Sequence[Piece]) -> None:
        """How much of each interval the pieces cover, and how many of their packets were sent in it.

        Both grow evenly within a piece and stand still between two: lines with a corner at every end.
        """
        ends = np.array([(piece.from_s, piece.to_s) for piece in pieces])
        corners = np.maximum.accumulate((ends - self._low_s).ravel() / self._grid.interval_s)
        edges = np.arange(self._count + 1)
        for_each = (
            corners[1::2] - corners[::2],
            np.array([piece.sent for piece in pieces], dtype=np.float64),
        )
        self._covered, self._sent = (
            np.diff(np.interp(edges, corners, _sums(amounts))) for amounts in for_each
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lossy:
    """Pieces that lost something, a value of each; `begin` and `end` in intervals of a chunk."""

    begin: Floats
    end: Floats
    sent: Floats
    elsewhere: Floats
    up: Floats
    down: Floats
    unknown: Floats
    most: Floats  # of its intervals that could be bad

    @classmethod
    def of(cls, pieces: Sequence[Piece], grid: Grid, low_s: int) -> Self:
        rows = [
            (one.from_s, one.to_s, one.sent, one.elsewhere, one.lost_up, one.lost_down, one.lost_unknown)
            for one in pieces
        ]
        from_s, to_s, sent, elsewhere, up, down, unknown = np.array(rows, dtype=np.float64).T
        each = sent / np.maximum(to_s - from_s, 1e-9) * grid.interval_s
        return cls(
            begin=(from_s - low_s) / grid.interval_s,
            end=(to_s - low_s) / grid.interval_s,
            sent=sent,
            elsewhere=elsewhere,
            up=up,
            down=down,
            unknown=unknown,
            most=(up + down + unknown + _SLACK) // (np.floor(grid.over_ratio * each + _SLACK) + 1),
        )

    @property
    def lost(self) -> Floats:
        return self.up + self.down + self.unknown

    def too_few(self, touched: npt.NDArray[np.int64], in_a_row: int) -> npt.NDArray[np.bool_]:
        """Which of these intervals lie in the middle of a piece of which too few can be bad in a row; at its
        ends a neighbour's may follow."""
        low, high = np.ceil(self.begin) + self.most, np.floor(self.end) - self.most
        few = (self.end - self.begin > 1) & (self.most < in_a_row) & (low < high)
        low, high = np.append(-1.0, low[few]), np.append(-1.0, high[few])  # the first of them is none
        nth = np.searchsorted(low, touched, side="right") - 1
        inside: npt.NDArray[np.bool_] = touched < high[nth]
        return inside


class _Laid:
    """Pieces over the intervals that they lie in: whole ones, and those that an end of theirs cuts.

    `touched` are these intervals, in order; all else is said of them alone, since most lost nothing.
    """

    def __init__(self, pieces: _Lossy, count: int) -> None:
        low, high = np.maximum(pieces.begin, 0.0), np.minimum(pieces.end, float(count))
        first, last = np.ceil(low - 1e-9).astype(np.int64), np.floor(high + 1e-9).astype(np.int64)
        within = first > last  # one interval
        parts = (
            (within & (high > low), last, high - low),
            (~within & (first - low > 1e-9), first - 1, first - low),
            (~within & (high - last > 1e-9), last, high - last),
        )
        whole = np.where(within, 0, last - first)
        before = np.cumsum(whole) - whole
        among = np.arange(whole.sum()) - np.repeat(before, whole)
        self._piece = np.concatenate(
            [*(np.flatnonzero(here) for here, _, _ in parts), np.repeat(np.arange(len(whole)), whole)]
        )
        at = np.concatenate([*(at[here] for here, at, _ in parts), among + np.repeat(first, whole)])
        mark = np.zeros(count, dtype=np.bool_)
        mark[at] = True
        self.touched = np.flatnonzero(mark)
        self._nth = np.cumsum(mark)[at] - 1
        share = np.concatenate([*(part[here] for here, _, part in parts), np.ones(len(among))])
        sent, length = pieces.sent[self._piece], (pieces.end - pieces.begin)[self._piece]
        self._sent = sent * share / length
        self._rest = sent + pieces.elsewhere[self._piece] - self._sent  # of what the losses may be of as well

    def least(self, lost: Floats) -> Floats:
        """The least that is lost in each interval, where each piece lost so many."""
        here = lost[self._piece] - self._rest
        if not len(here) or here.max() <= 0:  # nearly always: all of it may lie elsewhere in the piece
            return np.zeros(len(self.touched))
        return self._summed(np.maximum(here, 0.0))

    def most(self, lost: Floats) -> Floats:
        """The most, likewise."""
        if not lost.any():
            return np.zeros(len(self.touched))
        return self._summed(np.minimum(lost[self._piece], self._sent))

    def _summed(self, amounts: Floats) -> Floats:
        return np.bincount(self._nth, weights=amounts, minlength=len(self.touched)).astype(float, copy=False)


def _sums(amounts: Floats) -> Floats:
    """Before and after each amount: the sum up to there."""
    sums = np.zeros(2 * len(amounts))
    sums[1::2] = np.cumsum(amounts)
    sums[2::2] = sums[1:-1:2]
    return sums


def together(outside: Sequence[States], house: Sequence[States]) -> States:
    """What the circuit was, from the trains to endpoints outside and in the house, interval by interval.

    One endpoint outside that answers shows that the circuit carries. Two that are lost while the house is
    good are the circuit; one alone, or two without a house endpoint, could be something else. While the
    house's own network is bad nothing is seen of the circuit.
    """
    if not outside:
        return np.zeros(0, dtype=np.uint8)
    out = np.stack(outside)
    bad, good = out == State.BAD, (out == State.GOOD).any(axis=0)
    measured = (out != State.UNMEASURED).sum(axis=0)
    all_bad = (bad.sum(axis=0) == measured) & (measured > 0)
    inside = np.stack(house) if house else np.zeros((1, out.shape[1]), dtype=np.uint8)
    house_bad, house_good = (inside == State.BAD).any(axis=0), (inside == State.GOOD).any(axis=0)
    house_good &= ~house_bad & ~(inside == State.UNSURE).any(axis=0)
    found = np.full(out.shape[1], State.UNSURE, dtype=np.uint8)
    found[measured == 0] = State.UNMEASURED
    found[all_bad] = State.UNPLACED
    found[all_bad & house_good & (measured >= 2)] = State.BAD
    found[house_bad & ~good] = State.HOUSE
    found[good] = State.GOOD
    return found


def runs(states: npt.NDArray[np.uint8]) -> Iterator[tuple[int, int, int]]:
    """(state, first, after) of intervals in a row that are alike."""
    if not len(states):
        return
    edges = np.flatnonzero(np.diff(states)) + 1
    bounds = [0, *edges.tolist(), len(states)]
    for low, high in pairwise(bounds):
        yield int(states[low]), low, high
