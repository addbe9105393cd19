"""What became of the packets of a train: losses by direction, silences, delay and its variation.

Pure: numbers in, numbers out. A packet is known by its index, counted from 0 over all sessions of a train.
T1 (sent) and T4 (arrived) are monotonic nanoseconds of the probe, T2 (received) and T3 (replied) Unix
nanoseconds of the endpoint, so a one-way delay holds an unknown constant, which cancels in all that is
said here.

Direction of loss: a stateful reflector numbers its replies from 0 (RFC 8762 section 4). Between two
replies that came, the reflector numbers that did not are replies lost on the way down; packets without a
reply beyond that many were lost on the way up. Where both happened between the same two replies, the
earlier packets are taken as lost on the way down: when a line breaks both ways at once, those are the ones
whose replies were under way. RFC 6673 section 7 warns that reordering and duplication shift the numbers;
so numbers and packets without a partner may meet theirs within `_REACH` packets. The totals are exact
whatever happened once the reflector's own counts are known.

Reordering is that of RFC 4737 section 3 (a number below one that arrived before; duplicates removed),
duplication counts additional copies (RFC 5560), jitter is RFC 3550 section 6.4.1 in order of arrival, PDV is
delay over the minimum (RFC 5481 section 4.2).
"""

from __future__ import annotations

import contextlib
from array import array
from bisect import bisect_left, bisect_right
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from enum import Enum
from itertools import chain
from typing import NamedTuple

from probe.wire.control import TrainCounts
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Histogram
from store.records import Direction

BLIP_NS = 200 * NS_PER_MS  # both limits: common practice, no source
STALL_NS = 500 * NS_PER_MS

_RIPE_NS = NS_PER_S // 2  # a reply this old is no longer overtaken by an earlier one
_SETTLED_NS = 2 * _RIPE_NS  # what a silence held has arrived by then, and is ripe
_RECENT = 400  # replies that say what is usual just now
_SPREADS, _NOISE_NS = 5, 2 * NS_PER_MS  # late is later than the median by more than this; see `_late_over`
_REACH = 32  # packets; more than reordering on a working line
_STEP_NS = 50 * NS_PER_MS
_SAME_NS = NS_PER_MS // 10  # two clocks of one host agree to this
_SEQUENCES = 1 << 32  # sequence numbers of either end wrap here

_UNPLACED, _UP, _DOWN = 0, 1, 2  # where a packet without a timely reply was lost
_HELD_UP, _HELD_DOWN, _REORDERED_UP, _REORDERED_DOWN = 1, 2, 4, 8
_SENT_BY_CLOCK, _ARRIVED_BY_CLOCK, _REPLIED_BY_CLOCK = 16, 32, 64
_NEVER = -1

_LOST_WORD = {_UNPLACED: "unattributed", _UP: "up", _DOWN: "down"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """No delivery in one direction, from `started_ns` (probe's monotonic clock) on.

    `direction` is BOTH where it could not be told.
    """

    direction: Direction
    started_ns: int
    duration_ns: int
    lost: int
    held: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of the packets of a span; the fields are those of `store.records.TrainSpan`.

    `from_clock` counts replies whose delay rests on this program's clock, `replied_by_clock` those for which
    the endpoint did not tell when they truly left. `clock_step` is
    True when the endpoint's clock was set within the span, or what it says of its times cannot be; PDV and
    jitter are then left out.
    """

    sent: int
    received: int
    lost_up: int
    lost_down: int
    lost_unattributed: int
    held_up: int
    held_down: int
    duplicated_up: int
    duplicated_down: int
    reordered_up: int
    reordered_down: int
    rtt: Histogram
    pdv_up: Histogram
    pdv_down: Histogram
    jitter_up_us: float | None
    jitter_down_us: float | None
    from_clock: int
    replied_by_clock: int
    clock_step: bool


class Jitter:
    """RFC 3550 section 6.4.1: feed transit times in order of arrival. In the unit of what is fed."""

    __slots__ = ("_last", "_seen", "_value")

    def __init__(self) -> None:
        self._value = 0.0
        self._last = 0
        self._seen = 0

    def add(self, transit: int) -> None:
        """Follow one more packet; transit = arrival - departure, whatever the clocks' offset."""
        if self._seen:
            self._value += (abs(transit - self._last) - self._value) / 16
        self._last = transit
        self._seen += 1

    @property
    def value(self) -> float | None:
        """The estimate, None with fewer than two packets."""
        return self._value if self._seen >= 2 else None


def pdv_of(delays: Sequence[int]) -> list[int]:
    """Delay over the minimum of the same packets (RFC 5481 section 4.2); lost packets are not in it."""
    least = min(delays, default=0)
    return [delay - least for delay in delays]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    """What was usual just before a silence: median delays, and what counts as late in each direction."""

    up_ns: int
    up_late_ns: int
    down_ns: int
    down_late_ns: int
    rtt_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Suspect:
    """Two deliveries in one direction far enough apart that a silence may lie between.

    `from_ns` and `to_ns` are by the receiver's clock of that direction, `seen_ns` and `since_ns`, when a
    reply last came before it, by the probe's.
    """

    direction: Direction
    from_ns: int
    to_ns: int
    seen_ns: int
    since_ns: int
    usual: _Usual


class _Due(Enum):
    """What became of a packet that was due in a silence."""

    LOST = "lost in this direction"
    UNKNOWN = "lost in either direction"
    HELD = "arrived at its end"
    DELIVERED = "arrived within"


class _Event(NamedTuple):
    """A packet, or `times` of them up to `until_ns`, due or delivered at `at_ns` by the receiver's clock."""

    what: _Due
    at_ns: int
    row: int = _NEVER
    times: int = 1
    end_ns: int | None = None

    @property
    def until_ns(self) -> int:
        return self.at_ns if self.end_ns is None else self.end_ns


@dataclass(slots=True, kw_only=True)
class _Block:
    """Packets of a silence that lasts, which nobody keeps one by one any more, oldest first.

    `unplaced` of them, from index `first` (sent at `sent_ns`) on, may still be placed; `up` were lost on
    the way up after the last that is known to have reached the endpoint (sent at `reached_ns`), `down` on
    the way down. `began_ns` and `ended_ns` are when the first and last of all were sent.
    """

    first: int
    sent_ns: int
    began_ns: int
    ended_ns: int
    unplaced: int = 0
    up: int = 0
    down: int = 0
    reached_ns: int | None = None

    def reach(self, sent_ns: int, *, down: int = 1) -> None:
        """Note that packets up to this one reached the endpoint, and that their replies were lost."""
        self.reached_ns, self.up = sent_ns, 0
        self.down += down


class Tally:
    """Everything known of the packets of a train that are not yet accounted for.

    Memory grows with the packets between `forget` calls only, at 42 bytes each.
    """

    def __init__(self, *, spacing_ns: int, waiting_ns: int) -> None:
        self._spacing_ns = spacing_ns
        self._waiting_ns = waiting_ns
        self._base = 0  # index of the first packet that is kept
        self._sent, self._arrived = array("q"), array("q")
        self._received, self._replied, self._reflector = array("q"), array("q"), array("q")
        self._fate, self._marks = bytearray(), bytearray()
        self._more_up: Counter[int] = Counter()  # index -> additional copies that reached the reflector
        self._more_down: Counter[int] = Counter()
        self._copies: dict[int, int] = {}  # reflector numbers of those additional copies -> index
        self._session = 0  # index of the first packet of the session
        self._unread: list[tuple[int, int, int]] = []  # replies not walked yet: (reflector, index, T4)
        self._reflector_done = -1  # up to here reflector numbers are accounted for
        self._index_done = -1  # and indices up to here
        self._walked_top = -1  # the highest index that the reflector is known to have answered so far
        self._spare, self._spare_until = (
            0,
            0,
        )  # reflector numbers without a packet, and how long they may wait
        self._doubted: deque[int] = deque(maxlen=_REACH)  # recent indices taken as lost on the way up
        self._answered_top = -1  # the highest index that has a reply
        self._heard_top = -1  # the same, before the silences that are still to be judged
        self._block: _Block | None = None
        self._recent: deque[tuple[int, int]] = deque(maxlen=_RECENT)  # (T2 - T1, T4 - T3)
        self._suspects: list[_Suspect] = []
        self._silences: list[Silence] = []  # judged and not told yet
        self._reflector_top = -1
        self._received_top: int | None = None  # T2 of the newest reply by reflector number
        self._arrived_last: int | None = None
        self._jitter_up, self._jitter_down = Jitter(), Jitter()

    @property
    def after(self) -> int:
        """The index that the next packet will have."""
        return self._base + len(self._sent)

    def sent(self, at_ns: int) -> int:
        """Note a packet that has left with `next_sequence`; its index."""
        self._sent.append(at_ns)
        for column in (self._arrived, self._received, self._replied, self._reflector):
            column.append(_NEVER)
        self._fate.append(_UNPLACED)
        self._marks.append(_SENT_BY_CLOCK)
        return self.after - 1

    @property
    def next_sequence(self) -> int:
        """The STAMP sequence number of the next packet: from 0 in each session, 32 bits."""
        return (self.after - self._session) % _SEQUENCES

    def restamp(self, index: int, at_ns: int) -> None:
        """The kernel's stamp of a departure; it replaces the program's if it can be of the same packet."""
        row = index - self._base
        if 0 <= row < len(self._sent) and -_SAME_NS < at_ns - self._sent[row] < NS_PER_S:
            self._sent[row] = at_ns
            self._marks[row] &= ~_SENT_BY_CLOCK

    def sent_at(self, index: int) -> int:
        """T1 of a packet that is still kept."""
        return self._sent[index - self._base]

    def first_since(self, at_ns: int) -> int:
        """The index of the first kept packet sent at `at_ns` or later."""
        return self._base + bisect_left(self._sent, at_ns)

    def unanswered(self, first: int, after: int) -> int:
        """How many of the packets [first, after) have no reply so far."""
        return self._arrived[first - self._base : after - self._base].count(_NEVER)

    def reply(
        self,
        sequence: int,
        *,
        reflector: int,
        received_ns: int,
        replied_ns: int,
        arrived_ns: int,
        from_clock: bool = False,
    ) -> int | None:
        """Note a reply; the index of its packet when it is the first to it, else None."""
        index = self._session + unwrapped(sequence, near=self.after - self._session)
        reflector = unwrapped(reflector, near=max(0, self._reflector_top))
        row = index - self._base
        if not max(0, self._session - self._base) <= row < len(self._sent):
            return None
        if self._arrived[row] != _NEVER:
            self._copy(index, reflector, arrived_ns)
            return None
        self._suspect(reflector, received_ns, arrived_ns)
        if reflector < self._reflector_top:
            self._marks[row] |= _REORDERED_DOWN
        else:
            self._reflector_top, self._received_top = reflector, received_ns
        self._arrived_last = arrived_ns
        self._answered_top = max(self._answered_top, index)
        if not self._suspects:
            self._heard_top = self._answered_top
        self._arrived[row], self._reflector[row] = arrived_ns, reflector
        self._received[row], self._replied[row] = received_ns, replied_ns
        self._marks[row] |= _REPLIED_BY_CLOCK | (_ARRIVED_BY_CLOCK if from_clock else 0)
        self._unread.append((reflector, index, arrived_ns))
        self._fate[row] = self._where_late(row)
        if self._in_time(row):
            self._recent.append(self._ways(row))
        return index

    def follow_up(self, reflector: int, replied_ns: int, *, near: int) -> None:
        """The kernel's stamp of when a reply left the endpoint; it replaces what the reply said itself.

        `reflector` numbers it, and the reply to packet `near` brought it.
        """
        reflector = unwrapped(reflector, near=max(0, self._reflector_top))
        last = min(near - self._base + _REACH, len(self._sent) - 1)
        for row in range(last, max(-1, last - 2 * _REACH), -1):
            if self._reflector[row] == reflector:
                if -_SAME_NS < replied_ns - self._replied[row] < NS_PER_S:
                    self._replied[row] = replied_ns
                    self._marks[row] &= ~_REPLIED_BY_CLOCK
                return

    def rtt_ns(self, index: int) -> int | None:
        """(T4 - T1) - (T3 - T2) of a kept packet, None without a reply in time."""
        row = index - self._base
        if not self._in_time(row):
            return None
        return self._arrived[row] - self._sent[row] - (self._replied[row] - self._received[row])

    def ways_ns(self, index: int) -> tuple[int, int] | None:
        """T2 - T1 and T4 - T3 of a packet, each plus an unknown constant; None without a timely reply."""
        row = index - self._base
        return self._ways(row) if self._in_time(row) else None

    def lost(self, index: int) -> str | None:
        """``up``, ``down`` or ``unattributed`` for a packet without a reply in time, else None."""
        return _LOST_WORD[self._fate[index - self._base]] if self.rtt_ns(index) is None else None

    def held(self, index: int) -> bool:
        """Whether the packet arrived only at the end of a silence, in either direction."""
        return bool(self._marks[index - self._base] & (_HELD_UP | _HELD_DOWN))

    # Losses by direction

    def place(self, counts: TrainCounts, *, now_ns: int) -> None:
        """Use the reflector's own counts, just read, to say where packets without a reply were lost.

        Packets younger than a second that the reflector has not seen may still be under way and wait.
        """
        self._walk(self._unread)
        self._unread = []
        highest = self._session + unwrapped(counts.highest, near=self.after - self._session)
        if counts.highest < 0:
            highest = self._session - 1
        numbers = max(0, counts.reflected - 1 - self._reflector_done)
        self._spread(numbers, until=min(highest + 1, self.after))
        self._reflector_done = max(self._reflector_done, counts.reflected - 1)
        self._index_done = max(self._index_done, min(highest, self.after - 1))
        for index in range(max(self._index_done + 1, self._base), self.after):
            row = index - self._base
            if now_ns - self._sent[row] < _RIPE_NS:
                break
            if self._arrived[row] == _NEVER:
                self._fate[row] = _UP
            self._index_done = index

    def begin_session(self, *, restarted: bool) -> None:
        """The next packet is the first of a new session; numbers start anew.

        What nobody placed stays unattributed. With `restarted`, the endpoint itself was away, and the
        silence up to here is not the line's.
        """
        self._walk(self._unread)
        self._unread = []
        self._session = self.after
        self._reflector_done = self._reflector_top = -1
        self._index_done = self._walked_top = self.after - 1
        self._copies.clear()
        self._spare = 0
        self._doubted.clear()
        if restarted:
            self._received_top = self._arrived_last = None
            self._recent.clear()

    def _copy(self, index: int, reflector: int, arrived_ns: int) -> None:
        if reflector == self._reflector[index - self._base] or reflector in self._copies:
            self._more_down[index] += 1
        else:
            self._more_up[index] += 1
            self._copies[reflector] = index
            self._unread.append((reflector, index, arrived_ns))

    def _where_late(self, row: int) -> int:
        """Where a reply after the waiting time was late; `_UNPLACED` for one in time."""
        if self._in_time(row) or not self._recent:
            return _UNPLACED
        usual = self._usual()
        up_ns, down_ns = self._ways(row)
        return _UP if up_ns - usual.up_ns >= down_ns - usual.down_ns else _DOWN

    def _walk(self, replies: Iterable[tuple[int, int, int]]) -> None:
        """Account for reflector numbers in their order."""
        for reflector, index, _arrived_ns in sorted(replies):
            if reflector <= self._reflector_done:
                continue
            self._spread(reflector - self._reflector_done - 1, until=index)
            self._reflector_done = reflector
            self._index_done = max(self._index_done, index)
            row = index - self._base
            if index > self._walked_top:
                self._walked_top = index
            elif row >= 0 and self._reflector[row] == reflector:
                self._marks[row] |= _REORDERED_UP

    def _spread(self, numbers: int, *, until: int) -> None:
        """Match `numbers` missing reflector numbers with the packets before `until` that have no reply."""
        if until > self._spare_until:
            self._spare = 0
        if numbers:
            self._spare_until = until + _REACH
        numbers += self._spare
        numbers = self._spread_block(numbers, until)
        waiting = [
            index
            for index in range(max(self._index_done + 1, self._base), until)
            if self._arrived[index - self._base] == _NEVER
        ]
        for index in waiting[:numbers]:
            self._fate[index - self._base] = _DOWN
        for index in waiting[numbers:]:
            self._fate[index - self._base] = _UP
        self._doubted.extend(waiting[numbers:])
        numbers = max(0, numbers - len(waiting))
        while numbers and self._doubted and self._doubted[-1] >= max(until - _REACH, self._base):
            row = self._doubted.pop() - self._base
            if self._arrived[row] == _NEVER:
                self._fate[row] = _DOWN
                numbers -= 1
        self._spare = numbers

    def _spread_block(self, numbers: int, until: int) -> int:
        """Give missing numbers to the packets that are not kept any more; how many are left over."""
        block = self._block
        if block is None or not block.unplaced or block.first < self._session:
            return numbers
        down = min(numbers, block.unplaced, max(0, until - block.first))
        if down:
            block.reach(block.sent_ns + (down - 1) * self._spacing_ns, down=down)
        block.up += block.unplaced - down
        block.unplaced = 0
        return numbers - down

    def _balance(self, counts: TrainCounts) -> None:
        """Make the totals those that the reflector counted, where the whole session is still kept."""
        if self._base > self._session:
            return
        rows = range(self._session - self._base, len(self._sent))
        waiting = [row for row in rows if self._arrived[row] == _NEVER]
        down = [row for row in waiting if self._fate[row] == _DOWN]
        excess = len(down) - max(0, counts.distinct - (len(rows) - len(waiting)))
        up = [row for row in waiting if self._fate[row] == _UP]
        changed, to = (down, _UP) if excess > 0 else (up, _DOWN)
        for row in changed[len(changed) - min(abs(excess), len(changed)) :]:
            self._fate[row] = to
        hidden = counts.received - counts.distinct - sum(self._more_up.values())
        if 0 < hidden <= len(rows):  # copies whose replies were lost; more would be no count
            self._more_up[self.after - 1] += hidden

    # Silences

    @property
    def settled_until_ns(self) -> int | None:
        """Up to when `settle` has told of every silence that began, give or take a delay of the line.

        While nothing comes that is when the last reply came; None before there was one.
        """
        since_ns = [suspect.since_ns for suspect in self._suspects]
        if self._arrived_last is not None:
            since_ns.append(self._arrived_last)
        return min(since_ns, default=None)

    def settle(self, now_ns: int) -> list[Silence]:
        """The silences that ended and whose packets are all placed by `now_ns`."""
        self._settle(now_ns)
        found, self._silences = self._silences, []
        return found

    def finish(self, counts: TrainCounts | None, *, after: int, now_ns: int) -> list[Silence]:
        """Account for everything before index `after`; the silences not told yet, an open one included.

        A silence that nothing ended lasts until the last packet was due.
        """
        if counts is not None:
            self.place(counts, now_ns=now_ns + _RIPE_NS)  # nothing is waited for any more
            self._balance(counts)
        self._walk(self._unread)
        self._unread = []
        if self._recent and after > self._base:
            self._suspect_end(self._sent[after - 1 - self._base] + 1, now_ns)
        for suspect in self._suspects:
            self._silences += self._judge(suspect)
        self._suspects = []
        found, self._silences = self._silences, []
        return found

    def _settle(self, now_ns: int) -> None:
        self._walk_ripe(now_ns - _RIPE_NS)
        ready = [suspect for suspect in self._suspects if now_ns - suspect.seen_ns >= _SETTLED_NS]
        if not ready:
            return
        self._suspects = [suspect for suspect in self._suspects if suspect not in ready]
        for suspect in ready:
            self._silences += self._judge(suspect)
        if not self._suspects:
            self._block, self._heard_top = None, self._answered_top

    def _walk_ripe(self, until_ns: int) -> None:
        ripe = [reflector for reflector, _index, arrived_ns in self._unread if arrived_ns <= until_ns]
        if ripe:
            top = max(ripe)
            self._walk(reply for reply in self._unread if reply[0] <= top)
            self._unread = [reply for reply in self._unread if reply[0] > top]

    def _suspect(self, reflector: int, received_ns: int, arrived_ns: int) -> None:
        """Look whether the reply that has just come ended a silence in either direction."""
        least_ns = max(BLIP_NS, 2 * self._spacing_ns)  # two packets must have been due in it
        gaps = []
        if self._received_top is not None and reflector > self._reflector_top:
            gaps.append((Direction.UP, self._received_top, received_ns))
        if self._arrived_last is not None:
            gaps.append((Direction.DOWN, self._arrived_last, arrived_ns))
        for direction, from_ns, to_ns in gaps:
            if to_ns - from_ns >= least_ns and self._recent:
                self._settle(arrived_ns)  # what an earlier silence held must not count as usual
                self._suspects.append(
                    _Suspect(
                        direction=direction,
                        from_ns=from_ns,
                        to_ns=to_ns,
                        seen_ns=arrived_ns,
                        since_ns=arrived_ns if self._arrived_last is None else self._arrived_last,
                        usual=self._usual(),
                    )
                )

    def _suspect_end(self, last_ns: int, now_ns: int) -> None:
        usual = self._usual()
        ends = (
            (Direction.UP, self._received_top, last_ns + usual.up_ns),
            (Direction.DOWN, self._arrived_last, last_ns + usual.rtt_ns),
        )
        for direction, from_ns, to_ns in ends:
            if from_ns is not None and to_ns - from_ns >= BLIP_NS:
                self._suspects.append(
                    _Suspect(
                        direction=direction,
                        from_ns=from_ns,
                        to_ns=to_ns,
                        seen_ns=now_ns,
                        since_ns=now_ns,
                        usual=usual,
                    )
                )

    def _usual(self) -> _Usual:
        ups = sorted(up for up, _down in self._recent)
        downs = sorted(down for _up, down in self._recent)
        rtts = sorted(up + down for up, down in self._recent)
        middle = len(ups) // 2
        return _Usual(
            up_ns=ups[middle],
            up_late_ns=_late_over(ups),
            down_ns=downs[middle],
            down_late_ns=_late_over(downs),
            rtt_ns=rtts[middle],
        )

    def _judge(self, suspect: _Suspect) -> Iterator[Silence]:
        """The silences between two deliveries: none when fewer than two packets were due, lost or held."""
        start_ns, found = suspect.from_ns, list[_Event]()
        events = self._due_up(suspect) if suspect.direction is Direction.UP else self._due_down(suspect)
        for event in chain(self._due_block(suspect), events, [_Event(_Due.DELIVERED, suspect.to_ns)]):
            if event.what is not _Due.DELIVERED:
                found.append(event)
            elif event.at_ns > start_ns:
                yield from self._silence(suspect, start_ns, event.at_ns, found)
                start_ns, found = event.at_ns, []

    def _silence(
        self, suspect: _Suspect, start_ns: int, end_ns: int, found: list[_Event]
    ) -> Iterator[Silence]:
        """The silence from `start_ns` to `end_ns` if what was `found` makes it one."""
        held = [event.row for event in found if event.what is _Due.HELD]
        lost = sum(event.times for event in found) - len(held)
        if lost + len(held) < 2:
            return
        # where nothing was due for long, because the other direction was silent, neither was this one
        if found[0].at_ns - start_ns > 2 * self._spacing_ns:
            start_ns = found[0].at_ns - self._spacing_ns
        if not held and end_ns - found[-1].until_ns > 2 * self._spacing_ns:
            end_ns = found[-1].until_ns + self._spacing_ns
        if end_ns - start_ns < BLIP_NS:
            return
        up = suspect.direction is Direction.UP
        for row in held:
            self._marks[row] |= _HELD_UP if up else _HELD_DOWN
            with contextlib.suppress(ValueError):  # what was held is not usual
                self._recent.remove(self._ways(row))
        # the endpoint's clock over the probe's, both delays taken as equal: good to half a round trip
        offset_ns = (suspect.usual.up_ns - suspect.usual.down_ns) // 2 if up else 0
        yield Silence(
            direction=Direction.BOTH
            if _Due.UNKNOWN in {event.what for event in found}
            else suspect.direction,
            started_ns=start_ns - offset_ns,
            duration_ns=end_ns - start_ns,
            lost=lost,
            held=len(held),
        )

    def _due_block(self, suspect: _Suspect) -> Iterator[_Event]:
        block, up = self._block, suspect.direction is Direction.UP
        if block is None:
            return
        later_ns = suspect.usual.up_ns if up else suspect.usual.rtt_ns
        if not suspect.from_ns < block.began_ns + later_ns < suspect.to_ns:
            return
        began_ns, ended_ns = block.began_ns + later_ns, block.ended_ns + later_ns
        if not up:
            if block.down:
                yield _Event(_Due.LOST, began_ns, times=block.down, end_ns=ended_ns)
            return
        if block.reached_ns is not None:
            yield _Event(_Due.DELIVERED, block.reached_ns + later_ns)
            began_ns = block.reached_ns + later_ns + self._spacing_ns
        if block.up:
            yield _Event(_Due.LOST, began_ns, times=block.up, end_ns=ended_ns)
        if block.unplaced:
            yield _Event(_Due.UNKNOWN, began_ns, times=block.unplaced, end_ns=ended_ns)

    def _due_up(self, suspect: _Suspect) -> Iterator[_Event]:
        """What became of the packets that were due at the endpoint within the silence, oldest first."""
        usual = suspect.usual
        first = bisect_right(self._sent, suspect.from_ns - usual.up_ns)
        for row in range(first, bisect_left(self._sent, suspect.to_ns - usual.up_ns)):
            received_ns, fate = self._received[row], self._fate[row]
            due_ns = self._sent[row] + usual.up_ns
            if self._in_time(row):
                if received_ns >= suspect.to_ns:
                    if self._late(row, usual, up=True):
                        yield _Event(_Due.HELD, due_ns, row=row)
                elif received_ns > suspect.from_ns:
                    yield _Event(_Due.DELIVERED, received_ns)
            elif fate == _DOWN:
                yield _Event(_Due.DELIVERED, due_ns if received_ns == _NEVER else received_ns)
            else:
                yield _Event(_Due.LOST if fate == _UP else _Due.UNKNOWN, due_ns)

    def _due_down(self, suspect: _Suspect) -> Iterator[_Event]:
        """What became of the replies that were due at the probe within the silence, oldest first."""
        usual = suspect.usual
        first = bisect_right(self._sent, suspect.from_ns - usual.rtt_ns - self._waiting_ns)
        for row in range(first, bisect_left(self._sent, suspect.to_ns)):
            replied_ns = self._replied[row]
            due_ns = self._sent[row] + usual.rtt_ns if replied_ns == _NEVER else replied_ns + usual.down_ns
            if not suspect.from_ns < due_ns < suspect.to_ns:
                continue
            if self._in_time(row):
                if self._arrived[row] >= suspect.to_ns and self._late(row, usual, up=False):
                    yield _Event(_Due.HELD, due_ns, row=row)
            elif self._fate[row] == _DOWN:
                yield _Event(_Due.LOST, due_ns)

    def _in_time(self, row: int) -> bool:
        arrived_ns = self._arrived[row]
        return arrived_ns != _NEVER and arrived_ns - self._sent[row] <= self._waiting_ns

    def _timed(self, row: int) -> bool:
        """Whether its reply left after it came, as the endpoint has it: else its times tell no delay, and a
        round trip of theirs could be longer than T4 - T1."""
        return self._replied[row] - self._received[row] >= -_SAME_NS

    def _ways(self, row: int) -> tuple[int, int]:
        """T2 - T1 and T4 - T3: the way up and the way down, each with an unknown constant."""
        return self._received[row] - self._sent[row], self._arrived[row] - self._replied[row]

    def _late(self, row: int, usual: _Usual, *, up: bool) -> bool:
        """Later than was usual in this direction. The round trip must agree: no clock's step is a delay."""
        if not self._timed(row):
            return False
        up_ns, down_ns = self._ways(row)
        late_ns = up_ns - usual.up_ns if up else down_ns - usual.down_ns
        beyond = up_ns > usual.up_late_ns if up else down_ns > usual.down_late_ns
        return beyond and up_ns + down_ns - usual.rtt_ns >= late_ns // 2

    # Accounts

    def outcome(self, first: int, after: int) -> Outcome:
        """What became of the packets [first, after); ask once for each, in their order.

        The jitter estimate goes on from one span to the next.
        """
        rows = range(first - self._base, after - self._base)
        answered = [row for row in rows if self._in_time(row)]
        timed = [row for row in answered if self._timed(row)]
        ups = [self._received[row] - self._sent[row] for row in timed]
        downs = [self._arrived[row] - self._replied[row] for row in timed]
        # with clocks that only differ, the least delays add up to a round trip, which cannot be negative
        stepped = len(timed) < len(answered) or (bool(timed) and min(ups) + min(downs) < -_STEP_NS)
        jitter_up_ns = self._follow(self._jitter_up, timed, self._received, self._sent)
        jitter_down_ns = self._follow(self._jitter_down, timed, self._arrived, self._replied)
        fates = Counter(self._fate[row] for row in rows if not self._in_time(row))
        marks = [self._marks[row] for row in answered]
        rtts = (up + down for up, down in zip(ups, downs, strict=True))
        return Outcome(
            sent=len(rows),
            received=len(answered),
            lost_up=fates[_UP],
            lost_down=fates[_DOWN],
            lost_unattributed=fates[_UNPLACED],
            held_up=_count(marks, _HELD_UP),
            held_down=_count(marks, _HELD_DOWN),
            duplicated_up=_total(self._more_up, first, after),
            duplicated_down=_total(self._more_down, first, after),
            reordered_up=_count(marks, _REORDERED_UP),
            reordered_down=_count(marks, _REORDERED_DOWN),
            rtt=Histogram(rtt // NS_PER_US for rtt in rtts if rtt >= 0),
            pdv_up=Histogram() if stepped else Histogram(ns // NS_PER_US for ns in pdv_of(ups)),
            pdv_down=Histogram() if stepped else Histogram(ns // NS_PER_US for ns in pdv_of(downs)),
            jitter_up_us=None if stepped or jitter_up_ns is None else jitter_up_ns / NS_PER_US,
            jitter_down_us=None if stepped or jitter_down_ns is None else jitter_down_ns / NS_PER_US,
            from_clock=_count(marks, _SENT_BY_CLOCK | _ARRIVED_BY_CLOCK),
            replied_by_clock=_count(marks, _REPLIED_BY_CLOCK),
            clock_step=stepped,
        )

    def certain(self, first: int, after: int, *, since_ns: int) -> int:
        """Up to where of [first, after) it is known what became of each packet.

        A reply may still be under way for those that were sent at `since_ns` or later.
        """
        for index in range(max(first, self.first_since(since_ns)), after):
            if self.unanswered(index, index + 1):
                return index
        return after

    def so_far(self, stretches: Sequence[tuple[int, int]]) -> list[Outcome]:
        """`outcome` of each [first, after), in their order, though they will be asked for again."""
        kept = copy(self._jitter_up), copy(self._jitter_down)
        try:
            return [self.outcome(first, after) for first, after in stretches]
        finally:
            self._jitter_up, self._jitter_down = kept

    def forget(self, before: int) -> None:
        """Let go of the packets before index `before`, which `outcome` has accounted for."""
        gone = before - self._base
        if gone <= 0:
            return
        for row in range(max(0, self._heard_top + 1 - self._base), gone):
            if self._arrived[row] == _NEVER:
                self._absorb(row)
        for column in (self._sent, self._arrived, self._received, self._replied, self._reflector):
            del column[:gone]
        del self._fate[:gone], self._marks[:gone]
        for copies in (self._more_up, self._more_down):
            for index in [index for index in copies if index < before]:
                del copies[index]
        self._copies = {number: index for number, index in self._copies.items() if index >= before}
        self._base = before

    def _absorb(self, row: int) -> None:
        """Keep in sum what a silence that lasts made of a packet."""
        index, sent_ns, fate = self._base + row, self._sent[row], self._fate[row]
        if self._block is None:
            self._block = _Block(first=index, sent_ns=sent_ns, began_ns=sent_ns, ended_ns=sent_ns)
        block = self._block
        block.ended_ns = sent_ns
        if fate == _UP:
            block.up += 1
        elif fate == _DOWN:
            block.reach(sent_ns)
        else:
            if not block.unplaced:
                block.first, block.sent_ns = index, sent_ns
            block.unplaced += 1

    def _follow(
        self, jitter: Jitter, rows: list[int], arrivals: array[int], departures: array[int]
    ) -> float | None:
        for row in sorted(rows, key=arrivals.__getitem__):
            jitter.add(arrivals[row] - departures[row])
        return jitter.value


def _late_over(delays: list[int]) -> int:
    """What exceeds the noise of these sorted delays; up to a quarter of them may themselves have been late.

    For normally distributed noise it lies 3.4 standard deviations above the median, and 2 ms.
    """
    middle, upper = delays[len(delays) // 2], delays[len(delays) * 3 // 4]
    return middle + _SPREADS * (upper - middle) + _NOISE_NS


def _count(marks: list[int], mark: int) -> int:
    return sum(1 for found in marks if found & mark)


def _total(copies: Counter[int], first: int, after: int) -> int:
    return sum(times for index, times in copies.items() if first <= index < after)


def unwrapped(number: int, *, near: int) -> int:
    """A 32-bit number as the integer closest to `near` that it may stand for."""
    return number + (near - number + _SEQUENCES // 2) // _SEQUENCES * _SEQUENCES
