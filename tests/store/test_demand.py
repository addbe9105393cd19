"""Overheads, peaks and keyframes against sums done by hand from header sizes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import demand
from store.site import Transport
from tests.dashboard.judge.made import destination


@pytest.mark.parametrize(
    ("transport", "factor"),
    [
        (Transport.TCP, 1.004 * 1500 / 1448),  # 1.040
        (Transport.ARQ, 188 / 184 * 1.02 * 1360 / 1316),  # 1.077
        (Transport.RTP, (1200 + 12 + 12 + 10 + 28) / 1200 * 1.02),  # 1.073
    ],
)
def test_factors(transport: Transport, factor: float) -> None:
    """Computed, not rounded: framing and TLS, transport stream and stuffing, RTP and control."""
    assert float(demand.FACTORS[transport]) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(("transport", "factor"), [("tcp", 1.040), ("arq", 1.077), ("rtp", 1.073)])
def test_factors_as_a_table_prints_them(transport: str, factor: float) -> None:
    """To three decimals."""
    assert round(float(demand.FACTORS[Transport(transport)]), 3) == factor


def test_repeats_on_request_over_ipv4() -> None:
    """7 transport packets of 188 bytes (RFC 2250 section 2) behind 16 bytes, UDP and IPv4: 1360 bytes of IP
    for 1316, so 6 Mb/s become 6.2006 (the 16 by an individual internet-draft of such a transport)."""
    container = 188 / 184 * 1.02
    assert float(demand.FACTORS[Transport.ARQ]) / container == pytest.approx(1.033435, abs=1e-6)
    assert 6e6 * float(demand.FACTORS[Transport.ARQ]) / container == pytest.approx(6.2006e6, abs=50)


@pytest.mark.parametrize(("loss", "repeated"), [(0.001, 0.001001), (0.01, 0.010101), (0.02, 0.020408)])
def test_what_is_repeated(loss: float, repeated: float) -> None:
    """1/(1-p) - 1 where repeats may be lost too; a demand has p, which is less by p squared."""
    made = destination(6_000_000, transport=Transport.ARQ)
    share = demand.demand_bps(made, loss_ratio=loss) / demand.demand_bps(made) - 1
    assert 1 / (1 - loss) - 1 == pytest.approx(repeated, abs=1e-6)
    assert repeated - 1.1 * loss**2 < share < repeated + 1e-6


def test_one_class() -> None:
    """1080p30 at 4.5 + 0.16: 4.85 Mb/s; 720p30 at 2.5 + 0.128: 2.73."""
    rescue = destination(2_500_000, audio_bps=128_000)
    assert demand.demand_bps(destination(4_500_000)) / 1e6 == pytest.approx(4.85, abs=0.005)
    assert demand.demand_bps(rescue) / 1e6 == pytest.approx(2.73, abs=0.005)


def test_three_destinations() -> None:
    """2 x 6.66 x 1.040 + 14.16 x 1.077 = 29.1; peak 13.85 x 1.1 + 15.25 x 1.25 = 34.3 Mb/s; keyframes
    2 x 102 + 418 = 622 KB."""
    push = destination(6_500_000, frames_per_second=60.0)
    arq = destination(14_000_000, transport=Transport.ARQ, buffer_s=1.5)
    needs, peak, keyframes = demand.together([push, push, arq])
    assert needs / 1e6 == pytest.approx(29.1, abs=0.05)
    assert peak / 1e6 == pytest.approx(34.3, abs=0.05)
    assert keyframes / 1000 == pytest.approx(622, abs=1)


@pytest.mark.parametrize(
    ("video_bps", "pictures", "bytes_", "rate_bps", "drain_s"),
    [
        (6_500_000, 60.0, 102e3, 18e6, 0.045),
        (6_500_000, 60.0, 102e3, 10e6, 0.082),
        (14_000_000, 30.0, 418e3, 18e6, 0.186),
    ],
)
def test_keyframes(video_bps: int, pictures: float, bytes_: float, rate_bps: float, drain_s: float) -> None:
    """I = q R g / (f g - 1 + q) with q = 8, g = 2 s: sizes and drain times by hand."""
    size = demand.keyframe_bytes(destination(video_bps, frames_per_second=pictures))
    assert size == pytest.approx(bytes_, rel=0.005)
    assert size * 8 / rate_bps == pytest.approx(drain_s, abs=0.001)


def test_pictures_and_keyframes_add_up_to_the_rate() -> None:
    """One keyframe and the 59 ordinary pictures of an interval carry the video rate of 2 s."""
    made = destination(4_500_000)
    key = demand.keyframe_bytes(made)
    assert key + 59 * key / demand.KEYFRAME_SIZE_RATIO == pytest.approx(4_500_000 * 2 / 8, rel=1e-5)


@given(st.integers(1, 50_000_000), st.sampled_from(Transport), st.floats(0, 1), st.floats(0, 1))
def test_more_loss_never_lowers_a_demand(
    video_bps: int, transport: Transport, loss: float, other: float
) -> None:
    """Nor does it take the demand above the peak."""
    made = destination(video_bps, transport=transport)
    low, high = sorted((loss, other))
    demands = [demand.demand_bps(made, loss_ratio=ratio) for ratio in (low, high)]
    assert demands[0] <= demands[1] <= demand.peak_bps(made)
