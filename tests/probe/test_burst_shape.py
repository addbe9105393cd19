"""What single bursts say of the limit they met, held against a token bucket that is counted out.

The bucket is RFC 2697 section 3 as it stands there, in exact fractions, and shares nothing with the code: it
gets the moments at which packets reach it and says which pass and when.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from random import Random

import pytest

from probe.burst_shape import Ports, look
from probe.wire.arrival_log import Together
from store.bursts import Fate

IP_BYTES = 1500
LINE_BPS = 1_000_000_000


def policed(sent_us: Sequence[float], *, rate_bps: int, bucket_bytes: int) -> list[tuple[int, float]]:
    """Number and moment of each packet that a policer lets pass."""
    tokens, before, passed = Fraction(bucket_bytes), Fraction(0), []
    for number, at in enumerate(sent_us):
        now = Fraction(at)
        tokens = min(Fraction(bucket_bytes), tokens + (now - before) * rate_bps / 8_000_000)
        before = now
        if tokens >= IP_BYTES:
            tokens -= IP_BYTES
            passed.append((number, at))
    return passed


def shaped(
    sent_us: Sequence[float], *, rate_bps: int, bucket_bytes: int, queue_packets: int
) -> list[tuple[int, float]]:
    """Number and moment of each packet that a shaper sends on, whose queue drops what finds it full."""
    tokens, clock, leaving = Fraction(bucket_bytes), Fraction(0), []
    for number, at in enumerate(sent_us):
        now = Fraction(at)
        if len(leaving) >= queue_packets and leaving[-queue_packets][1] > now:
            continue
        start = max(now, clock)
        tokens = min(Fraction(bucket_bytes), tokens + (start - clock) * rate_bps / 8_000_000)
        wait = max(Fraction(0), (IP_BYTES - tokens) * 8_000_000 / rate_bps)
        tokens += wait * rate_bps / 8_000_000 - IP_BYTES
        clock = start + wait
        leaving.append((number, clock))
    return [(number, float(moment)) for number, moment in leaving]


def at_line_rate(
    count: int, *, jitter_us: float = 0.0, pauses: Sequence[tuple[int, float]] = ()
) -> list[float]:
    """Moments of sending back to back; before each packet number of `pauses` the host was away so long."""
    chance, gap_us, at, found = Random(7), IP_BYTES * 8_000_000 / LINE_BPS, 0.0, []
    away = dict(pauses)
    for number in range(count):
        at += away.get(number, 0.0)
        found.append(at + chance.random() * jitter_us)
        at += gap_us
    return sorted(found)


def log_of(
    arrived: Sequence[tuple[int, float]], sent_us: Sequence[float], *, base_us: int = 9_000
) -> list[Together]:
    return [Together(number, 1, round(sent_us[number]), base_us + round(at)) for number, at in arrived]


RATES_BPS = (5_000_000, 50_000_000, 400_000_000)


@pytest.mark.parametrize("rate_bps", RATES_BPS)
@pytest.mark.parametrize("bucket_bytes", [30_000, 150_000, 600_000])
@pytest.mark.parametrize("pauses", [(), ((30, 900.0),), ((5, 300.0), (130, 2_000.0))])
def test_a_policer(rate_bps: int, bucket_bytes: int, pauses: Sequence[tuple[int, float]]) -> None:
    """Told as one, with its bucket within the stated bound, also where the sender was away for a while."""
    sent_us = at_line_rate(2048, jitter_us=3, pauses=pauses)
    arrived = policed(sent_us, rate_bps=rate_bps, bucket_bytes=bucket_bytes)
    found = look(log_of(arrived, sent_us), sent=2048, ip_bytes=IP_BYTES)
    assert found.fate is Fate.DROPPED
    assert found.committed_bytes is not None
    assert found.bound_bytes is not None
    assert abs(found.committed_bytes - bucket_bytes) <= found.bound_bytes <= 0.1 * bucket_bytes + 2 * IP_BYTES
    assert found.rate_bps == pytest.approx(rate_bps, rel=0.15 if rate_bps < 10_000_000 else 0.05)
    assert (found.received, found.lost) == (len(arrived), 2048 - len(arrived))


@pytest.mark.parametrize("rate_bps", RATES_BPS)
@pytest.mark.parametrize("bucket_bytes", [30_000, 150_000, 600_000])
@pytest.mark.parametrize("queue_packets", [60, 5_000])
def test_a_shaper(rate_bps: int, bucket_bytes: int, queue_packets: int) -> None:
    """Told as one whether its queue is too small for the burst or not."""
    sent_us = at_line_rate(1024, jitter_us=3)
    arrived = shaped(sent_us, rate_bps=rate_bps, bucket_bytes=bucket_bytes, queue_packets=queue_packets)
    found = look(log_of(arrived, sent_us), sent=1024, ip_bytes=IP_BYTES)
    assert found.fate is Fate.HELD
    assert found.committed_bytes == pytest.approx(bucket_bytes, abs=2 * IP_BYTES)
    assert found.rate_bps == pytest.approx(rate_bps, rel=0.02)
    assert found.held >= 12


@pytest.mark.parametrize("count", [16, 64, 99])
def test_what_the_bucket_holds_passes(count: int) -> None:
    sent_us = at_line_rate(count, jitter_us=3)
    arrived = policed(sent_us, rate_bps=20_000_000, bucket_bytes=150_000)
    found = look(log_of(arrived, sent_us), sent=count, ip_bytes=IP_BYTES)
    assert (found.fate, found.lost, found.undisturbed_bytes) == (Fate.PASSED, 0, count * IP_BYTES)
    assert found.line_bps == pytest.approx(LINE_BPS, rel=0.05)


def test_a_port_that_is_slower_than_the_sender_is_no_shaper() -> None:
    """Handed over at once, sent by a port of 100 Mb/s: 1538 octets on the wire each (IEEE 802.3)."""
    arrived = [(number, number * 1538 * 8 / 100) for number in range(256)]
    log = [Together(number, 1, number, round(at)) for number, at in arrived]
    assert look(log, sent=256, ip_bytes=IP_BYTES, ports=Ports(rates_bps=(100_000_000,))).fate is Fate.PASSED
    found = look(log, sent=256, ip_bytes=IP_BYTES, ports=Ports(rates_bps=(1_000_000_000,)))
    assert (found.fate, found.undisturbed_bytes) == (Fate.HELD, 0)  # a queue without a bucket
    assert found.committed_bytes == pytest.approx(0, abs=2 * IP_BYTES)


def test_random_losses_are_no_limit() -> None:
    """A line that loses here and there lets the rest pass at its own rate, so no other rate shows."""
    sent_us = at_line_rate(1024)
    arrived = [(number, at) for number, at in enumerate(sent_us) if Random(number).random() > 0.02]
    assert look(log_of(arrived, sent_us), sent=1024, ip_bytes=IP_BYTES).fate is Fate.UNCLEAR


def test_too_little_behind_the_first_loss() -> None:
    """One packet over the bucket, and the burst is at its end: nothing tells a rate."""
    sent_us = at_line_rate(104)
    arrived = policed(sent_us, rate_bps=20_000_000, bucket_bytes=150_000)
    assert look(log_of(arrived, sent_us), sent=104, ip_bytes=IP_BYTES).fate is Fate.UNCLEAR


def test_copies_count_once_and_what_came_together_came_at_one_moment() -> None:
    log = [Together(0, 4, 0, 100), Together(2, 3, 10, 150), Together(0, 1, 0, 180)]
    found = look(log, sent=5, ip_bytes=IP_BYTES)
    assert (found.received, found.lost, found.fate) == (5, 0, Fate.PASSED)
