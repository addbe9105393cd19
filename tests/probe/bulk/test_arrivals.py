"""Counting a paced run's arrivals, against the worked examples of RFC 4737, RFC 5560 and RFC 5481."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.bulk import arrivals
from probe.bulk.arrivals import BIN_NS, Arrivals

MS = 1_000_000


def counted(sequences: list[int], *, together: int = 1) -> Arrivals:
    found = Arrivals(seconds=1)
    for at in range(0, len(sequences), together):
        part = sequences[at : at + together]
        found.note(part, [0] * len(part), at_ns=at * 1000)
    return found


# RFC 4737 sections 7.1 to 7.4 and 5.3, in order of arrival; packets there are numbered from 1.
REORDERED = [
    ([1, 2, 3, 5, 6, 7, 8, 4, 9, 10], 1),
    ([1, 2, 3, 4, 7, 5, 6, 8, 9, 10], 2),
    ([1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11], 3),
    ([1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16], 3),
    ([1, 2, 3, 7, 8, 9, 4, 5, 6], 3),
]


@pytest.mark.parametrize(("order", "reordered"), REORDERED)
@pytest.mark.parametrize("together", [1, 4, 16])
def test_reordering(order: list[int], reordered: int, together: int) -> None:
    """However many the kernel hands over at once."""
    found = counted([number - 1 for number in order], together=together)
    assert (found.reordered, found.duplicated, found.received) == (reordered, 0, len(order))
    assert found.expected == len(order)


# RFC 5560 section 5: four packets were sent; the share of copies above 1.
DUPLICATED = [
    ([1, 2, 3, 4], 0, 4),
    ([1, 1, 2, 2, 3, 3, 4, 4], 4, 4),
    ([1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4], 8, 4),
    ([1, 1, 1, 2, 3, 3, 3, 4], 4, 4),
    ([4, 1, 3, 1, 2, 1, 3, 3], 4, 4),  # the order of arrival does not matter
]


@pytest.mark.parametrize(("order", "copies", "received"), DUPLICATED)
def test_duplication(order: list[int], copies: int, received: int) -> None:
    found = counted([number - 1 for number in order], together=3)
    assert (found.duplicated, found.received) == (copies, received)


def test_loss_alone_reorders_nothing() -> None:
    """RFC 4737 section 6."""
    found = counted([0, 1, 5, 6, 9], together=2)
    assert (found.received, found.reordered, found.expected) == (5, 0, 10)


@given(st.integers(0, 2**32), st.integers(1, 60))
def test_any_order_against_a_plain_count(seed: int, together: int) -> None:
    """RFC 4737 and 5560 written out with a set, on shuffled numbers with gaps and copies."""
    chance = random.Random(seed)
    sent = [number for number in range(300) if chance.random() > 0.1]
    order = sorted(sent + chance.choices(sent, k=30), key=lambda number: number + chance.random() * 9)
    seen: set[int] = set()
    next_expected = reordered = 0
    for number in order:
        if number not in seen and number < next_expected:
            reordered += 1
        seen.add(number)
        next_expected = max(next_expected, number + 1)
    found = counted(order, together=together)
    assert (found.received, found.reordered) == (len(seen), reordered)
    assert (found.duplicated, found.expected) == (len(order) - len(seen), next_expected)


def test_what_is_too_far_behind_is_late(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrivals, "REMEMBERED", 1000)
    found = counted([0, 2, *range(200_000, 200_100), 1, 199_999])
    assert (found.late, found.reordered, found.received) == (1, 1, 103)


def test_pdv_of_a_bin() -> None:
    """RFC 5481 section 4.4: delays of 20 10 20 25 20 ms have a PDV of 10 0 10 15 10."""
    found = Arrivals(seconds=1)
    for number, delay_ms in enumerate([20, 10, 20, 25, 20]):
        sent_ms = 5 * number
        found.note([number], [sent_ms * 1000], at_ns=7 * BIN_NS + (sent_ms + delay_ms) * MS)
    found.settle(all_of_them=True)
    assert (found.pdv.count, found.pdv.min, found.pdv.max, found.pdv.sum) == (5, 0, 15_000, 45_000)
    p99s, maxima = found.pdv_us()
    assert (p99s[0], maxima[0]) == (15_000, 15_000)


def test_bins_are_of_the_receivers_clock() -> None:
    """Ten bins a second from the first arrival; what comes after them counts for loss alone."""
    found = Arrivals(seconds=1)
    for number in range(12):
        found.note([2 * number, 2 * number + 1], [0, 0], at_ns=5 + number * BIN_NS)
    assert found.counts(5 + 3 * BIN_NS) == (2, 2, 2)
    assert found.counts(99 * BIN_NS) == (2,) * 10
    assert (found.received, found.end_ns) == (24, 5 + 10 * BIN_NS)


def test_a_standing_queue_shows_in_the_base() -> None:
    """Bins whose least delay is 0, 3 and 1 ms above the least of all; one without arrivals has none."""
    found = Arrivals(seconds=0.5)
    for place, extra_ms in ((0, 0), (1, 3), (3, 1)):
        found.note([place], [place * 100_000], at_ns=BIN_NS * place + extra_ms * MS)
    found.settle(all_of_them=True)
    assert found.bases_us() == (0, 3000, None, 1000, None)


@given(st.dictionaries(st.integers(0, 5000), st.integers(1, 50), min_size=1))
def test_percentile_is_that_of_rfc_2330(delays: dict[int, int]) -> None:
    """The smallest x with F(x) >= 0.99, as numpy's inverted_cdf has it."""
    import numpy as np

    found = Arrivals(seconds=1)
    number = 0
    for delay, count in delays.items():
        found.note(range(number, number + count), [5000 - delay] * count, at_ns=0)
        number += count
    found.settle(all_of_them=True)
    samples = np.repeat(list(delays), list(delays.values())) - min(delays)
    p99s, maxima = found.pdv_us()
    assert p99s[0] == np.percentile(samples, 99, method="inverted_cdf")
    assert maxima[0] == samples.max()


def test_feedback_is_of_the_time_since_the_last_one() -> None:
    """Lost, reordered and copied packets count, and the largest delay less the smallest (RFC 9097 8.1)."""
    found = Arrivals(seconds=1)
    assert found.feedback(0) is None
    for number, at_ms in [
        (0, 0),
        (1, 3),
        (4, 7),
        (3, 8),
        (4, 9),
    ]:  # 2 is missing, 3 was overtaken, 4 came twice
        found.note([number], [0], at_ns=5 * MS + at_ms * MS)
    told = found.feedback(55 * MS)
    assert told is not None
    assert (told.sequence_errors, told.delay_range_us, told.packets) == (3, 9_000, 4)
    assert told.covers_us == 50_000
    assert found.feedback(105 * MS) is None  # nothing came
    found.note([5, 6], [100_000, 100_500], at_ns=110 * MS)
    told = found.feedback(155 * MS)
    assert told is not None
    assert (told.sequence_errors, told.delay_range_us, told.packets, told.covers_us) == (0, 500, 2, 100_000)


@given(st.integers(0, 2**32), st.integers(1, 9))
def test_feedback_adds_up_to_the_whole(seed: int, together: int) -> None:
    """Without reordering across reports, their errors are all packets that never came and all copies."""
    chance = random.Random(seed)
    order = [number for number in range(400) if chance.random() > 0.2]
    found, errors, packets = Arrivals(seconds=1), 0, 0
    for at in range(0, len(order), together):
        part = order[at : at + together]
        found.note(part, [0] * len(part), at_ns=at * 1000)
        if chance.random() < 0.3:
            told = found.feedback(at * 1000)
            assert told is not None
            errors, packets = errors + told.sequence_errors, packets + told.packets
    told = found.feedback(MS)
    if told is not None:
        errors, packets = errors + told.sequence_errors, packets + told.packets
    assert (errors, packets) == (found.expected - len(order), len(order))


def test_what_was_expected_at_each_bins_end() -> None:
    found = Arrivals(seconds=0.5)
    for number, at_ms in [(0, 0), (3, 99), (7, 100), (5, 310)]:
        found.note([number], [0], at_ns=at_ms * MS)
    assert found.expected_at() == (4, 8, 8, 8, 8)
