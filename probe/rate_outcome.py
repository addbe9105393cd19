"""What a rate run found: both ends' reports as one direction's figures. Pure.

Rate is what the receiver counted in whole 100 ms bins of the steady window; what the sender handed
to its kernel is never the result. Layers follow from the real segment size. Imports store, the
control messages and standing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probe import standing
from probe.wire.control import ReceiverReport, SenderReport
from store.clock import NS_PER_S
from store.histogram import Delays, delays_of
from store.layers import IP_BYTES, Framing, tcp_framing
from store.pace import FULL, Pace
from store.records import Bin, Carrier, Direction, Limit, RateSide
from store.site import USUAL, Evidence

BIN_MS = 100
BINS_PER_S = 1000 // BIN_MS

STARTUP_BINS = 2 * BINS_PER_S
"""The first 2 s of a run are start-up: recorded, and left out of the steady window. A run shorter than
4 s has its first half as start-up. TCP's slow start and the gaps after its first losses lie in there;
that 2 s are enough up to RTTs of about 100 ms is common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What was true of a run besides its flows; RTTs from the train beside it."""

    direction: Direction
    carrier: Carrier
    port_rate_bps: int | None
    rtt_idle_us: Delays | None
    rtt_loaded_us: Delays | None
    pace: Pace = FULL
    rules: Evidence = USUAL


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """IP-layer bytes of one run on this host's interface, or of everything there."""

    up_bytes: int
    down_bytes: int


def steady_window(bins: int) -> tuple[int, int]:
    """First bin of the steady window and the one after its last, for a run of `bins` bins."""
    return (STARTUP_BINS if bins >= 2 * STARTUP_BINS else bins // 2), bins


def whole_seconds(side: RateSide) -> int:
    """How many whole seconds the steady window holds."""
    return (side.steady_to_ms - side.steady_from_ms) // 1000


def side_of(
    received: ReceiverReport | None, sent: SenderReport | None, *, direction: Direction, around: Around
) -> RateSide | None:
    """One direction (UP or DOWN) as a record; None when no bin was counted or no segment size is known.

    Without the sender's report, which is lost when that end dies, its figures are 0 and ``unknown``,
    and nothing is said about the limit.
    """
    framing = _framing(received, sent)
    if received is None or not received.bins or framing is None:
        return None
    first, after = steady_window(len(received.bins))
    window = received.bins[first:after]
    goodput_bps = sum(window) * 8 * BINS_PER_S // len(window)
    lowest_bps = _lowest_second_bps(window)
    limit = Limit.UNDECIDED
    if sent is not None:
        limit = standing.limited_by(
            _facts(received, sent, direction, around, framing, goodput_bps, lowest_bps), around.rules
        )
    return RateSide(
        rates=framing.rates(goodput_bps),
        lowest_second_bps=lowest_bps,
        bins=tuple(Bin(start_ms=at * BIN_MS, bytes=count) for at, count in enumerate(received.bins)),
        steady_from_ms=first * BIN_MS,
        steady_to_ms=after * BIN_MS,
        received_bytes=received.received_bytes,
        mss_bytes=framing.payload_bytes,
        ip_version=framing.ip_version,
        tcp_timestamps=sent.tcp_timestamps if sent else bool(received.tcp_timestamps),
        sent_bytes=sent.sent_bytes if sent else 0,
        retransmitted_bytes=sent.retransmitted_bytes if sent else 0,
        retransmitted_ratio=_retransmitted_ratio(sent) if sent else 0.0,
        limited_by=limit,
        congestion=sent.congestion if sent else "unknown",
        tcp_rtt_us=_median(sent.rtt_us) if sent else None,
        busy_ratio=_share(sent.busy_us, sent.elapsed_us) if sent else None,
        window_limited_ratio=_share(sent.window_limited_us, sent.busy_us) if sent else None,
        buffer_limited_ratio=_share(sent.buffer_limited_us, sent.busy_us) if sent else None,
    )


def says_too_much(up: RateSide | None) -> bool:
    """Whether the endpoint counted more than this host's kernel sent to it, repeats included, or more in its
    bins than in all. What it counts too little of cannot be told from a slow line.
    """
    if up is None or not up.sent_bytes:
        return False
    counted = max(up.received_bytes, sum(one.bytes for one in up.bins))
    return counted > up.sent_bytes


def own_traffic(up: RateSide | None, down: RateSide | None) -> Moved:
    """What the run itself moved on the probe's interface, packets with headers and acknowledgements.

    Both ways it is what was sent, which is more than what was counted: a down flow is still under way
    when the receiver's time is over. An acknowledgement for every second segment is the most that
    RFC 9293 section 3.8.6.3 lets a receiver send as a rule. Taking the most spares the host, whose
    other traffic would else look larger.
    """
    up_bytes = down_bytes = 0
    if up is not None:
        framing = _framing_of(up)
        up_bytes += up.sent_bytes * framing.ip_packet_bytes // framing.payload_bytes
        down_bytes += _acknowledgement_bytes(up.received_bytes, framing)
    if down is not None:
        framing = _framing_of(down)
        moved_bytes = max(down.sent_bytes, down.received_bytes)  # the sender's report may be missing
        down_bytes += moved_bytes * framing.ip_packet_bytes // framing.payload_bytes
        up_bytes += _acknowledgement_bytes(down.received_bytes, framing)
    return Moved(up_bytes=up_bytes, down_bytes=down_bytes)


def other_bps(total_bytes: int, own_bytes: int, *, elapsed_ns: int) -> int:
    """The rate of what was not the run's own; 0 where the interface counted less than the run moved."""
    return max(0, total_bytes - own_bytes) * 8 * NS_PER_S // max(1, elapsed_ns)


def _facts(
    received: ReceiverReport,
    sent: SenderReport,
    direction: Direction,
    around: Around,
    framing: Framing,
    goodput_bps: int,
    lowest_bps: int,
) -> standing.SideFacts:
    ends = (Limit.PROBE, Limit.ENDPOINT)
    sender, receiver = ends if direction is Direction.UP else reversed(ends)
    return standing.SideFacts(
        goodput_bps=goodput_bps,
        at_most_bps=around.pace.up_bps if direction is Direction.UP else around.pace.down_bps,
        lowest_second_bps=lowest_bps,
        framing=framing,
        carrier=around.carrier,
        port_rate_bps=around.port_rate_bps,
        both_ways=around.direction is Direction.BOTH,
        sender=sender,
        receiver=receiver,
        sender_cpu_ratio=sent.cpu_ratio,
        receiver_cpu_ratio=received.cpu_ratio,
        busy_ratio=_share(sent.busy_us, sent.elapsed_us),
        window_limited_ratio=_share(sent.window_limited_us, sent.busy_us),
        buffer_limited_ratio=_share(sent.buffer_limited_us, sent.busy_us),
        rtt_idle_us=around.rtt_idle_us.p50 if around.rtt_idle_us else None,
        rtt_loaded_us=around.rtt_loaded_us.p50 if around.rtt_loaded_us else None,
    )


def _framing(received: ReceiverReport | None, sent: SenderReport | None) -> Framing | None:
    """From the sender, who knows the segment size; from the largest segment received otherwise."""
    if sent is not None and sent.mss_bytes:
        return tcp_framing(
            payload_bytes=sent.mss_bytes, ip_version=sent.ip_version, timestamps=sent.tcp_timestamps
        )
    if received is None or not received.mss_bytes or received.ip_version is None:
        return None
    return tcp_framing(
        payload_bytes=received.mss_bytes,
        ip_version=received.ip_version,
        timestamps=bool(received.tcp_timestamps),
    )


def _framing_of(side: RateSide) -> Framing:
    return tcp_framing(
        payload_bytes=side.mss_bytes, ip_version=side.ip_version, timestamps=side.tcp_timestamps
    )


def _lowest_second_bps(window: Sequence[int]) -> int:
    """The slowest whole second, counted from the window's start; 0 when it holds none."""
    seconds = [sum(window[at : at + BINS_PER_S]) for at in range(0, len(window) - BINS_PER_S + 1, BINS_PER_S)]
    return min(seconds, default=0) * 8


def _acknowledgement_bytes(received_bytes: int, framing: Framing) -> int:
    packet_bytes = framing.transport_bytes + IP_BYTES[framing.ip_version]
    return received_bytes // framing.payload_bytes // 2 * packet_bytes


def _retransmitted_ratio(sent: SenderReport) -> float:
    return _share(sent.retransmitted_bytes, sent.sent_bytes)


def _share(part: int, whole: int) -> float:
    return round(min(1.0, part / whole), 6) if whole else 0.0


def _median(samples: Sequence[int]) -> int | None:
    found = delays_of(samples)
    return found.p50 if found else None
