"""The fluid queue against worked figures and a simulation that knows nothing of its formulas."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.judge import fluid
from dashboard.judge.fluid import Stretch

STEP_S = 0.001


def simulated(stretches: list[Stretch]) -> list[float]:
    """The second route: frames of a millisecond of media queue up, the line takes what it can, and what
    does not fit is thrown away."""
    queue_s = 0.0
    lost: list[float] = []
    for stretch in stretches:
        thrown_s = 0.0
        for _ in range(round(stretch.seconds / STEP_S)):
            queue_s += STEP_S
            queue_s -= min(queue_s, stretch.headroom * STEP_S)
            excess_s = max(0.0, queue_s - stretch.window_s)
            queue_s -= excess_s
            thrown_s += excess_s
        lost.append(thrown_s)
    return lost


@pytest.mark.parametrize(
    ("headroom", "seconds"), [(1.05, 20), (1.25, 4), (1.5, 2), (2, 1), (9.2 / 6.93, 3.05), (17 / 6.93, 0.69)]
)
def test_recovery_from_a_second(headroom: float, seconds: float) -> None:
    """s / (a - 1) for s = 1 s; the last two are a demand of 6.93 Mb/s on lines of 9.2 and 17."""
    assert fluid.recovery_s(1.0, headroom) == pytest.approx(seconds, abs=0.005)


def test_no_recovery_without_rate_to_spare() -> None:
    """A line that just carries the stream never catches up."""
    assert math.isinf(fluid.recovery_s(1.0, 1.0))


def test_slow_down_to_less_than_the_stream() -> None:
    """6.93 on 5.1 Mb/s: a buffer of 1 s is full after 3.8 s, then 26 % is dropped."""
    assert fluid.overflow_s(1.0, 5.1 / 6.93) == pytest.approx(3.8, abs=0.05)
    assert fluid.dropped_ratio(5.1 / 6.93) == pytest.approx(0.26, abs=0.005)
    assert math.isinf(fluid.overflow_s(1.0, 1.2))


@pytest.mark.parametrize(
    ("stall_s", "window_s", "lost_s"), [(2.4, 1.0, 1.4), (0.9, 1.0, 0.0), (1.0, 1.0, 0.0)]
)
def test_lost_in_one_stall(stall_s: float, window_s: float, lost_s: float) -> None:
    """max(0, s - W): a stall of 2.4 s through a buffer of 1 s loses 1.4 s."""
    assert fluid.replay([Stretch(seconds=stall_s, headroom=0.0, window_s=window_s)]) == pytest.approx(
        [lost_s]
    )


@pytest.mark.parametrize(
    ("stall_s", "silence_s"), [(0.1, 0.2), (0.5, 0.6), (1.5, 3.0), (3.0, 3.0), (3.1, 6.2), (0.0, 0.0)]
)
def test_tcp_stretches_a_stall(stall_s: float, silence_s: float) -> None:
    """Retries at 0.2, 0.6, 1.4, 3.0, 6.2 s: waits double (RFC 6298 5.5) from 0.2 s (common practice)."""
    assert fluid.tcp_silence_s(stall_s) == pytest.approx(silence_s)


stretches = st.lists(
    st.builds(
        Stretch,
        seconds=st.integers(0, 4000).map(lambda ms: ms / 1000),
        headroom=st.floats(0, 3),
        window_s=st.just(1.0),
    ),
    max_size=6,
)


@settings(max_examples=40)
@given(stretches)
def test_replay_agrees_with_a_simulation(found: list[Stretch]) -> None:
    """Seconds lost per stretch, to within the steps that the simulation takes."""
    assert fluid.replay(found) == pytest.approx(simulated(found), abs=0.02)


@pytest.mark.parametrize(("headroom", "bounded"), [(1.25, True), (1.24, False)])
def test_repeating_stalls(headroom: float, bounded: bool) -> None:
    """1 s in each 5 s stays bounded from a = G/(G - s) = 5/4 on, in the simulation too."""
    cycle = [
        Stretch(seconds=1.0, headroom=0.0, window_s=1.0),
        Stretch(seconds=4.0, headroom=headroom, window_s=1.0),
    ]
    assert (sum(simulated(cycle * 5)) < 0.01) is bounded
    assert (sum(fluid.replay(cycle * 1000)) < 1e-9) is bounded


@given(stretches, st.floats(0, 5))
def test_a_longer_stall_never_loses_less(found: list[Stretch], more_s: float) -> None:
    """Whatever comes before and after."""
    stall = Stretch(seconds=1.0, headroom=0.0, window_s=1.0)
    longer = Stretch(seconds=1.0 + more_s, headroom=0.0, window_s=1.0)
    before, after = found[:3], found[3:]
    assert sum(fluid.replay([*before, longer, *after])) >= sum(fluid.replay([*before, stall, *after])) - 1e-9
