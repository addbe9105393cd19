"""Histograms against the percentile rule of RFC 2330, numpy, and sums done another way."""

from __future__ import annotations

import contextlib
import struct
import tracemalloc
import zlib
from fractions import Fraction
from itertools import pairwise

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.errors import BadMessage
from store.histogram import (
    RELATIVE_ERROR,
    Delays,
    Histogram,
    bucket_of,
    delays_of,
    ends_of,
    middle_of,
    rank_of,
)

values = st.integers(0, 100) | st.integers(0, 100_000) | st.integers(0, 2**40)
samples = st.lists(values, min_size=1, max_size=60)

# RFC 2330 section 11.3: its sample, and P by "the smallest x with F(x) >= p"
RFC_2330 = [-2, 7, 7, 4, 18, -5]
RFC_2330_POINTS = [(25, -2), (50, 4), (100, 18)]
RFC_2330_BY_ITS_DEFINITION = [
    (15, -5)
]  # F(-5) = 1/6 >= 15 %; the text prints -infinity, against its own rule


def smallest_with(ordered: list[int], percent: int) -> int:
    """RFC 2330's rule in exact fractions."""
    n = len(ordered)
    return next(x for nth, x in enumerate(ordered, 1) if Fraction(nth, n) >= Fraction(percent, 100))


@pytest.mark.parametrize(("percent", "expected"), RFC_2330_POINTS + RFC_2330_BY_ITS_DEFINITION)
def test_percentiles_of_rfc_2330(percent: int, expected: int) -> None:
    ordered = sorted(RFC_2330)
    assert ordered[rank_of(percent / 100, len(ordered)) - 1] == expected


def test_delays_of_rfc_2330() -> None:
    """The RFC's sample as a table shows it: P95 and P99 of six are the sixth."""
    assert delays_of(RFC_2330) == Delays(count=6, min=-5, p50=4, p95=18, p99=18, max=18)


@given(samples, st.integers(1, 100))
def test_raw_percentiles_follow_the_rule_in_fractions(drawn: list[int], percent: int) -> None:
    """No percentage falls beside its rank because floats are not exact."""
    ordered = sorted(drawn)
    assert ordered[rank_of(percent / 100, len(ordered)) - 1] == smallest_with(ordered, percent)


@given(samples, st.integers(0, 64))
def test_percentile_is_numpys_within_the_stated_error(drawn: list[int], sixty_fourths: int) -> None:
    """numpy's inverted_cdf is RFC 2330's rule; shares in binary fractions are exact in both."""
    share = sixty_fourths / 64
    expected = int(numpy.percentile(numpy.array(drawn), share * 100, method="inverted_cdf"))
    found = Histogram(drawn).percentile(share)
    assert found is not None
    assert abs(found - expected) <= expected * RELATIVE_ERROR
    if expected < 64:
        assert found == expected


@given(samples, st.integers(1, 100))
def test_percentile_follows_the_rule_within_the_stated_error(drawn: list[int], percent: int) -> None:
    expected = smallest_with(sorted(drawn), percent)
    found = Histogram(drawn).percentile(percent / 100)
    assert found is not None
    assert abs(found - expected) <= expected * RELATIVE_ERROR


@given(samples)
def test_count_ends_and_mean_are_exact(drawn: list[int]) -> None:
    found = Histogram(drawn)
    assert (found.count, found.min, found.max) == (len(drawn), min(drawn), max(drawn))
    assert found.mean == sum(drawn) / len(drawn)
    assert (found.percentile(0), found.percentile(1)) == (min(drawn), max(drawn))


@given(st.lists(values, max_size=60), st.lists(values, max_size=60))
def test_merging_is_adding_all(some: list[int], others: list[int]) -> None:
    merged = Histogram(some)
    merged.merge(Histogram(others))
    assert merged == Histogram(some + others)
    assert merged.delays() == Histogram(others + some).delays()


def test_pooled_percentile_is_not_the_mean_of_percentiles() -> None:
    """20 quiet hours, 4 with 31 % slow: hourly P95s average 14 ms, the pool says 50 (arithmetic)."""
    quiet, busy = Histogram(), Histogram()
    quiet.add(5_000, 1000)
    busy.add(5_000, 690)
    busy.add(50_000, 160)
    busy.add(60_000, 150)
    day = Histogram()
    for hour in [quiet] * 20 + [busy] * 4:
        day.merge(hour)
    found = day.percentile(0.95)
    assert found is not None
    assert abs(found - 50_000) <= 50_000 * RELATIVE_ERROR
    hourly = [hour.percentile(0.95) or 0 for hour in [quiet] * 20 + [busy] * 4]
    assert sum(hourly) / 24 == pytest.approx(14_000, rel=0.02)


@given(st.lists(values, max_size=60))
def test_round_trip(drawn: list[int]) -> None:
    """Unpacking undoes packing."""
    found = Histogram(drawn)
    assert Histogram.unpack(found.pack()) == found
    assert list(Histogram.unpack(found.pack()).buckets()) == list(found.buckets())


@given(values, st.integers(1, 10**9), values, st.integers(1, 10**9))
def test_round_trip_of_many(one: int, times: int, other: int, more_times: int) -> None:
    """Counts of a year, not of a minute."""
    found = Histogram()
    found.add(one, times)
    found.add(other, more_times)
    assert Histogram.unpack(found.pack()) == found


@given(st.binary(max_size=60) | st.binary(max_size=60).map(lambda tail: b"\x03" + tail))
def test_any_bytes_are_read_or_refused(packed: bytes) -> None:
    """Any bytes are read or refused; what is read packs into the same bytes."""
    with contextlib.suppress(BadMessage):
        assert Histogram.unpack(packed).pack() == packed


@given(samples, st.data())
def test_a_changed_byte_is_another_histogram_or_none(drawn: list[int], data: st.DataObject) -> None:
    packed = bytearray(Histogram(drawn).pack())
    at = data.draw(st.integers(0, len(packed) - 1))
    packed[at] ^= data.draw(st.integers(1, 255))
    with contextlib.suppress(BadMessage):
        assert Histogram.unpack(bytes(packed)) != Histogram(drawn)


@given(values)
def test_the_middle_of_its_bucket_is_within_the_stated_error(value: int) -> None:
    assert abs(middle_of(bucket_of(value)) - value) <= value * RELATIVE_ERROR
    assert bucket_of(middle_of(bucket_of(value))) == bucket_of(value)


def test_buckets_follow_each_other() -> None:
    """No value is left between two buckets, and none lies in two."""
    assert all(ends_of(nth)[1] + 1 == ends_of(nth + 1)[0] for nth in range(1500))
    numbers = [bucket_of(value) for value in range(5_000)]
    steps = {later - earlier for earlier, later in pairwise(numbers)}
    assert steps == {0, 1}


@given(st.integers(90_000, 110_000), st.lists(st.integers(0, 200), min_size=3, max_size=60))
def test_what_lies_close_together_is_told_closely(base: int, above: list[int]) -> None:
    """Among delays within 0.2 ms, no percentile is more than that off, whatever the bucket's width."""
    drawn = [base + each for each in above]
    found = Histogram(drawn).percentile(0.5)
    assert found is not None
    assert min(drawn) <= found <= max(drawn)


def test_nothing_counted_is_said_as_none() -> None:
    empty = Histogram()
    assert [empty.min, empty.max, empty.mean, empty.percentile(0.5), empty.delays()] == [None] * 5
    assert Histogram.unpack(empty.pack()) == empty
    assert delays_of([]) is None


@pytest.mark.parametrize(("value", "times"), [(-1, 1), (5, 0)])
def test_refuses_what_is_no_delay(value: int, times: int) -> None:
    with pytest.raises(ValueError, match="histogram"):
        Histogram().add(value, times)


def test_what_older_versions_packed_is_read() -> None:
    """5, 5 and 7, by hand: 01; count 3, sum 17, ends 5 and 7; filled 101; 2 - 1 as 10, 1 - 1 as 0."""
    assert Histogram.unpack(bytes.fromhex("0103110507b0")) == Histogram([5, 5, 7])


def test_no_count_takes_more_than_it_must() -> None:
    """After many ones 2**40 is said in full, not in unary: at most 20 + 6 + 64 bits a bucket (arithmetic)."""
    found = Histogram([*range(100, 4000), 5000])
    found.add(9000, times=2**40)
    buckets = bucket_of(9000) - bucket_of(100) + 1
    assert len(found.pack()) <= 30 + buckets * (20 + 6 + 64) / 8
    assert Histogram.unpack(found.pack()) == found


def test_a_packed_blob_of_zeros_does_not_fill_the_memory() -> None:
    """Deflate (RFC 1951) packs zeros a thousand to one; no more is read than the buckets say."""
    packed = Histogram([5, 5, 7]).pack_open()
    head = packed[: -len(zlib.compress(struct.pack("<3Q", 2, 0, 1), level=1))]
    assert Histogram.unpack(head + zlib.compress(struct.pack("<3Q", 2, 0, 1), level=1)) == Histogram(
        [5, 5, 7]
    )
    bomb = head + zlib.compress(bytes(32 << 20))
    assert len(bomb) < 1 << 20
    tracemalloc.start()
    try:
        with pytest.raises(BadMessage):
            Histogram.unpack(bomb)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()
    with pytest.raises(BadMessage):
        Histogram.unpack(packed[:-1])
