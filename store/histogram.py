"""Mergeable histograms of non-negative integers (delays in microseconds).

Buckets are exact below 64; above, each power of two is cut into 32 equal buckets, so a
percentile read back is at most 1/64 (1.6 %) from the value that was put in. Count, sum,
minimum and maximum are exact. Merging adds buckets, so a percentile of a month comes from the
month's samples and never from averaging percentiles. Imports errors and varint only.
"""

from __future__ import annotations

import math
import struct
import zlib
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import compress

from store import varint
from store.errors import BadMessage

_EXACT_BELOW = 64
_PER_OCTAVE = 32  # bucket width is 1/32 of its lower edge at most, its middle 1/64 off at most
_OLD_FORMAT = 1  # first byte of the packed form that older versions made
_OPEN_FORMAT = 2  # of the form that is larger and read faster
_FORMAT = 3  # of the packed form
_ESCAPE = 20  # a quotient that nothing measured comes near

RELATIVE_ERROR = 1 / 64


def bucket_of(value: int) -> int:
    """The number of the bucket that `value` (>= 0) falls into; grows with the value."""
    if value < _EXACT_BELOW:
        return value
    shift = value.bit_length() - 6  # leaves 32..63: one leading bit and five below it
    return _EXACT_BELOW + (shift - 1) * _PER_OCTAVE + (value >> shift) - _PER_OCTAVE


@lru_cache(maxsize=4096)  # of delays up to days there are no more
def ends_of(bucket: int) -> tuple[int, int]:
    """The smallest and the largest value that fall into a bucket."""
    if bucket < _EXACT_BELOW:
        return bucket, bucket
    octave, step = divmod(bucket - _EXACT_BELOW, _PER_OCTAVE)
    first = (step + _PER_OCTAVE) << (octave + 1)
    return first, first + (1 << (octave + 1)) - 1


def middle_of(bucket: int) -> int:
    """The value that stands for a bucket: exact below 64, else its middle."""
    return (sum(ends_of(bucket)) + 1) // 2


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
        for value, times in Counter(values).items():
            self.add(value, times)

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
    def width(self) -> int:
        """How many buckets hold anything."""
        return len(self._counts)

    @property
    def min(self) -> int | None:
        return self._min if self.count else None

    @property
    def max(self) -> int | None:
        return self._max if self.count else None

    @property
    def sum(self) -> int:
        """All that was counted, added up."""
        return self._sum

    @property
    def mean(self) -> float | None:
        return self._sum / self.count if self.count else None

    def percentile(self, share: float) -> int | None:
        """The smallest counted value x with F(x) >= share (RFC 2330 section 11.3), None when empty.

        `share` runs from 0 to 1. Within `RELATIVE_ERROR` of the sample, and exact at both ends.
        """
        return self.percentiles((share,))[0] if self.count else None

    def percentiles(self, shares: Sequence[float]) -> list[int]:
        """The percentiles of ascending shares, in one pass. The histogram must not be empty."""
        found: list[int] = []
        ordered = iter(sorted(self._counts))
        seen, bucket = 0, 0
        for share in shares:
            rank = rank_of(share, self.count)
            while seen < rank:
                bucket = next(ordered)
                seen += self._counts[bucket]
            first, last = ends_of(bucket)  # of which only what lies between the ends was counted
            middle = (max(first, self._min) + min(last, self._max)) // 2
            found.append(self._min if rank == 1 else self._max if rank >= self.count else middle)
        return found

    def delays(self) -> Delays | None:
        """min, p50, p95, p99 and max, or None when nothing was counted."""
        if not self.count:
            return None
        p50, p95, p99 = self.percentiles((0.5, 0.95, 0.99))
        return Delays(count=self.count, min=self._min, p50=p50, p95=p95, p99=p99, max=self._max)

    def buckets(self) -> Iterator[tuple[int, int]]:
        """(middle value, times counted), smallest first."""
        for bucket in sorted(self._counts):
            yield middle_of(bucket), self._counts[bucket]

    def limits(self) -> Iterator[tuple[int, int, int]]:
        """(smallest value, largest value, times counted) of every bucket that counted, smallest first."""
        for bucket in sorted(self._counts):
            yield *ends_of(bucket), self._counts[bucket]

    def pack(self) -> bytes:
        """The histogram as bytes, small enough to keep one a minute for years.

        A format byte; count, sum, minimum and maximum as variable-length integers; then bits, the
        highest first: for each bucket from the minimum's to the maximum's how far its count is from a
        running mean of those before, as a number (`_folded`) in Rice code: quotient in unary, remainder in
        k bits, where k follows a running mean of these numbers. `_ESCAPE` ones stand for a number as such:
        its length in 6 bits, and its bits.
        """
        head = bytes([_FORMAT]) + varint.pack((self.count, self._sum, self._min, self._max))
        if not self.count:
            return head
        bits = _coded(self._counts, bucket_of(self._min), bucket_of(self._max))
        bits += "0" * (-len(bits) % 8)
        return head + int(bits, 2).to_bytes(len(bits) // 8, "big")

    def pack_open(self) -> bytes:
        """The histogram as bytes that are read three to five times faster than those of `pack`.

        A format byte; count, sum, minimum and maximum as in `pack`; then every bucket from the minimum's to
        the maximum's as 64 bits, lowest octet first, compressed (RFC 1950).
        """
        head = bytes([_OPEN_FORMAT]) + varint.pack((self.count, self._sum, self._min, self._max))
        if not self.count:
            return head
        buckets = range(bucket_of(self._min), bucket_of(self._max) + 1)
        counts = [self._counts.get(bucket, 0) for bucket in buckets]
        return head + zlib.compress(struct.pack(f"<{len(counts)}Q", *counts), level=1)

    @classmethod
    def unpack(cls, packed: bytes) -> Histogram:
        """Undo `pack`, also of older versions, or `pack_open`. Raises BadMessage for bytes of neither."""
        if not packed or packed[0] not in _READERS:
            raise BadMessage("histogram", f"format byte {packed[:1].hex() or 'missing'}, expected 01 to 03")
        unpack_counts = _READERS[packed[0]]
        position = 1
        numbers = []
        for _ in range(4):
            number, position = varint.read(packed, position, "histogram")
            numbers.append(number)
        made = cls()
        made.count, made._sum, made._min, made._max = count, total, low, high = numbers
        if not (low <= high and count * low <= total <= count * high and (count or not high)):
            raise BadMessage("histogram", "its count, sum, minimum and maximum do not fit together")
        made._counts = unpack_counts(packed[position:], made) if count else {}
        if not count and position < len(packed):
            raise BadMessage("histogram", "something stands behind an empty histogram")
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


def _first_mean(count: int, buckets: int) -> int:
    """What the running mean of counts starts from, in sixteenths; both ends of the form keep it alike."""
    return 16 * count // buckets


def _next_mean(mean: int, times: int) -> int:
    """The running mean after a count of `times`: neighbouring buckets are alike."""
    return mean + (16 * times - mean) // 4


def _remainder_bits(mean: int) -> int:
    """The k of a Rice code that suits counts of about this mean."""
    return max(0, (mean >> 4).bit_length() - 1)


# Most buckets are empty. While the running mean is below this, each of them is a code of zeros alone, whose
# lengths follow from the running spread: a row of empty buckets is one step, written and read.
_QUIET_MEAN = 16


@lru_cache(maxsize=4096)
def _zeros_from(spread: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """What the spread is after 0, 1, 2 ... empty buckets, down to 0, and the bits of those together."""
    spreads, bits = [spread], [0]
    while spreads[-1]:
        bits.append(bits[-1] + 1 + _remainder_bits(spreads[-1]))
        spreads.append(spreads[-1] + -spreads[-1] // 8)
    return tuple(spreads), tuple(bits)


def _faded(mean: int, zeros: int) -> int:
    """The running mean, below `_QUIET_MEAN`, after that many empty buckets."""
    while mean and zeros:
        mean += -mean // 4
        zeros -= 1
    return mean


@lru_cache(maxsize=4096)  # few numbers are not small
def _code(number: int, k: int) -> str:
    """A number in Rice code, or after the escape."""
    if number >> k >= _ESCAPE:
        return f"{'1' * _ESCAPE}{number.bit_length():06b}{number:b}"
    return f"{'1' * (number >> k)}0{number & (1 << k) - 1:0{k}b}" if k else "1" * number + "0"


def _coded(counted: dict[int, int], first: int, last: int) -> str:
    """The bits of the counts of the buckets from `first` to `last`, next to each other."""
    mean = _first_mean(sum(counted.values()), last - first + 1)
    spread = mean // 2 + 8  # of the numbers, in sixteenths too
    codes = []
    bucket = first
    for filled in sorted(counted):
        while bucket <= filled:
            if mean < _QUIET_MEAN and bucket < filled:
                spreads, bits = _zeros_from(spread)
                zeros = filled - bucket
                known = min(zeros, len(bits) - 1)
                codes.append("0" * (bits[known] + zeros - known))
                mean, spread, bucket = _faded(mean, zeros), spreads[known], filled
            times = counted.get(bucket, 0)
            number = _folded(times, mean >> 4)
            codes.append(_code(number, _remainder_bits(spread)))
            mean = _next_mean(mean, times)
            spread += (16 * number - spread) // 8
            bucket += 1
    return "".join(codes)


def _folded(times: int, mean: int) -> int:
    """0 for the mean, 1 and 2 for one less and one more, and so on; from twice the mean on the count."""
    if times > 2 * mean:
        return times
    return 2 * (times - mean) if times >= mean else 2 * (mean - times) - 1


def _unpack_counts(packed: bytes, head: Histogram) -> dict[int, int]:
    """The counts by bucket out of the bits of `Histogram.pack`. Raises BadMessage."""
    first, last = bucket_of(head.min or 0), bucket_of(head.max or 0)
    bits = f"{int.from_bytes(packed, 'big'):0{len(packed) * 8}b}" if packed else ""
    mean = _first_mean(head.count, last - first + 1)
    spread = mean // 2 + 8
    counts = {}
    at, end, find = 0, len(bits), bits.find
    # A page unpacks hundreds of histograms of two hundred buckets, so `_remainder_bits`, `_next_mean` and
    # what undoes `_folded` are written out here.
    bucket = first
    while bucket <= last:
        if mean < _QUIET_MEAN and (gap := find("1", at) - at) > 0:
            spreads, lengths = _zeros_from(spread)
            known = min(bisect_right(lengths, gap) - 1, last - bucket)
            at += lengths[known]
            beyond = min(gap - lengths[known], last - bucket - known) if known == len(lengths) - 1 else 0
            at += beyond
            mean, spread = _faded(mean, known + beyond), spreads[known]
            bucket += known + beyond
        k = (spread >> 4).bit_length() - 1 if spread >= 32 else 0
        quotient_end = find("0", at, at + _ESCAPE)
        if quotient_end < 0:
            start = at + _ESCAPE + 6
            length = int(bits[start - 6 : start] or "0", 2)
            at = start + length
            number = int(bits[start:at] or "0", 2)
            if number >> k < _ESCAPE or number.bit_length() != length:
                raise BadMessage("histogram", "a count is not in its one form")
        else:
            number = quotient_end - at << k
            at = quotient_end + 1
            if k:
                number += int(bits[at : at + k] or "0", 2)
                at += k
        if at > end:
            raise BadMessage("histogram", "it ends within a count")
        usual = mean >> 4
        if number > 2 * usual:
            times = number
        else:
            times = usual - (number + 1 >> 1) if number & 1 else usual + (number >> 1)
        if times:
            counts[bucket] = times
        mean += (16 * times - mean) // 4
        spread += (16 * number - spread) // 8
        bucket += 1
    _check_counts(counts, head, (first, last))
    if end - at > 7 or "1" in bits[at:]:
        raise BadMessage("histogram", "something stands behind its last bucket")
    return counts


def _check_counts(counts: dict[int, int], head: Histogram, ends: tuple[int, int]) -> None:
    if not set(ends) <= counts.keys():
        raise BadMessage("histogram", "its ends do not lie in its end buckets")
    if sum(counts.values()) != head.count:
        raise BadMessage("histogram", "its buckets do not add up to its count")


def _unpack_open_counts(packed: bytes, head: Histogram) -> dict[int, int]:
    """The counts by bucket out of what `Histogram.pack_open` compressed. Raises BadMessage."""
    first, last = bucket_of(head.min or 0), bucket_of(head.max or 0)
    size = 8 * (last - first + 1)
    unpacking = zlib.decompressobj()
    try:
        raw = unpacking.decompress(packed, size + 1)  # a blob of zeros inflates a thousand times
        counts = struct.unpack(f"<{size // 8}Q", raw if unpacking.eof else b"")
    except (zlib.error, struct.error):
        raise BadMessage("histogram", "its buckets cannot be read") from None
    found = dict(compress(enumerate(counts, first), counts))  # most buckets between the ends are empty
    _check_counts(found, head, (first, last))
    return found


def _unpack_old_counts(packed: bytes, head: Histogram) -> dict[int, int]:
    """The counts out of the bits that older versions packed. Raises BadMessage.

    First came which buckets counted anything, then the counts of those less one, in Rice code.
    """
    first, last = bucket_of(head.min or 0), bucket_of(head.max or 0)
    bits = f"{int.from_bytes(packed, 'big'):0{len(packed) * 8}b}" if packed else ""
    filled = [first + place for place, bit in enumerate(bits[: last - first + 1]) if bit == "1"]
    if not filled or filled[0] != first or filled[-1] != last or len(filled) > head.count:
        raise BadMessage("histogram", "its ends do not lie in its end buckets")
    mean = _first_mean(head.count, len(filled))
    counts = {}
    at = last - first + 1
    for bucket in filled:
        k = _remainder_bits(mean)
        quotient_end = bits.find("0", at)
        end = quotient_end + 1 + k
        if quotient_end < 0 or end > len(bits):
            raise BadMessage("histogram", "it ends within a count")
        times = ((quotient_end - at) << k) + 1
        if k:
            times += int(bits[quotient_end + 1 : end], 2)
        mean = _next_mean(mean, times)
        counts[bucket] = times
        at = end
    if sum(counts.values()) != head.count:
        raise BadMessage("histogram", "its buckets do not add up to its count")
    if end - at > 7 or "1" in bits[at:]:
        raise BadMessage("histogram", "something stands behind its last bucket")
    return counts


_READERS = {
    _OLD_FORMAT: _unpack_old_counts,
    _OPEN_FORMAT: _unpack_open_counts,
    _FORMAT: _unpack_counts,
}
