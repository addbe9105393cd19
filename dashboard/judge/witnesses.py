"""What a hop says of a stall: the answers from within it, held against how the hop answers otherwise.

A stall lets nothing through, so one answer as usual from within shows that the way to that hop and back was
open. A missing or late answer says something only of a hop that otherwise answers: how often its own limit
for answers would leave out as many by chance decides. Pure. Imports placing and store.segments.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from dashboard.judge.placing import State
from store.segments import Seen

MARGIN_MS = 100  # at both ends of a stall: what left there may or may not have been in it

_LATE_US = 80_000  # over a hop's median; a busy router answers some tens of ms late
_BY_LIMIT = 0.05  # chance that missing answers are the hop's limit, at most

Window = tuple[int, int]  # ms from the record's start


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """How many packets to a hop were answered as usual, and how many late or not at all."""

    good: int
    bad: int

    def __add__(self, other: Answers) -> Answers:
        return Answers(good=self.good + other.good, bad=self.bad + other.bad)


def within(seen: Seen, window: Window) -> Answers:
    """Of the packets that were on their way wholly within `window`."""
    usual_us = median(seen.rtts_us) if seen.rtts_us else 0
    good = bad = 0
    for sent_ms, rtt_us in zip(seen.answered_ms, seen.rtts_us, strict=True):
        if not window[0] <= sent_ms <= window[1]:
            continue
        if rtt_us > usual_us + _LATE_US:
            bad += 1
        elif sent_ms + rtt_us // 1000 <= window[1]:
            good += 1
    return Answers(good=good, bad=bad + sum(window[0] <= one <= window[1] for one in seen.missed_ms))


def outside(seen: Seen, windows: Sequence[Window]) -> Answers:
    """Of the packets that left in none of `windows`."""
    usual_us = median(seen.rtts_us) if seen.rtts_us else 0
    answered = [
        rtt_us <= usual_us + _LATE_US
        for sent_ms, rtt_us in zip(seen.answered_ms, seen.rtts_us, strict=True)
        if not in_any(sent_ms, windows)
    ]
    missed = sum(not in_any(one, windows) for one in seen.missed_ms)
    return Answers(good=sum(answered), bad=len(answered) - sum(answered) + missed)


def state(found: Answers, *, otherwise: Answers) -> State:
    """What a hop says that answered so within stalls, and `otherwise` outside of them."""
    if found.good:
        return State.CLEAR
    chance = (otherwise.bad + 1) / (otherwise.good + otherwise.bad + 2)
    return State.HIT if found.bad and chance**found.bad < _BY_LIMIT else State.NOTHING


def speaks(otherwise: Answers) -> bool:
    """Whether a hop answers often enough, outside of stalls, that a missing answer could say something."""
    return otherwise.good > otherwise.bad


def in_any(moment_ms: int, windows: Iterable[Window]) -> bool:
    return any(start <= moment_ms <= end for start, end in windows)
