"""What a paced run found: both ends' reports as one record. Pure.

Rate is what the receiver counted in whole 100 ms bins of the steady window, copies left out. What arrived and
found the receiver's own buffer full is no loss of the line, and makes the run void where it is more than
`OWN_DROPS`; so does a sender that left out more than `UNSENT` of what was due. Imports store, the control
messages, standing and rate_outcome.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from probe import rate_outcome, standing
from probe.bulk.pacer import packet_bytes
from probe.rate_outcome import BIN_MS, BINS_PER_S, Moved
from probe.standing import RunFacts
from probe.wire.paced_control import PacedReceived, PacedRequest, PacedSent
from store.errors import BadMessage
from store.histogram import Histogram
from store.layers import LayerRates, udp_framing
from store.paced import PacedBin, PacedRun
from store.records import Carrier, Circumstances, Direction, Limit, Stamps
from store.site import USUAL, Evidence

STARTUP_BINS = 5
"""The first 0.5 s are left out of the steady figure: a shaper's burst credit stands before 0.3 s (measured on
tbf). A run shorter than 1 s has its first half as start-up."""

OWN_DROPS = 0.0001  # of what was sent: the least loss ratio that contracts name. Common practice, no source
UNSENT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """A run as both ends told it. `whole` when it ran its time at both; without the sender's report its count
    is the largest number seen, and nothing is said of its rate and bursts. `slept` and `clock_set` are of the
    probe's host meanwhile."""

    received: PacedReceived
    sent: PacedSent | None
    whole: bool
    slept: bool = False
    clock_set: bool = False


def record(
    request: PacedRequest,
    ends: Ends,
    *,
    started_unix_ns: int,
    circumstances: Circumstances,
    names: Mapping[str, str],
    rules: Evidence = USUAL,
) -> PacedRun:
    """The record of a run of which at least one packet arrived; `names` are its handoff and endpoint."""
    received, sent = ends.received, ends.sent
    direction = Direction(request.direction)
    count = max(received.expected, sent.packets if sent else 0)
    lost = max(0, count - received.packets - received.dropped_socket)
    first, after = steady_window(len(received.bins))
    rates = _rates(request, received, first, after)
    limit = _limited_by(request, ends, circumstances, lost=lost, rates=rates, band=rules.port_band_ratio)
    other_bps = circumstances.other_up_bps if direction is Direction.UP else circumstances.other_down_bps
    facts = RunFacts(
        seconds=request.seconds,
        around=circumstances,
        rules=rules,
        limits=[limit or Limit.UNDECIDED],
        goodput_bps=[rates.goodput_bps],
        other_bps=[other_bps],
        aborted=not ends.whole,
        whole_seconds=(after - first) // BINS_PER_S,
        slept=ends.slept,
        clock_set=ends.clock_set,
    )
    found = [code for code in standing.reasons(facts) if code != "short"]  # that is about TCP
    if sent is not None and sent.paused_us:
        found.append("paused")
    ip_bytes = packet_bytes(request.payload_bytes, received.ip_version)
    return PacedRun(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=started_unix_ns,
        reasons=tuple(found),
        direction=direction,
        seconds=request.seconds,
        ip_version=received.ip_version,
        payload_bytes=request.payload_bytes,
        offered_bps=request.offered_bps,
        sent_bps=round(sent.packets * ip_bytes * 8_000_000 / sent.elapsed_us) if sent else None,
        rates=rates,
        steady_from_ms=first * BIN_MS,
        steady_to_ms=after * BIN_MS,
        sent=count,
        received=received.packets,
        lost=lost,
        loss_ratio=round(lost / count, 9) if count else 0.0,
        duplicated=received.duplicated,
        reordered=received.reordered,
        late=received.late,
        dropped_socket=received.dropped_socket,
        dropped_host=received.dropped_host,
        burst_us=sent.burst_us if sent else None,
        burst_bytes=sent.burst_us * request.offered_bps // 8_000_000 if sent else None,
        segments=sent.segments if sent else None,
        unsent=sent.forgone + sent.refused if sent else None,
        paused_ms=sent.paused_us // 1000 if sent else None,
        pdv_us=Histogram.unpack(received.pdv) if received.pdv else Histogram(),
        timestamps=Stamps.KERNEL if received.kernel_stamps else Stamps.CLOCK,
        buffer_bytes=received.buffer_bytes,
        limited_by=limit,
        spent_bytes=max(count, received.packets) * request.payload_bytes,
        bins=bins_of(request, received),
        circumstances=circumstances,
    )


def steady_window(bins: int) -> tuple[int, int]:
    """First bin of the steady window and the one after its last, for a run of `bins` bins."""
    return (STARTUP_BINS if bins >= 2 * STARTUP_BINS else bins // 2), bins


def own_traffic(request: PacedRequest, ends: Ends) -> Moved:
    """What the run itself moved on the probe's interface at the IP layer."""
    received, sent = ends.received, ends.sent
    ip_bytes = packet_bytes(request.payload_bytes, received.ip_version)
    if request.direction == Direction.UP:
        return Moved(up_bytes=(sent.packets if sent else received.expected) * ip_bytes, down_bytes=0)
    arrived = received.packets + received.duplicated + received.dropped_socket
    return Moved(up_bytes=0, down_bytes=arrived * ip_bytes)


def is_whole(received: PacedReceived) -> bool:
    """Whether a far end's lists speak of the same bins, and its delays can be read."""
    each = (received.bins, received.bases_us, received.pdv_p99_us, received.pdv_max_us)
    try:
        if received.pdv:
            Histogram.unpack(received.pdv)
    except BadMessage:
        return False
    return len({len(one) for one in each}) == 1


def bins_of(request: PacedRequest, received: PacedReceived) -> tuple[PacedBin, ...]:
    """What arrived in each 100 ms, and its delay."""
    delays = zip(received.bases_us, received.pdv_p99_us, received.pdv_max_us, strict=True)
    return tuple(
        PacedBin(
            start_ms=at * rate_outcome.BIN_MS,
            bytes=packets * request.payload_bytes,
            base_us=base,
            pdv_p99_us=p99,
            pdv_max_us=most,
        )
        for at, (packets, (base, p99, most)) in enumerate(zip(received.bins, delays, strict=True))
    )


def _rates(request: PacedRequest, received: PacedReceived, first: int, after: int) -> LayerRates:
    framing = udp_framing(payload_bytes=request.payload_bytes, ip_version=received.ip_version)
    packets = sum(received.bins[first:after])
    return framing.rates(packets * request.payload_bytes * 8 * BINS_PER_S // max(1, after - first))


def _limited_by(
    request: PacedRequest, ends: Ends, around: Circumstances, *, lost: int, rates: LayerRates, band: float
) -> Limit | None:
    """What kept packets from arriving; None when all that were due were sent and arrived.

    Where two explanations fit, the one that spares the line is taken: a port's top, then the receiver, which
    lost what it had, then the sender, then the path.
    """
    received, sent = ends.received, ends.sent
    up = request.direction == Direction.UP
    sender, receiver = (Limit.PROBE, Limit.ENDPOINT) if up else (Limit.ENDPOINT, Limit.PROBE)
    unsent = sent.forgone + sent.refused if sent else 0
    due = unsent + (sent.packets if sent else received.expected)
    short = unsent > UNSENT * due
    if (
        (lost or short)
        and around.carrier is not Carrier.LOOPBACK
        and _at_port_top(rates, received, around, band)
    ):
        return Limit.PORT
    if received.dropped_socket > OWN_DROPS * due or (lost and received.dropped_host > OWN_DROPS * due):
        return receiver
    if short:
        return sender
    return Limit.PATH if lost else None


def _at_port_top(rates: LayerRates, received: PacedReceived, around: Circumstances, band: float) -> bool:
    """Whether the rate is what a port shows: the known one, or one of a class where it is flat."""
    if around.port_rate_bps is not None:
        return rates.wire_bps >= (1 - band) * around.port_rate_bps
    first, after = steady_window(len(received.bins))
    window = received.bins[first:after]
    seconds = [sum(window[at : at + BINS_PER_S]) for at in range(0, len(window) - BINS_PER_S + 1, BINS_PER_S)]
    mean = sum(window) * BINS_PER_S / max(1, len(window))
    flat = bool(seconds) and min(seconds) >= standing.FLAT * mean
    return flat and any(abs(rates.wire_bps - top) <= band * top for top in standing.PORT_CLASSES_BPS)
