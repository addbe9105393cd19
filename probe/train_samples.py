"""Which packets of a train lie near a stall, so that they are kept one by one.

A stall's packets are those from `SIDE_NS` before it to as long after it; of a longer one the first and the
last so many seconds, counted from both its ends. Every packet is told once, in its order, when it is known
what became of it and whether a stall began soon after it: some 25 s after it was sent. The tally keeps
packets until then, so nothing is copied before; while nothing comes back for long, what lies in the middle
is told and let go, so that memory stays bounded.

A line that stalls all day would fill the record: after `FULL_A_DAY` stalls of a UTC day only `LATER_NS`
on either side are taken for near, and after `PACKETS_A_DAY` packets none. The train's own minutes and stalls
go on as before. Pure: imports the tally's figures and store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum

from probe.train_outcome import Silence, Tally
from store.clock import NS_PER_S
from store.samples import Sample, belongs_to

SIDE_NS = 10 * NS_PER_S
LATER_NS = NS_PER_S  # enough to show that the packets before and after a stall came back as usual
FULL_A_DAY = 10
PACKETS_A_DAY = (
    30_000  # some 165 kB; a line that stalls 214 times a day, at 20 packets a second, needs 18 000
)

_SETTLED_NS = 3 * NS_PER_S  # a silence is told that long after it ended: a second, a beat, and room
_DAY_NS = 86_400 * NS_PER_S


class Near(Enum):
    """What a packet lies near."""

    STALL = "stall"
    OUTAGE = "outage"  # in the middle of a long silence
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """Packets in a row that all lie near the same."""

    near: Near
    packets: tuple[Sample, ...]


class Sampler:
    """Sorts the packets of one train. `done` is the index of the first that it still needs."""

    def __init__(self, tally: Tally, *, waiting_ns: int) -> None:
        self._tally = tally
        self._waiting_ns = waiting_ns
        self._spans: list[tuple[int, int, Near]] = []  # sent from, to: near what
        self._silent_ns: int | None = None  # since when nothing came back, once its beginning is near a stall
        self._day, self._stalls, self._packets = 0, 0, 0  # of this day
        self._row: list[Sample] = []  # the packets in a row that are not told yet, and what they lie near
        self._row_near = Near.NOTHING
        self.done = 0

    def stall(self, silence: Silence) -> None:
        """Note a silence of half a second or more."""
        began_ns, ended_ns = silence.started_ns, silence.started_ns + silence.duration_ns
        low_ns, high_ns = began_ns - self._side_ns, ended_ns + self._side_ns
        self._spans += [
            (low_ns, min(high_ns, began_ns + SIDE_NS), Near.STALL),
            (max(low_ns, ended_ns - SIDE_NS), high_ns, Near.STALL),
            (began_ns, ended_ns, Near.OUTAGE),  # what neither end takes
        ]
        self._stalls += 1

    def take(
        self, now_ns: int, *, unix_of: Callable[[int], int], last: int | None = None
    ) -> Iterator[Sampled]:
        """What is known by now; everything before index `last` when the train ends there.

        `unix_of` gives Unix time for a moment of the probe's monotonic clock.
        """
        tally, after = self._tally, self._tally.after if last is None else last
        self._begin_day(unix_of(now_ns) // _DAY_NS)
        told_ns = tally.settled_until_ns
        told_ns = now_ns if told_ns is None else told_ns
        self._note_silence(told_ns, now_ns)
        while self.done < after:
            sent_ns = tally.sent_at(self.done)
            near = self._near(sent_ns)
            if last is None:
                if sent_ns > now_ns - self._waiting_ns - _SETTLED_NS:
                    break
                if near is Near.NOTHING and sent_ns > told_ns - self._side_ns - _SETTLED_NS:
                    if self._silent_ns is None or sent_ns > now_ns - SIDE_NS - _SETTLED_NS:
                        break
                    near = Near.OUTAGE if sent_ns > self._silent_ns else Near.NOTHING
            yield from self._add(sample_of(tally, self.done, unix_of), near)
            self.done += 1
        if last is not None:
            yield from self._tell()
        if self.done < tally.after:
            oldest_ns = tally.sent_at(self.done)
            self._spans = [each for each in self._spans if each[1] >= oldest_ns]

    @property
    def _side_ns(self) -> int:
        return SIDE_NS if self._stalls < FULL_A_DAY else LATER_NS

    def _begin_day(self, day: int) -> None:
        if day != self._day:
            self._day, self._stalls, self._packets = day, 0, 0

    def _note_silence(self, told_ns: int, now_ns: int) -> None:
        """Take the beginning of a silence for near a stall once it lasts so long that it must be one."""
        if now_ns - told_ns <= self._waiting_ns + SIDE_NS + _SETTLED_NS:
            self._silent_ns = None
        elif self._silent_ns != told_ns:
            self._silent_ns = told_ns
            self._spans.append((told_ns - self._side_ns, told_ns + SIDE_NS, Near.STALL))

    def _near(self, sent_ns: int) -> Near:
        if self._packets >= PACKETS_A_DAY or not self._spans:
            return Near.NOTHING
        found = {near for low_ns, high_ns, near in self._spans if low_ns <= sent_ns <= high_ns}
        return next((near for near in (Near.STALL, Near.OUTAGE) if near in found), Near.NOTHING)

    def _add(self, sample: Sample, near: Near) -> Iterator[Sampled]:
        if self._row and not (
            near is self._row_near and belongs_to(self._row[0].sent_unix_ns, sample.sent_unix_ns)
        ):
            yield from self._tell()
        self._row.append(sample)
        self._row_near = near
        self._packets += near is Near.STALL

    def _tell(self) -> Iterator[Sampled]:
        if self._row:
            row, self._row = tuple(self._row), []
            yield Sampled(near=self._row_near, packets=row)


def sample_of(tally: Tally, index: int, unix_of: Callable[[int], int]) -> Sample:
    """A packet that the tally still keeps; its sequence number is its index."""
    return Sample(
        sequence=index,
        sent_unix_ns=unix_of(tally.sent_at(index)),
        rtt_ns=tally.rtt_ns(index),
        lost=tally.lost(index),
        held=tally.held(index),
    )
