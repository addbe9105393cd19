"""What a stream plan asks of the line, at the IP layer: overheads, peaks, keyframes all at once.

The factors are sums of headers, kept as fractions. Their inputs: 1500-byte packets with IPv4 and TCP
timestamps (RFC 6349, RFC 7323); MPEG transport packets of 188 bytes with 4 of header; RTP's 12 bytes
(RFC 3550). Framing with TLS 0.4 %, stuffing and tables 2 %, control and padding 2 %, a keyframe of
eight ordinary pictures: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache

from store.site import Destination, Transport

FACTORS = {
    # framing and TLS, then 1448 bytes in a packet of 1500
    Transport.TCP: Fraction(1004, 1000) * Fraction(1500, 1448),
    # 184 in 188, stuffing, then 7 x 188 = 1316 with 16 of its own, 8 of UDP and 20 of IPv4
    Transport.ARQ: Fraction(188, 184) * Fraction(102, 100) * Fraction(1360, 1316),
    # 1200 with RTP 12, extensions 12, authentication 10, UDP and IPv4 28; control and padding
    Transport.RTP: Fraction(1262, 1200) * Fraction(102, 100),
}

KEYFRAME_SIZE_RATIO = 8  # a keyframe is as large as so many ordinary pictures; common practice, no source


def demand_bps(destination: Destination, *, loss_ratio: float = 0.0) -> int:
    """Mean demand at the IP layer; ARQ repeats what `loss_ratio` of its packets lose, up to its ceiling."""
    repeats = min(loss_ratio, destination.repeat_ceiling) if destination.transport is Transport.ARQ else 0.0
    return math.ceil(_base_bps(destination) * (1 + Fraction(repeats)))


def peak_bps(destination: Destination) -> int:
    """Peak demand at the IP layer: the encoder's peak, or for ARQ its repeats at their ceiling if more."""
    factor = destination.peak_factor
    if destination.transport is Transport.ARQ:
        factor = max(factor, 1 + destination.repeat_ceiling)
    return math.ceil(_base_bps(destination) * Fraction(factor))


def keyframe_bytes(destination: Destination) -> int:
    """The size of one keyframe: with f pictures a second, one key each g seconds, q times an ordinary
    picture, that one has P = R g / (f g - 1 + q) bits and the keyframe q P."""
    pictures = destination.frames_per_second * destination.keyframe_s
    ordinary_bits = destination.video_bps * destination.keyframe_s / (pictures - 1 + KEYFRAME_SIZE_RATIO)
    return round(KEYFRAME_SIZE_RATIO * ordinary_bits / 8)


def together(destinations: Sequence[Destination], *, loss_ratio: float = 0.0) -> tuple[int, int, int]:
    """Demand and peak in bit/s, and the bytes of one keyframe of each at the same instant."""
    return _together(tuple(destinations), loss_ratio)


@lru_cache(maxsize=1024)  # a page asks some thirty different things a thousand times, and fractions are slow
def _together(destinations: tuple[Destination, ...], loss_ratio: float) -> tuple[int, int, int]:
    return (
        sum(demand_bps(one, loss_ratio=loss_ratio) for one in destinations),
        sum(peak_bps(one) for one in destinations),
        sum(keyframe_bytes(one) for one in destinations),
    )


def _base_bps(destination: Destination) -> Fraction:
    return (destination.video_bps + destination.audio_bps) * FACTORS[destination.transport]
