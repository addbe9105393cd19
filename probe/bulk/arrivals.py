"""What arrived of a paced run: loss, reordering, duplication, and delay over its bin's least. Pure.

Reordered is what comes after a datagram with a larger sequence number (RFC 4737 section 3, Type-P-Reordered:
less than NextExp); duplicated what had arrived before (RFC 5560). Missing numbers are remembered for
`REMEMBERED` datagrams: what comes from further behind can be neither, is counted as late, and stays lost.

Delay is the difference of two clocks, so only its variation means anything: PDV of a datagram is its delay
over the least of its 100 ms bin (RFC 5481 section 4.2, the interval being the bin). Two clocks drift apart by
5 us in that time if one is 50 ppm fast.

What a capacity run feeds back is of the time since it was last asked: sequence errors are what is missing
(numbers that were passed over less those that came), reordered, duplicated or late, and the delay range is
the largest delay less the smallest (RFC 9097 section 8.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

from probe.wire.paced import Status
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Histogram

BIN_NS = 100 * NS_PER_MS
REMEMBERED = 1 << 22  # datagrams: 5 s at 10 Gb/s, more below
_CHUNK = 1 << 16


class Arrivals:
    """Counts of one run at its receiver. Times are monotonic nanoseconds, `origin_ns` the first arrival.

    Bins cover `seconds` from there; what arrives later counts for loss alone.
    """

    def __init__(self, *, seconds: float) -> None:
        self.bins = max(1, round(seconds * NS_PER_S) // BIN_NS)
        self.origin_ns: int | None = None
        self.received = 0  # without copies
        self.duplicated = 0
        self.reordered = 0
        self.late = 0
        self.expected = 0  # one more than the largest sequence number: NextExp of RFC 4737
        self._counts = [0] * self.bins
        self._delays: dict[int, dict[int, int]] = {}  # bin -> delay in us -> datagrams, until settled
        self._bases_us: list[int | None] = [None] * self.bins
        self._p99s_us: list[int | None] = [None] * self.bins
        self._maxima_us: list[int | None] = [None] * self.bins
        self.pdv = Histogram()  # of the bins that are settled, in us
        self._missing: dict[int, bytearray] = {}  # chunk of sequence numbers -> 1 where one is missing
        self._newest_bin = 0
        self._expected_at = [0] * self.bins
        self._low_us: int | None = None  # delays since the last feedback
        self._high_us = 0
        self._told = (0, 0, 0, 0)  # at the last feedback: expected, received, other errors, its time

    @property
    def end_ns(self) -> int | None:
        """When the last bin ends; None before the first arrival."""
        return None if self.origin_ns is None else self.origin_ns + self.bins * BIN_NS

    def note(self, sequences: Sequence[int], sent_us: Sequence[int], *, at_ns: int) -> None:
        """Datagrams that arrived together at `at_ns`, in their order, with their moments of sending."""
        if self.origin_ns is None:
            self.origin_ns = at_ns
        fresh = count = len(sequences)
        first = self.expected
        if sequences[0] == first and tuple(sequences) == tuple(range(first, first + count)):
            self.expected = first + count
        else:
            fresh = sum(map(self._is_new, sequences))
        self.received += fresh
        at_us = (at_ns - self.origin_ns) // NS_PER_US
        self._range(at_us - sent_us[-1], at_us - sent_us[0])
        place = max(0, at_ns - self.origin_ns) // BIN_NS
        if place >= self.bins:
            return
        self._counts[place] += fresh
        self._newest_bin = max(self._newest_bin, place)
        self._expected_at[place] = self.expected
        delays = self._delays.setdefault(place, {})
        if sent_us[0] == sent_us[-1]:
            delay_us = at_us - sent_us[0]
            delays[delay_us] = delays.get(delay_us, 0) + count
            return
        for sent in sent_us:
            delays[at_us - sent] = delays.get(at_us - sent, 0) + 1

    def feedback(self, now_ns: int) -> Status | None:
        """What came since this was last asked; None when nothing did, and the next one covers it too."""
        if self._low_us is None:
            return None
        expected, received, errors, then_ns = self._told
        lost = max(0, (self.expected - expected) - (self.received - received))
        others = self.reordered + self.duplicated + self.late
        found = Status(
            sequence_errors=lost + others - errors,
            delay_range_us=self._high_us - self._low_us,
            packets=self.received - received,
            covers_us=max(0, now_ns - (then_ns or self.origin_ns or now_ns)) // NS_PER_US,
        )
        self._told = self.expected, self.received, others, now_ns
        self._low_us = None
        return found

    def expected_at(self) -> tuple[int, ...]:
        """`expected` as it was at the end of each bin."""
        return tuple(accumulate(self._expected_at, max))

    def counts(self, now_ns: int) -> tuple[int, ...]:
        """Datagrams in each whole bin up to now, without copies."""
        if self.origin_ns is None:
            return ()
        return tuple(self._counts[: min(self.bins, max(0, now_ns - self.origin_ns) // BIN_NS)])

    def settle(self, *, all_of_them: bool = False) -> None:
        """Sum up the delays of bins that are over, so that they need no room."""
        for place in list(self._delays):
            if all_of_them or place < self._newest_bin:
                self._sum_up(place, self._delays.pop(place))

    def bases_us(self) -> tuple[int | None, ...]:
        """The least delay of each bin over the least of all; None for a bin in which nothing arrived.

        It carries whatever the two clocks drift apart over the run.
        """
        least = min((each for each in self._bases_us if each is not None), default=0)
        return tuple(None if each is None else each - least for each in self._bases_us)

    def pdv_us(self) -> tuple[tuple[int | None, ...], tuple[int | None, ...]]:
        """The 99th percentile and the largest PDV of each bin."""
        return tuple(self._p99s_us), tuple(self._maxima_us)

    def _range(self, first_us: int, last_us: int) -> None:
        """Note the delays of the first and the last of some that arrived together."""
        low_us, high_us = (first_us, last_us) if first_us < last_us else (last_us, first_us)
        if self._low_us is None:
            self._low_us, self._high_us = low_us, high_us
            return
        self._low_us = min(self._low_us, low_us)
        self._high_us = max(self._high_us, high_us)

    def _is_new(self, sequence: int) -> bool:
        """Whether this number comes for the first time, as far as is remembered; counts other ones."""
        if sequence >= self.expected:
            if sequence > self.expected:
                self._remember(self.expected, sequence)
            self.expected = sequence + 1
            return True
        if sequence < self.expected - REMEMBERED:
            self.late += 1
            return False
        chunk = self._missing.get(sequence // _CHUNK)
        if chunk is None or not chunk[sequence % _CHUNK]:
            self.duplicated += 1
            return False
        chunk[sequence % _CHUNK] = 0
        self.reordered += 1
        return True

    def _remember(self, first: int, after: int) -> None:
        """Mark numbers from `first` up to before `after` as missing, and forget what is too long ago."""
        begin = max(first, after - REMEMBERED)
        while begin < after:
            number, place = divmod(begin, _CHUNK)
            end = min(after, (number + 1) * _CHUNK)
            chunk = self._missing.setdefault(number, bytearray(_CHUNK))
            chunk[place : place + end - begin] = b"\1" * (end - begin)
            begin = end
        oldest = (after - REMEMBERED) // _CHUNK
        for number in [number for number in self._missing if number < oldest]:
            del self._missing[number]

    def _sum_up(self, place: int, delays: dict[int, int]) -> None:
        base = min(delays)
        total = seen = 0
        for count in delays.values():
            total += count
        for delay, count in sorted(delays.items()):
            self.pdv.add(delay - base, count)
            seen += count
            if self._p99s_us[place] is None and seen * 100 >= total * 99:  # RFC 2330 section 11.3
                self._p99s_us[place] = delay - base
        self._bases_us[place] = base
        self._maxima_us[place] = max(delays) - base
