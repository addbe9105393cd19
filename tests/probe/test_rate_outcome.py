"""Both ends' reports made into figures; worked examples from RFC 6349, the rest by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.rate_outcome import (
    Around,
    other_bps,
    own_traffic,
    says_too_much,
    side_of,
    steady_window,
    whole_seconds,
)
from probe.wire.control import ReceiverReport, SenderReport
from store.records import Carrier, Direction, Limit, RateSide

AROUND = Around(
    direction=Direction.UP, carrier=Carrier.WIRED, port_rate_bps=None, rtt_idle_us=None, rtt_loaded_us=None
)
SENT = SenderReport(
    mss_bytes=1448,
    ip_version=4,
    tcp_timestamps=True,
    congestion="cubic",
    sent_bytes=102_000,
    retransmitted_bytes=2_000,
    rtt_us=(25_000, 32_000, 32_000),
    elapsed_us=10_000_000,
    busy_us=10_000_000,
    window_limited_us=0,
    buffer_limited_us=0,
    cpu_ratio=0.1,
)


def received(*bins: int) -> ReceiverReport:
    return ReceiverReport(bins=bins, received_bytes=sum(bins), cpu_ratio=0.1, silent=False)


def up(bins: tuple[int, ...], sent: SenderReport | None = SENT) -> RateSide:
    found = side_of(received(*bins), sent, direction=Direction.UP, around=AROUND)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("bins", "window"),
    [(100, (20, 100)), (40, (20, 40)), (39, (19, 39)), (30, (15, 30)), (10, (5, 10)), (1, (0, 1))],
)
def test_steady_window(bins: int, window: tuple[int, int]) -> None:
    """2 s of start-up, or the first half of a run below 4 s."""
    assert steady_window(bins) == window


def test_start_up_and_the_tail_do_not_count() -> None:
    """20 bins of start-up, then 3 s at 1,250,000 bytes a second (10 Mb/s) with one second at half of it."""
    side = up((1, 900_000) * 10 + (125_000,) * 10 + (62_500,) * 10 + (125_000,) * 10)
    assert side.rates.goodput_bps == (10_000_000 * 2 + 5_000_000) // 3
    assert side.lowest_second_bps == 5_000_000
    assert (side.steady_from_ms, side.steady_to_ms, whole_seconds(side)) == (2000, 5000, 3)
    assert [bin_.start_ms for bin_ in side.bins] == list(range(0, 5000, 100))
    assert side.received_bytes == sum(bin_.bytes for bin_ in side.bins)


def test_layers_from_the_real_segment() -> None:
    """IPv4 with timestamps: 1448 of 1500 at IP, of 1518 at layer 2, of 1538 on the wire (RFC 6349 4.1.1)."""
    side = up((14_480,) * 40)  # ten segments a bin, so 100 packets a second
    assert side.rates.goodput_bps == 100 * 1448 * 8
    assert side.rates.ip_bps == 100 * 1500 * 8
    assert side.rates.ethernet_bps == 100 * 1518 * 8
    assert side.rates.wire_bps == 100 * 1538 * 8


def test_retransmitted_share() -> None:
    """RFC 6349 section 4.2.1: 2,000 repeated of 102,000 sent is an efficiency of 98.0392 %."""
    assert 1 - up((1,) * 40).retransmitted_ratio == pytest.approx(0.980392, abs=1e-6)


def test_rtt_is_the_median() -> None:
    """The smallest x with F(x) >= 0.5 of three samples is the second (RFC 2330 section 11.3)."""
    assert up((1,) * 40).tcp_rtt_us == 32_000


def test_a_second_without_payload_is_the_lowest() -> None:
    assert up((9,) * 30 + (0,) * 10 + (9,) * 10).lowest_second_bps == 0


def test_no_whole_second() -> None:
    side = up((5,) * 10)
    assert (whole_seconds(side), side.lowest_second_bps) == (0, 0)


def test_nothing_arrived() -> None:
    assert side_of(None, SENT, direction=Direction.UP, around=AROUND) is None
    assert side_of(received(), SENT, direction=Direction.UP, around=AROUND) is None


def test_a_sender_that_died_leaves_the_rate() -> None:
    """Its segments were seen by the receiver; what only it knew is said to be unknown."""
    seen = replace(received(*(14_280,) * 40), mss_bytes=1428, ip_version=6, tcp_timestamps=True)
    side = side_of(seen, None, direction=Direction.DOWN, around=AROUND)
    assert side is not None
    assert side.rates.ip_bps == 100 * 1500 * 8
    assert (side.limited_by, side.congestion, side.busy_ratio) == (Limit.UNDECIDED, "unknown", None)
    assert side_of(received(1, 2), None, direction=Direction.DOWN, around=AROUND) is None


def test_the_right_end_is_blamed() -> None:
    """Up, the endpoint receives; down, the probe does."""
    strained = replace(received(*(1_000,) * 40), cpu_ratio=0.95)
    for direction, end in ((Direction.UP, Limit.ENDPOINT), (Direction.DOWN, Limit.PROBE)):
        side = side_of(strained, SENT, direction=direction, around=AROUND)
        assert side is not None
        assert side.limited_by is end


def test_own_traffic_with_headers_and_acknowledgements() -> None:
    """100 segments up: 100 packets of 1500 bytes up and 50 acknowledgements of 52 bytes down."""
    side = up((1448,) * 100, replace(SENT, sent_bytes=144_800, retransmitted_bytes=0))
    moved = own_traffic(side, None)
    assert (moved.up_bytes, moved.down_bytes) == (150_000, 2_600)
    moved = own_traffic(None, side)
    assert (moved.up_bytes, moved.down_bytes) == (2_600, 150_000)


def test_own_traffic_of_a_down_run_whose_sender_died() -> None:
    seen = replace(received(*(1448,) * 100), mss_bytes=1448, ip_version=4, tcp_timestamps=True)
    side = side_of(seen, None, direction=Direction.DOWN, around=AROUND)
    assert own_traffic(None, side).down_bytes == 150_000


def test_other_traffic() -> None:
    assert other_bps(2_250_000, 1_000_000, elapsed_ns=10 * 10**9) == 1_000_000
    assert other_bps(900_000, 1_000_000, elapsed_ns=10**9) == 0  # segmented sends count short on some cards


def test_an_endpoint_that_counts_more_than_it_was_sent() -> None:
    """What this host's kernel sent (tcpi_bytes_sent, repeats included) is the most that can have arrived."""
    assert not says_too_much(up((2_550,) * 40))  # 102,000 in all, the very most
    assert says_too_much(up((2_550,) * 39 + (2_551,)))
    assert says_too_much(
        side_of(
            replace(received(*(5_000,) * 40), received_bytes=90_000),
            SENT,
            direction=Direction.UP,
            around=AROUND,
        )
    )
    assert not says_too_much(None)  # nothing was measured up
