"""What stalls cost a plan, transport by transport: sums by hand from the fluid queue."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard.judge.comparable import History
from dashboard.judge.floor import assured_floor
from dashboard.judge.freezes import Frozen, frozen, headroom_of
from store.clock import NS_PER_S
from store.demand import demand_bps
from store.records import Stall
from store.site import Destination, Transport
from tests.dashboard.judge.made import NOON, destination, stall

PUSH = destination(4_500_000)  # 1 s of buffer, a keyframe every 2 s, of which a freeze waits for half
ARQ = destination(14_000_000, transport=Transport.ARQ, buffer_s=1.5)
RTP = destination(2_500_000, transport=Transport.RTP)


def cost(*destinations: Destination, stalls: list[Stall], headroom: float = 10.0) -> Frozen:
    """An hour of one train with these stalls, on a floor of `headroom` times the demand; RTT 21 ms."""
    floor_bps = round(headroom * sum(demand_bps(one) for one in destinations))
    history = History(
        hours="Mon-Fri 18:00-21:00",
        floor=assured_floor([floor_bps]),
        goodput_bps=floor_bps,
        trains=(tuple(stalls),),
        train_s=3600.0,
        loss_ratio=0.0,
        rtt_s=0.021,
    )
    assert headroom_of(destinations, history) == pytest.approx(headroom, rel=1e-6)
    return frozen(destinations, history)


def test_a_stall_costs_what_outlasts_the_buffer_and_a_keyframe_wait() -> None:
    """2.4 s held through 1 s: 1.4 s, and 1 s on average until the next keyframe."""
    found = cost(PUSH, stalls=[stall(seconds=2.4)])
    assert found.freezes == 1
    assert found.lost_s == pytest.approx(2.4)


def test_stalls_close_together_add_up() -> None:
    """0.75 s each fit a buffer of 1 s, but 6 s apart on a line of 1.1 x the demand only 0.6 s is caught up:
    the second finds 0.15 s waiting, the third 0.3, and 1.05 s do not fit."""
    near = [stall(NOON + place * 675 * NS_PER_S // 100, seconds=0.75) for place in range(3)]
    found = cost(PUSH, stalls=near, headroom=1.1)
    assert found.freezes == 1
    assert found.lost_s == pytest.approx(0.05 + 1, abs=1e-4)
    assert cost(PUSH, stalls=near, headroom=1.25).freezes == 0


@pytest.mark.parametrize(
    ("how", "made", "seconds", "freezes"),
    [
        ("held", PUSH, 0.7, 0),
        ("lost", PUSH, 0.7, 1),  # TCP tries again at 0.6 and 1.4 s: 1.4 s of silence outlast 1 s
        ("mixed", PUSH, 0.7, 1),  # what was lost of it waits as long
        ("lost", PUSH, 0.59, 0),
        # b survives when L >= RTT + b/h: with L = 1.5 s and repeats to 25 %, 0.25 x (1.5 - 0.021) = 0.370 s
        ("lost", ARQ, 0.36, 0),
        ("lost", ARQ, 0.38, 1),
        ("lost", replace(ARQ, repeat_ceiling=1.0), 1.47, 0),  # h = 1: 1.479 s
        ("lost", replace(ARQ, repeat_ceiling=1.0), 1.49, 1),
        ("lost", replace(ARQ, buffer_s=0.5), 0.11, 0),  # 0.120 s
        ("lost", replace(ARQ, buffer_s=0.5), 0.13, 1),
        ("held", ARQ, 1.49, 0),
        ("held", ARQ, 1.51, 1),
        ("held", RTP, 0.9, 0),
        ("lost", RTP, 0.5, 1),  # nothing is repeated
    ],
)
def test_lost_and_held_stalls_by_transport(how: str, made: Destination, seconds: float, freezes: int) -> None:
    """What each transport outlasts."""
    assert cost(made, stalls=[stall(seconds=seconds, how=how)]).freezes == freezes


def test_repeats_need_rate_to_spare() -> None:
    """On a line of 1.1 x the demand ARQ can repeat 10 %, not 25: 0.148 s survive."""
    assert cost(ARQ, stalls=[stall(seconds=0.14, how="lost")], headroom=1.1).freezes == 0
    assert cost(ARQ, stalls=[stall(seconds=0.16, how="lost")], headroom=1.1).freezes == 1


def test_the_destination_hit_worst_counts() -> None:
    """A stall is one freeze, however many destinations it freezes."""
    long_buffer = replace(PUSH, buffer_s=5.0)
    silences = [stall(seconds=2.0), stall(NOON + 600 * NS_PER_S, seconds=0.9)]
    found = cost(long_buffer, PUSH, PUSH, stalls=silences)
    assert found.freezes == 1
    assert found.lost_s == pytest.approx(1.0 + 1)


def test_an_outage_counts_its_first_ten_seconds() -> None:
    """What lasts longer says no more of buffers; that it was an outage is said apart."""
    found = cost(PUSH, stalls=[stall(seconds=4905.0), stall(NOON + 7200 * NS_PER_S, seconds=2.4)])
    assert (found.freezes, found.outages) == (2, 1)
    assert found.lost_s == pytest.approx(10 + 2.4)
