"""Repeats on request against worked figures and two simulations that know nothing of the formulas."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import arq
from store.site import Transport
from tests.dashboard.judge.made import destination

STEP_S = 0.001


@pytest.mark.parametrize(("latency_s", "times"), [(0.120, 2), (0.250, 5), (0.049, 0), (0.050, 1)])
def test_how_often_a_packet_can_be_asked_for(latency_s: float, times: int) -> None:
    """RTT 40 ms and 10 ms to notice: floor(L / 50 ms), by hand."""
    assert arq.repeats(latency_s, rtt_s=0.040, notice_s=0.010) == times


def test_what_is_left_of_one_percent() -> None:
    """1 % and two repeats: 1e-6, some 5 packets an hour at 1402 a second; five repeats: none in years."""
    assert arq.unrecovered(0.01, 2) * 1402 * 3600 == pytest.approx(5.05, abs=0.01)
    assert arq.unrecovered(0.01, 5) * 1402 * 86_400 * 365 < 0.1


def test_unrecovered_against_a_simulation() -> None:
    """The second route: packets one by one, each asked for again as long as there is time."""
    chance, loss, rtt_s, notice_s, latency_s = random.Random(7), 0.2, 0.040, 0.010, 0.120
    missing, sent = 0, 60_000
    for _ in range(sent):
        late_s = 0.0  # how much later than a first try it would arrive
        while chance.random() < loss:
            late_s += rtt_s + notice_s
            if late_s > latency_s:
                missing += 1
                break
    told = arq.unrecovered(loss, arq.repeats(latency_s, rtt_s=rtt_s, notice_s=notice_s))
    assert missing / sent == pytest.approx(told, abs=4 * (told / sent) ** 0.5)  # four standard deviations


def outlasted(silence_s: float, *, latency_s: float, rtt_s: float, share: float) -> bool:
    """The second route: a packet a millisecond. Those of the silence are asked for when the first one after
    it arrives, and go out again oldest first at `share` of the rate; does each arrive before it is to be
    shown?"""
    lost = [step * STEP_S for step in range(round(silence_s / STEP_S))]
    again_s = silence_s + rtt_s
    for sent_s in lost:
        if again_s > sent_s + latency_s + 1e-9:
            return False
        again_s += STEP_S / share
    return True


@pytest.mark.parametrize(
    ("latency_s", "share", "silence_s"), [(1.5, 0.25, 0.37), (1.5, 1.0, 1.47), (0.5, 0.25, 0.12)]
)
def test_what_a_latency_outlasts(latency_s: float, share: float, silence_s: float) -> None:
    """Worked with a round trip of 30 ms: L >= RTT + b/h, so spare rate buys as much as latency."""
    assert arq.survives_s(latency_s, rtt_s=0.030, share=share) == pytest.approx(silence_s, abs=0.005)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.6, 1.0])
@pytest.mark.parametrize("latency_s", [0.2, 0.5, 1.5, 4.0])
def test_outlasting_against_a_simulation(latency_s: float, share: float) -> None:
    """10 ms less is outlasted and 10 ms more is not, packet by packet."""
    longest_s = arq.survives_s(latency_s, rtt_s=0.030, share=share)
    assert outlasted(max(0.0, longest_s - 0.010), latency_s=latency_s, rtt_s=0.030, share=share)
    assert not outlasted(longest_s + 0.010, latency_s=latency_s, rtt_s=0.030, share=share)


def test_repeats_are_limited_by_rate_and_ceiling() -> None:
    """h = min(ceiling, c/r - 1), never below 0."""
    made = destination(14_000_000, transport=Transport.ARQ, repeat_ceiling=0.25)
    assert [arq.repeat_share(made, headroom) for headroom in (0.8, 1.1, 9.0)] == pytest.approx([0, 0.1, 0.25])


def test_a_proposal_outlasts_what_is_on_record() -> None:
    """0.5 s lost at h = 0.25 and 30 ms: 2.03 s; without a silence four round trips, here what is set."""
    found = arq.propose([0.5, 0.2], rtt_s=0.030, rtt_p99_s=0.060, share=0.25, now_s=1.5)
    assert (found.latency_s, found.survives_s) == pytest.approx((2.03, 0.5), abs=1e-6)
    assert "the longest on record being 0.5 s" in found.because
    calm = arq.propose([], rtt_s=0.1, rtt_p99_s=0.15, share=0.25, now_s=0.2)
    assert calm.latency_s == pytest.approx(0.4)
    wide = arq.propose([], rtt_s=0.1, rtt_p99_s=0.9, share=0.25, now_s=0.2)
    assert wide.latency_s == pytest.approx(0.9)


def test_no_latency_helps_without_rate_to_spare() -> None:
    """What is set stays, and the proposal says that rate is what lacks; so does one that ten seconds
    limit.
    """
    found = arq.propose([1.0], rtt_s=0.030, rtt_p99_s=0.060, share=0.0, now_s=1.5)
    assert (found.latency_s, found.survives_s) == (1.5, 0.0)
    assert "no rate to spare for repeats" in found.because
    most = arq.propose([9.0], rtt_s=0.030, rtt_p99_s=0.060, share=0.25, now_s=1.5)
    assert most.latency_s == pytest.approx(10.0)
    assert "more rate to spare and not more latency" in most.because


@given(st.lists(st.floats(0.1, 5), max_size=4), st.floats(0.1, 5), st.floats(0.01, 1))
def test_a_longer_silence_never_lowers_the_latency(found: list[float], more_s: float, share: float) -> None:
    """Whatever stood on record before."""
    proposed = [
        arq.propose(each, rtt_s=0.02, rtt_p99_s=0.04, share=share, now_s=0.5).latency_s
        for each in (found, [*found, more_s])
    ]
    assert proposed[0] <= proposed[1]
