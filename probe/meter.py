"""What passed a handoff's interface between readings of its counters, summed up hour by hour.

Every record holds the counters that it ended with, and the next one goes on from there: also after a kill or
a time without the probe, as long as the host and the interface stayed. Counters that begin anew (the host
started again, the interface was made anew) count from nothing; what passed between the last look and that
moment is not known, and the record says so. A byte counter of 32 bits that wrapped is told from one that
began anew by its packets, which go on; two wraps within a minute, above 570 Mb/s, cannot be told from one.

Pure. Imports store.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import tzinfo
from typing import NamedTuple

from store import cap
from store.cap import CapState
from store.cells import Cells, Length
from store.clock import NS_PER_S, local
from store.site import Cap
from store.traffic import Reading, Traffic

_WRAP = 1 << 32
_KEPT_NS = 62 * 86_400 * NS_PER_S  # two months, which hold any period and the weeks of the forecast


class Growth(NamedTuple):
    """What passed between two readings, in bytes of IP packets; `missed` says what was not counted."""

    up_bytes: int
    down_bytes: int
    missed: str | None = None


def growth(before: Reading, after: Reading, *, where: tzinfo) -> Growth:
    """What passed between two readings of a handoff's interface."""
    since = f"{local(before.unix_ns, where):%Y-%m-%d %H:%M}"
    if after.interface != before.interface:
        why = (
            f"the way out changed from {before.interface} to {after.interface}: nothing counted since {since}"
        )
        return Growth(0, 0, missed=why)
    if after.boot != before.boot:
        return _anew(after, f"the host started again: not counted from {since} until then")
    if after.index != before.index:
        if after.index < before.index:  # an older interface took the name, with counters of its own
            why = f"another interface is called {after.interface} now: nothing counted since {since}"
            return Growth(0, 0, missed=why)
        return _anew(after, f"{after.interface} was made anew: not counted from {since} until then")
    up = _passed(before.sent_bytes, before.sent_packets, after.sent_bytes, after.sent_packets, after)
    down = _passed(
        before.received_bytes, before.received_packets, after.received_bytes, after.received_packets, after
    )
    if up is None or down is None:
        return _anew(
            after, f"the counters of {after.interface} began anew: not counted from {since} until then"
        )
    return Growth(up, down)


@dataclass(slots=True, kw_only=True)
class Meter:
    """What is known of one handoff's traffic. `records` are those of the last weeks, oldest first.

    `unrecorded` is what tests moved up and down since the last of them, in a life of the probe before this.
    """

    handoff: str
    where: tzinfo
    records: list[Traffic] = field(default_factory=list)
    unrecorded: tuple[int, int] = (0, 0)
    _last: Reading | None = field(default=None, init=False)
    _own: tuple[int, int] = field(default=(0, 0), init=False)  # as of the last record's end
    _own_now: tuple[int, int] = field(default=(0, 0), init=False)
    _started_ns: int = field(default=0, init=False)
    _moved: tuple[int, int] = field(default=(0, 0), init=False)
    _missed: list[str] = field(default_factory=list, init=False)

    def __post_init__(self) -> None:
        if self.records:
            self._last = self.records[-1].at_end
            self._started_ns = self.records[-1].ended_unix_ns
            self._own = -self.unrecorded[0], -self.unrecorded[1]

    def take(self, found: Reading | None, *, own: tuple[int, int]) -> Traffic | None:
        """Note a reading, and what the tests moved up and down so far; the record of an hour that is over."""
        if found is None:
            return None
        if self._last is None:
            self._last, self._started_ns, self._own = found, found.unix_ns, own
            self._own_now = own
            return None
        grown = growth(self._last, found, where=self.where)
        self._moved = self._moved[0] + grown.up_bytes, self._moved[1] + grown.down_bytes
        self._missed += [grown.missed] if grown.missed else []
        self._last, self._own_now = found, own
        self._started_ns = min(self._started_ns, found.unix_ns)  # where the clock was set back
        hour_ns = Cells(self.where).of(Length.HOUR, self._started_ns)[1]
        return self._closed() if found.unix_ns >= hour_ns else None

    def close(self) -> Traffic | None:
        """The record of the hour so far, None when there is nothing to say."""
        last = self._last
        return None if last is None or last.unix_ns <= self._started_ns else self._closed()

    def next_hour_ns(self, now_ns: int) -> int:
        """When the hour ends."""
        return Cells(self.where).of(Length.HOUR, now_ns)[1]

    def state(self, limit: Cap, *, now_ns: int) -> CapState:
        """How the cap stands now, the hour under way included."""
        open_ = self._record() if self._last and self._last.unix_ns > self._started_ns else None
        records = [*self.records, *([open_] if open_ else [])]
        return cap.state(limit, records, now_ns=now_ns, where=self.where)

    def _closed(self) -> Traffic:
        made = self._record()
        oldest_ns = made.ended_unix_ns - _KEPT_NS
        self.records = [one for one in self.records if one.ended_unix_ns > oldest_ns] + [made]
        self._started_ns, self._moved, self._missed = made.ended_unix_ns, (0, 0), []
        self._own = self._own_now
        return made

    def _record(self) -> Traffic:
        last = self._last
        assert last is not None  # noqa: S101 - whoever asks has looked
        return Traffic(
            handoff=self.handoff,
            started_unix_ns=self._started_ns,
            ended_unix_ns=last.unix_ns,
            interface=last.interface,
            up_bytes=self._moved[0],
            down_bytes=self._moved[1],
            own_up_bytes=self._own_now[0] - self._own[0],
            own_down_bytes=self._own_now[1] - self._own[1],
            at_end=last,
            missed="; ".join(self._missed) or None,
        )


def _anew(after: Reading, why: str) -> Growth:
    header_bytes = after.header_bytes
    return Growth(
        max(0, after.sent_bytes - header_bytes * after.sent_packets),
        max(0, after.received_bytes - header_bytes * after.received_packets),
        missed=why,
    )


def _passed(
    bytes_before: int, packets_before: int, bytes_after: int, packets_after: int, found: Reading
) -> int | None:
    """IP bytes between two pairs of counters of one direction; None when they began anew."""
    moved, packets = bytes_after - bytes_before, packets_after - packets_before
    if moved < 0 and packets < 0:
        return None
    if moved < 0:
        if bytes_before >= _WRAP:
            return None
        moved += _WRAP
    if packets < 0:
        packets += _WRAP
    return max(0, moved - found.header_bytes * packets)
