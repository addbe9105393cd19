"""What loads do to a train, by hand: buffer delay, drift of two clocks, added delay, the way back."""

from __future__ import annotations

import random

import pytest

from probe import loaded_delay_outcome as outcome
from probe.loaded_delay_outcome import Delays, Packet, Window

S, MS, US = 10**9, 10**6, 1000
IDLE, LOAD, AFTER = (Window(from_ns=at * 5 * S, to_ns=(at + 1) * 5 * S) for at in range(3))
AHEAD_NS = 7 * 3600 * S  # the endpoint's clock over this one's


def line(*, ppm: float = 0.0, queue_up_ns: int = 100 * MS, set_ns: int = 0) -> list[Packet]:
    """50 packets a second for 15 s, 10 ms each way and some noise; a queue up from 5 s to 10.2 s."""
    chance = random.Random(1)
    found = []
    for at_ns in range(0, 15 * S, 20 * MS):
        ahead_ns = AHEAD_NS + round(at_ns * ppm / 1e6) + (set_ns if at_ns > 7 * S else 0)
        queued_ns = queue_up_ns if 5 * S <= at_ns < 10 * S + 200 * MS else 0
        up_ns, down_ns = (10 * MS + round(chance.expovariate(1 / (50 * US))) for _ in range(2))
        found.append(Packet(at_ns=at_ns, up_ns=up_ns + queued_ns + ahead_ns, down_ns=down_ns - ahead_ns))
    return found


def quiet(packets: list[Packet]) -> tuple[Window, ...]:
    back = outcome.back_ns(packets, AFTER, idle_p95_us=20_200)
    assert back is not None
    return IDLE, Window(from_ns=back, to_ns=AFTER.to_ns)


def test_buffer_delay_of_the_rfc() -> None:
    """RFC 6349 section 4.3: 25 ms without load and 32 ms under it are 28 %; the mean is of seconds' means."""
    assert outcome.buffer_delay_ratio(25, [[32]]) == 0.28
    assert outcome.buffer_delay_ratio(25_000, [[30_000, 32_000], [33_000], [], [32_000] * 9]) == 0.28
    assert outcome.buffer_delay_ratio(25, [[], []]) is None


def test_seconds_are_those_of_the_load() -> None:
    packets = [Packet(at_ns=5 * S + at * 500 * MS, up_ns=at * MS, down_ns=MS) for at in range(4)]
    assert outcome.by_second(packets, LOAD) == [[1_000, 2_000], [3_000, 4_000], [], [], []]


@pytest.mark.parametrize("ppm", [0.0, 30.0, -120.0])
def test_drift_is_taken_out(ppm: float) -> None:
    """What the clocks drift apart by is found to 3 ppm, and the queue is on its way alone, to 0.1 ms.

    120 ppm over 15 s are 1.8 ms, which would else stand in both ways.
    """
    packets = line(ppm=ppm)
    delays = Delays.of(packets, quiet(packets))
    assert delays.drift_ppm == pytest.approx(ppm, abs=3)
    assert not delays.stepped
    idle, load = delays.samples(IDLE), delays.samples(LOAD)
    for share in ("p50_us", "p95_us"):
        up, down, rtt = (
            outcome.added(getattr(idle, name), getattr(load, name)) for name in ("up_us", "down_us", "rtt_us")
        )
        assert getattr(up, share) == pytest.approx(100_000, abs=100)
        assert getattr(down, share) == pytest.approx(0, abs=100)
        assert getattr(rtt, share) == pytest.approx(100_000, abs=100)
    part = delays.part(LOAD)
    assert part.pdv_up_us is not None
    assert part.pdv_up_us.percentile(0.5) == pytest.approx(100_000, rel=1 / 64)


def test_a_clock_that_was_set_leaves_no_one_way_figure() -> None:
    """20 ms within 10 s are 2000 ppm, which no clock drifts; round trips hold no clock."""
    packets = line(set_ns=20 * MS)
    delays = Delays.of(packets, quiet(packets))
    assert (delays.stepped, delays.drift_ppm) == (True, None)
    part = delays.part(LOAD)
    assert (part.pdv_up_us, part.pdv_down_us) == (None, None)
    assert part.rtt_us.percentile(0.5) == pytest.approx(120_000, rel=1 / 64)
    assert outcome.added(delays.samples(IDLE).up_us, delays.samples(LOAD).up_us) is None


def test_back_once_ten_in_a_row_are() -> None:
    """The queue drains 200 ms after the load; a packet lost or late on the way begins the row anew."""
    packets = line()
    assert outcome.back_ns(packets, AFTER, idle_p95_us=20_200) == 10 * S + 200 * MS
    lost = [
        Packet(at_ns=each.at_ns, lost="up") if each.at_ns == 10 * S + 300 * MS else each for each in packets
    ]
    assert outcome.back_ns(lost, AFTER, idle_p95_us=20_200) == 10 * S + 320 * MS
    assert (
        outcome.back_ns(packets, Window(from_ns=10 * S, to_ns=10 * S + 300 * MS), idle_p95_us=20_200) is None
    )


def test_what_is_lost_has_no_delay_and_is_counted() -> None:
    packets = [
        Packet(at_ns=0, up_ns=MS, down_ns=MS),
        Packet(at_ns=1, lost="up"),
        Packet(at_ns=2, lost="down"),
    ]
    part = Delays.of(packets, (IDLE,)).part(IDLE)
    assert (part.sent, part.lost_up, part.lost_down, part.lost_unattributed, part.lost) == (3, 1, 1, 0, 2)
    assert part.rtt_us.count == 1
