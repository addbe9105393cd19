"""Bursts, gaps and losses in a row, and the classes of a network, by the standards' own examples."""

from __future__ import annotations

import random

import pytest

from dashboard.judge import loss_shape


def bad(pattern: str) -> list[bool]:
    return [each in "X0" for each in pattern]


# RFC 3611 section 4.7.2 (from memory; it has the counts that the RFC names): 0 lost, X discarded
PATTERN = "11110111111111111111111X111X1011110111111111111111111X111111111"


def test_the_example_of_rfc_3611() -> None:
    """64 packets of 10 ms, Gmin 16: a burst of 12 with 4 bad, 120 ms; a gap of 52 with 2 bad, 520 ms.

    As printed the pattern has 63 packets, so a good one is added.
    """
    assert (len(PATTERN), PATTERN.count("0"), PATTERN.count("X")) == (63, 3, 3)
    found = loss_shape.burst_gap(bad(PATTERN + "1"))
    assert (found.bursts, found.burst_packets, found.burst_lost) == (1, 12, 4)
    assert (found.gap_packets, found.gap_lost) == (52, 2)
    assert found.burst_density == pytest.approx(4 / 12)
    assert found.gap_density == pytest.approx(2 / 52)
    assert found.mean_burst_s(0.01) == pytest.approx(0.12)


def test_losses_far_apart_are_all_gap() -> None:
    """Every loss 17 packets from the next: no burst, and a gap density of at most 1/17 (RFC 3611 4.7.2)."""
    found = loss_shape.burst_gap(([True] + [False] * 16) * 20)
    assert (found.bursts, found.burst_density) == (0, None)
    assert found.gap_density == pytest.approx(1 / 17)
    near = loss_shape.burst_gap(([True] + [False] * 15) * 20)
    assert near.bursts == 1
    assert (near.burst_density or 0) >= 0.0625


@pytest.mark.parametrize("seed", range(3))
def test_bursts_by_another_route(seed: int) -> None:
    """Bursts found by walking packet by packet with a count of good ones, as a receiver would."""
    draw = random.Random(seed)
    packets = [draw.random() < draw.choice((0.0, 0.02, 0.3)) for _ in range(3000)]
    bursts, start, last = [], -1, -1
    for nth, each in enumerate(packets):
        if each and (last < 0 or nth - last > 16):
            if last > start >= 0:
                bursts.append((start, last))
            start = nth
        last = nth if each else last
    if last > start >= 0:
        bursts.append((start, last))
    found = loss_shape.burst_gap(packets)
    assert found.bursts == len(bursts)
    assert found.burst_packets == sum(high - low + 1 for low, high in bursts)
    assert found.gap_lost == sum(packets) - sum(sum(packets[low : high + 1]) for low, high in bursts)


def test_losses_in_a_row() -> None:
    """RFC 3357 sections 5.4.3, 6.5 and 4: lengths 1 1 1 2, and four periods in its longer string."""
    assert loss_shape.loss_periods([bool(int(each)) for each in "0100101011"]) == [1, 1, 1, 2]
    assert loss_shape.loss_periods([each == "x" for each in "rrrxrrxxxrxrrxxx"]) == [1, 3, 1, 3]


@pytest.mark.parametrize(
    ("loss", "met"), [(5e-4, (0, 1, 2, 3, 4, 5)), (5e-3, (5,)), (5e-6, (0, 1, 2, 3, 4, 5, 6, 7))]
)
def test_classes_of_y1541(loss: float, met: tuple[int, ...]) -> None:
    """RFC 5976 section 2.1: 90 ms in the mean, 40 ms of variation; classes 6 and 7 from memory."""
    assert loss_shape.classes_met(mean_ms=90, variation_ms=40, loss_ratio=loss) == met
