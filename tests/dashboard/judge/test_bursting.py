"""Keyframes at one instant against worked figures, and a token bucket that counts packet by packet."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard.judge import bursting
from dashboard.judge.bursting import Bucket
from store import demand
from store.site import Destination, Transport
from tests.dashboard.judge.made import destination

PUSH = destination(6_500_000, frames_per_second=60.0)
ARCHIVE = destination(14_000_000, transport=Transport.ARQ, buffer_s=1.5)
OPENING = (PUSH, replace(PUSH, name="mirror"), ARCHIVE)
SMALL = Bucket(
    cbs_bytes=128_000, rate_bps=1_400_000_000, line_bps=10_000_000_000, drops=True, source="burst run"
)
PACKET_BYTES = 1500


@pytest.mark.parametrize(
    ("made", "kilobytes", "rate_mbps", "ms"),
    [(PUSH, 102, 18, 45), (PUSH, 102, 10, 82), (ARCHIVE, 418, 18, 186)],
)
def test_how_large_a_keyframe_is(made: Destination, kilobytes: int, rate_mbps: int, ms: int) -> None:
    """P = R g / (f g - 1 + q), I = 8 P, worked for 6.5 Mb/s at 60 and 14 Mb/s at 30 pictures a second."""
    size = demand.keyframe_bytes(made)
    assert size / 1000 == pytest.approx(kilobytes, abs=0.5)
    assert size * 8 / (rate_mbps * 1e3) == pytest.approx(ms, abs=0.6)
    assert bursting.drain_s([made], rate_mbps * 1_000_000) * 1000 == pytest.approx(
        ms * float(demand.FACTORS[made.transport]), abs=0.7
    )


@pytest.mark.parametrize("made", [PUSH, ARCHIVE, replace(PUSH, keyframe_s=1.0, frames_per_second=25.0)])
def test_a_keyframe_and_its_pictures_make_up_the_rate(made: Destination) -> None:
    """The second route: a key of eight ordinary pictures and f g - 1 of these carry what the rate carries in
    g.
    """
    key = demand.keyframe_bytes(made)
    pictures = made.frames_per_second * made.keyframe_s - 1
    assert key + pictures * key / 8 == pytest.approx(made.video_bps * made.keyframe_s / 8, rel=1e-4)


def policed(sent_bytes: int, bucket: Bucket) -> int:
    """The second route: packets at the line rate into a token bucket; bytes that found too few tokens."""
    tokens, lost = float(bucket.cbs_bytes), 0
    refill = bucket.rate_bps / (bucket.line_bps or 1) * PACKET_BYTES
    for _ in range(sent_bytes // PACKET_BYTES):
        if tokens >= PACKET_BYTES:
            tokens -= PACKET_BYTES
        else:
            lost += PACKET_BYTES
        tokens = min(bucket.cbs_bytes, tokens + refill)
    return lost


@pytest.mark.parametrize("cbs_bytes", [16_000, 128_000, 400_000, 2_000_000])
@pytest.mark.parametrize("rate_bps", [18_000_000, 600_000_000, 1_400_000_000])
def test_what_a_policer_drops_of_them(cbs_bytes: int, rate_bps: int) -> None:
    """N I (1 - CIR / line) - CBS, to within three packets."""
    bucket = replace(SMALL, cbs_bytes=cbs_bytes, rate_bps=rate_bps)
    found = bursting.aligned(OPENING, bucket)
    assert found.lost_bytes == pytest.approx(policed(found.bytes_, bucket), abs=3 * PACKET_BYTES)


@pytest.mark.parametrize(
    ("line_mbps", "rate_mbps", "cbs_bytes", "passes_bytes", "passes_ms"),
    [(1000, 500, 125_000, 250_000, 2.0), (1000, 100, 62_500, 69_444, 0.55556)],
)
def test_how_long_a_bucket_lets_the_line_rate_pass(
    line_mbps: int, rate_mbps: int, cbs_bytes: int, passes_bytes: int, passes_ms: float
) -> None:
    """t = 8 CBS / (L - CIR), the burst that RFC 9097 sections 6.5 and 8.3 warn of, worked by hand: a burst of
    that many bytes needs the whole bucket."""
    bucket = replace(SMALL, cbs_bytes=cbs_bytes, rate_bps=rate_mbps * 10**6, line_bps=line_mbps * 10**6)
    assert passes_bytes * 8 / (line_mbps * 1e3) == pytest.approx(passes_ms, rel=1e-4)
    fits = destination(
        round(6_500_000 * passes_bytes / bursting.keyframes_ip_bytes([PUSH])), frames_per_second=60.0
    )
    found = bursting.aligned([fits], bucket)
    assert found.bytes_ == pytest.approx(passes_bytes, rel=1e-4)
    assert found.needs_bytes == pytest.approx(cbs_bytes, rel=1e-4)


def test_three_keyframes_against_a_small_burst() -> None:
    """2 x 102 + 418 = 622 kB of media far above 128 kB, and 4 MB take them all."""
    assert sum(demand.keyframe_bytes(one) for one in OPENING) / 1000 == pytest.approx(622, abs=1)
    assert bursting.aligned(OPENING, SMALL).lost_bytes > 400_000
    assert bursting.aligned(OPENING, replace(SMALL, cbs_bytes=4_000_000)).lost_bytes == 0


def test_without_a_line_rate_nothing_refills() -> None:
    """The whole burst must fit."""
    found = bursting.aligned([PUSH], replace(SMALL, line_bps=None))
    assert found.needs_bytes == found.bytes_


def test_said_with_its_cure() -> None:
    """A policer loses, a shaper holds, and what nobody knows is said both ways."""
    assert "are lost every 2 s" in bursting.said(OPENING, SMALL)
    assert "wait" in bursting.said(OPENING, replace(SMALL, drops=False))
    unknown = bursting.said(OPENING, replace(SMALL, drops=None))
    assert "a policer drops" in unknown
    assert "a shaper holds" in unknown
    assert all("pace the sender" in text for text in (bursting.said(OPENING, SMALL), unknown))
