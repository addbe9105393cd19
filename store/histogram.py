"""Mergeable histograms of non-negative integers (delays in microseconds).

Buckets are exact below 64; above, each power of two is cut into 32 equal buckets, so a
percentile read back is at most 1/64 (1.6 %) from the value that was put in. Count, sum,
minimum and maximum are exact. Merging adds buckets, so a percentile of a month comes from the
month's samples and never from averaging percentiles. Imports nothing of the project.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from store.errors import BadMessage

_EXACT_BELOW = 64
_PER_OCTAVE = 32  # bucket width is 1/32 of its lower edge at most, its middle 1/64 off at most
_FORMAT = 1  # first byte of the packed form

RELATIVE_ERROR = 1 / 64


def bucket_of(value: int) -> int:
    """The number of the bucket that `value` (>= 0) falls into; grows with the value."""
    if value < _EXACT_BELOW:
        return value
    shift = value.bit_length() - 6  # leaves 32..63: one leading bit and five below it
    return _EXACT_BELOW + (shift - 1) * _PER_OCTAVE + (value >> shift) - _PER_OCTAVE


def middle_of(bucket: int) -> int:
    """The value that stands for a bucket: exact below 64, else its middle."""
    if bucket < _EXACT_BELOW:
        return bucket
    octave, step = divmod(bucket - _EXACT_BELOW, _PER_OCTAVE)
    shift = octave + 1
    return ((step + _PER_OCTAVE) << shift) + (1 << shift) // 2


def rank_of(share: float, count: int) -> int:
    """The rank, from 1, of the smallest of `count` sorted values with F(x) >= share (RFC 2330 11.3).

    The billionth taken off keeps 0.07 x 100, which floats make 7.000000000000001, at rank 7.
    """
    return max(1, math.ceil(share * count - 1e-9))


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """What a table shows of a set of delays, in microseconds, with the count it rests on."""

    count: int
    min: int
    p50: int
    p95: int
    p99: int
    max: int


class Histogram:
    """Counts per bucket, with exact count, sum, minimum and maximum."""

    __slots__ = ("_counts", "_max", "_min", "_sum", "count")

    def __init__(self, values: Iterable[int] = ()) -> None:
        self._counts: dict[int, int] = {}
        self.count = 0
        self._sum = 0
        self._min = 0
        self._max = 0
        for value in values:
            self.add(value)

    def add(self, value: int, times: int = 1) -> None:
        """Count `value` (>= 0; ValueError otherwise) `times` times."""
        if value < 0 or times < 1:
            raise ValueError(f"a histogram counts values of 0 and more, not {value} x {times}")
        bucket = bucket_of(value)
        self._counts[bucket] = self._counts.get(bucket, 0) + times
        self._min = value if not self.count else min(self._min, value)
        self._max = max(self._max, value)
        self.count += times
        self._sum += value * times

    def merge(self, other: Histogram) -> None:
        """Add everything that `other` counted."""
        if not other.count:
            return
        for bucket, times in other._counts.items():
            self._counts[bucket] = self._counts.get(bucket, 0) + times
        self._min = other._min if not self.count else min(self._min, other._min)
        self._max = max(self._max, other._max)
        self.count += other.count
        self._sum += other._sum

    @property
    def min(self) -> int | None:
        return self._min if self.count else None

    @property
    def max(self) -> int | None:
        return self._max if self.count else None

    @property
    def mean(self) -> float | None:
        return self._sum / self.count if self.count else None

    def percentile(self, share: float) -> int | None:
        """The smallest counted value x with F(x) >= share (RFC 2330 section 11.3), None when empty.

        `share` runs from 0 to 1. Within `RELATIVE_ERROR` of the sample, and exact at both ends.
        """
        if not self.count:
            return None
        rank = rank_of(share, self.count)
        if rank >= self.count:
            return self._max
        seen = 0
        for bucket in sorted(self._counts):
            seen += self._counts[bucket]
            if seen >= rank:
                return min(max(middle_of(bucket), self._min), self._max)
        raise AssertionError("the buckets hold fewer values than were counted")

    def delays(self) -> Delays | None:
        """min, p50, p95, p99 and max, or None when nothing was counted."""
        found = [self.percentile(share) for share in (0.5, 0.95, 0.99)]
        if not self.count or None in found:
            return None
        p50, p95, p99 = (value or 0 for value in found)
        return Delays(count=self.count, min=self._min, p50=p50, p95=p95, p99=p99, max=self._max)

    def buckets(self) -> Iterator[tuple[int, int]]:
        """(middle value, times counted), smallest first."""
        for bucket in sorted(self._counts):
            yield middle_of(bucket), self._counts[bucket]

    def pack(self) -> bytes:
        """The histogram as bytes: a format byte, then variable-length integers."""
        numbers = [self.count, self._sum, self._min, self._max]
        last = 0
        for bucket in sorted(self._counts):
            numbers += [bucket - last, self._counts[bucket]]
            last = bucket
        packed = bytearray([_FORMAT])
        for number in numbers:
            while number > 0x7F:
                packed.append(number & 0x7F | 0x80)
                number >>= 7
            packed.append(number)
        return bytes(packed)

    @classmethod
    def unpack(cls, packed: bytes) -> Histogram:
        """Undo `pack`. Raises BadMessage for bytes that it did not make."""
        if not packed or packed[0] != _FORMAT:
            raise BadMessage("histogram", f"format byte {packed[:1].hex() or 'missing'}, expected 01")
        numbers = list(_integers(packed[1:]))
        if len(numbers) < 4 or len(numbers) % 2:
            raise BadMessage("histogram", f"{len(numbers)} numbers, expected pairs after the first four")
        made = cls()
        made.count, made._sum, made._min, made._max = numbers[:4]
        bucket = 0
        for step, times in zip(numbers[4::2], numbers[5::2], strict=True):
            bucket += step
            made._counts[bucket] = made._counts.get(bucket, 0) + times
        if sum(made._counts.values()) != made.count or 0 in made._counts.values():
            raise BadMessage("histogram", "its buckets do not add up to its count")
        if made.count and not bucket_of(made._min) == min(made._counts) <= bucket_of(made._max) == bucket:
            raise BadMessage("histogram", "its ends do not lie in its end buckets")
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Histogram) and self.pack() == other.pack()

    def __hash__(self) -> int:
        return hash(self.pack())

    def __repr__(self) -> str:
        return f"Histogram(count={self.count}, min={self.min}, max={self.max})"


def delays_of(samples_us: Iterable[int]) -> Delays | None:
    """Delays of raw samples by the same percentile rule, exact; None when there are none."""
    ordered = sorted(samples_us)
    if not ordered:
        return None

    def at(share: float) -> int:
        return ordered[rank_of(share, len(ordered)) - 1]

    return Delays(
        count=len(ordered), min=ordered[0], p50=at(0.5), p95=at(0.95), p99=at(0.99), max=ordered[-1]
    )


def _integers(packed: bytes) -> Iterator[int]:
    number = shift = 0
    for byte in packed:
        if shift > 63:
            raise BadMessage("histogram", "an integer longer than 64 bits")
        number |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            yield number
            number = shift = 0
    if shift:
        raise BadMessage("histogram", "it ends within an integer")
