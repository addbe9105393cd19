"""Frames and send buffer: sizes against sums done by hand, drops against the fluid queue."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import fluid
from dashboard.judge.fluid import Stretch
from probe.bulk.encoder import Fate, Pattern, SendBuffer
from store import demand
from tests.dashboard.judge.made import destination

PUSH = Pattern(video_bps=6_500_000, audio_bps=0, frames_per_second=60, group=120)


@pytest.mark.parametrize(
    ("video_bps", "pictures", "group", "key_bytes", "ordinary_bytes"),
    [
        # I = q R g / (f g - 1 + q) with q = 8, by hand: 819 kb, 3.34 Mb; an ordinary picture is an eighth
        (6_500_000, 60.0, 120, 102_362, 12_795),
        (14_000_000, 30.0, 60, 417_910, 52_239),
    ],
)
def test_sizes(video_bps: int, pictures: float, group: int, key_bytes: int, ordinary_bytes: int) -> None:
    pattern = Pattern(video_bps=video_bps, audio_bps=0, frames_per_second=pictures, group=group)
    assert pattern.size_bytes(0) == pytest.approx(key_bytes, abs=1)
    assert pattern.size_bytes(group) == pytest.approx(key_bytes, abs=1)
    assert {pattern.size_bytes(frame) - ordinary_bytes for frame in range(1, group)} <= {-1, 0, 1}
    keyframe_s = group / pictures
    asked = destination(video_bps, audio_bps=0, frames_per_second=pictures, keyframe_s=keyframe_s)
    assert pattern.size_bytes(0) == pytest.approx(demand.keyframe_bytes(asked), abs=1)


@given(
    st.integers(10_000, 60_000_000),
    st.integers(0, 320_000),
    st.floats(1, 120),
    st.integers(1, 600),
)
def test_the_mean_is_exact_over_whole_groups(
    video_bps: int, audio_bps: int, per_second: float, group: int
) -> None:
    """Picture and sound of five groups, to the octet."""
    pattern = Pattern(video_bps=video_bps, audio_bps=audio_bps, frames_per_second=per_second, group=group)
    sizes = [pattern.size_bytes(frame) for frame in range(5 * group)]
    assert min(sizes) >= 0
    assert sum(sizes) == pytest.approx((video_bps + audio_bps) / 8 * 5 * group / per_second, abs=1)


@given(st.lists(st.floats(0.1, 5), min_size=1, max_size=4), st.floats(0.2, 3), st.floats(1.2, 4))
def test_dropped_by_stalls_as_the_fluid_queue_has_it(
    stalls_s: list[float], window_s: float, headroom: float
) -> None:
    """Stalls with 20 s between them, played frame by frame: what does not fit is what `fluid.replay` loses.

    Up to three frames more a stall: one stands in the buffer when it begins, it ends within one, and a buffer
    holds whole ones.
    """
    pattern = Pattern(video_bps=1_000_000, audio_bps=0, frames_per_second=60, group=1)
    buffer = SendBuffer(pattern, window_s=window_s)
    moments = [stretch for stall_s in stalls_s for stretch in ((20.0, headroom), (stall_s, 0.0))]
    backlog, frame, ends_s, dropped = 0.0, 0, 0.0, 0
    for seconds, speed in moments:
        ends_s += seconds
        while frame / 60 < ends_s:
            backlog = max(0.0, backlog - speed)
            fate = buffer.offer(frame, held=math.ceil(backlog))
            dropped += fate is Fate.DROPPED
            backlog += fate is Fate.SENT
            frame += 1
    stretches = [Stretch(seconds=seconds, headroom=speed, window_s=window_s) for seconds, speed in moments]
    assert dropped / 60 == pytest.approx(sum(fluid.replay(stretches)), abs=3 / 60 * len(stalls_s))


def test_after_a_drop_nothing_goes_until_the_next_keyframe() -> None:
    """A buffer of three frames, full at the fourth: the rest waits although there is room again."""
    pattern = Pattern(video_bps=1_000_000, audio_bps=0, frames_per_second=30, group=6)
    buffer = SendBuffer(pattern, window_s=0.1)
    held = [0, 1, 2, 3, 3, 0, 0, 0]
    fates = [buffer.offer(frame, held=count) for frame, count in enumerate(held)]
    sent, dropped, waited = Fate.SENT, Fate.DROPPED, Fate.WAITED
    assert fates == [sent, sent, sent, dropped, dropped, waited, sent, sent]


def test_a_keyframe_that_does_not_fit_makes_its_whole_group_wait() -> None:
    pattern = Pattern(video_bps=1_000_000, audio_bps=0, frames_per_second=30, group=3)
    buffer = SendBuffer(pattern, window_s=0.1)
    fates = [buffer.offer(frame, held=3 if frame == 3 else 0) for frame in range(7)]
    assert fates[3:] == [Fate.DROPPED, Fate.WAITED, Fate.WAITED, Fate.SENT]


def test_a_buffer_shorter_than_a_frame_takes_one() -> None:
    buffer = SendBuffer(PUSH, window_s=0.001)
    assert [buffer.offer(0, held=0), buffer.offer(1, held=1)] == [Fate.SENT, Fate.DROPPED]
    assert buffer.held_ms(30) == 500
