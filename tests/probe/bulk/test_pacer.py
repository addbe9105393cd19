"""The moments of a paced sender: its arrival curve holds for any clock readings."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.bulk.pacer import Pacer, packet_bytes, segments_for, slack_ns

RATE = 1_000_000_000
SLACK_NS = slack_ns(RATE)
TRAIN_NS = 4 * 1500 * 8  # four packets of 1500 octets at 1 Gb/s


def pacer() -> Pacer:
    return Pacer(offered_bps=RATE, packet_bytes=1500, segments=4, start_ns=5)


def test_on_time_it_keeps_the_rate() -> None:
    made, now_ns = pacer(), 5
    for number in range(1000):
        assert number * TRAIN_NS - (now_ns - 5) == made.wait_ns(now_ns)
        now_ns += made.wait_ns(now_ns)
        made.take(now_ns)
        made.sent(now_ns)
    assert (made.burst_ns, made.forgone) == (TRAIN_NS, 0)


def test_what_is_overdue_beyond_the_slack_is_forgone() -> None:
    """2 ms late at 1 Gb/s are 167 packets of 1500 octets, of which 0.4 ms may still go: 133 do not."""
    made = pacer()
    made.take(5)
    made.sent(5)
    now_ns = 5 + 2_000_000 + TRAIN_NS
    while made.wait_ns(now_ns) <= 0:
        made.take(now_ns)
        made.sent(now_ns)
    assert made.forgone == round(1_600_000 / TRAIN_NS * 4)
    assert SLACK_NS < made.burst_ns <= SLACK_NS + TRAIN_NS


@given(st.lists(st.tuples(st.integers(0, 3_000_000), st.integers(0, 1_000_000)), max_size=60))
def test_no_stretch_holds_more_than_the_rate_and_the_burst(steps: list[tuple[int, int]]) -> None:
    """Any delays of this process, between calls and within, and packets that leave anywhere in a call."""
    made, now_ns = pacer(), 5
    calls: list[tuple[int, int]] = []
    for idle_ns, call_ns in steps:
        now_ns += max(idle_ns, made.wait_ns(now_ns))
        made.take(now_ns)
        began_ns, now_ns = now_ns, now_ns + call_ns
        made.sent(now_ns)
        calls.append((began_ns, now_ns))
    for first, (_, earliest_end) in enumerate(calls):
        for last in range(first + 1, len(calls)):
            stretch_ns = calls[last][0] - earliest_end  # the shortest that can hold them all
            assert (last - first + 1) * TRAIN_NS - stretch_ns <= made.burst_ns + 1
    if calls:
        assert made.burst_ns <= SLACK_NS + 2 * TRAIN_NS + 1
        assert len(calls) * TRAIN_NS <= calls[-1][0] - 5 + TRAIN_NS  # the mean never exceeds the rate


def test_after_a_pause_nothing_is_made_up() -> None:
    made = pacer()
    made.take(5)
    made.sent(5)
    made.resume(10**9)
    assert made.wait_ns(10**9) <= 0
    made.take(10**9)
    assert (made.forgone, made.wait_ns(10**9)) == (0, pytest.approx(TRAIN_NS, abs=6))


@pytest.mark.parametrize(
    ("offered_bps", "segments"),
    [(5_000_000, 1), (10**8, 1), (5 * 10**8, 2), (10**9, 4), (25 * 10**8, 4), (5 * 10**9, 16), (10**10, 44)],
)
def test_packets_a_call(offered_bps: int, segments: int) -> None:
    """Half a millisecond at 1 Gb/s is more than the slack and two trains."""
    assert segments_for(offered_bps, payload_bytes=1472, ip_version=4, most=44) == segments
    if offered_bps == 10**9:
        assert slack_ns(offered_bps) + 2 * segments * 1500 * 8 <= 500_000


@pytest.mark.parametrize(
    ("offered_bps", "slack_us"),
    [(10**6, 2000), (10**8, 2000), (2 * 10**8, 1000), (10**9, 400), (10**10, 400)],
)
def test_how_late_a_train_may_go(offered_bps: int, slack_us: int) -> None:
    assert slack_ns(offered_bps) == slack_us * 1000


def test_a_datagram_at_the_ip_layer() -> None:
    """RFC 768: 8 octets; RFC 791: 20; RFC 8200: 40."""
    assert (packet_bytes(1472, 4), packet_bytes(1452, 6)) == (1500, 1500)


@given(
    st.lists(
        st.tuples(st.integers(0, 3_000_000), st.integers(0, 1_000_000), st.sampled_from([1, 10, 500, 2_000])),
        max_size=60,
    )
)
def test_a_rate_that_moves_keeps_its_burst_too(steps: list[tuple[int, int, int]]) -> None:
    """No stretch holds more than the sum of its moments' rates and the burst that is stated, in octets."""
    made, now_ns, mbps = pacer(), 5, 1_000
    calls: list[tuple[int, int, float, float]] = []  # begin, end, octets, what the rates had come to by then
    credit = 0.0
    for idle_ns, call_ns, next_mbps in steps:
        wait_ns = max(idle_ns, made.wait_ns(now_ns))
        credit += wait_ns * mbps / 8000
        now_ns += wait_ns
        made.take(now_ns)
        begin = credit
        credit += call_ns * mbps / 8000
        made.sent(now_ns + call_ns)
        calls.append((now_ns, now_ns + call_ns, begin, credit))
        now_ns += call_ns
        if next_mbps != mbps:
            mbps = next_mbps
            made.change(now_ns, offered_bps=mbps * 1_000_000, segments=4)
    for first, (*_, earliest_end) in enumerate(calls):
        for last in range(first + 1, len(calls)):
            assert (last - first + 1) * 6000 - (calls[last][2] - earliest_end) <= made.burst_bytes + 1


def test_a_higher_rate_does_not_wait_for_the_distance_of_the_lower() -> None:
    made = Pacer(offered_bps=500_000, packet_bytes=1250, segments=1, start_ns=0)
    made.take(0)
    made.sent(0)
    assert made.wait_ns(0) == 20_000_000  # 10,000 bits at 0.5 Mb/s
    made.change(0, offered_bps=10_000_000, segments=1)
    assert made.wait_ns(0) == 1_000_000
    made.take(1_000_000)
    made.change(1_000_000, offered_bps=1_000_000, segments=1)
    assert made.wait_ns(1_000_000) == 1_000_000  # what was planned stays, and then every 10 ms
    made.take(2_000_000)
    assert made.wait_ns(2_000_000) == 10_000_000
