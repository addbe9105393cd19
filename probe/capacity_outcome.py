"""What a capacity run found: both ends' reports as one record. Pure.

The result is what arrived in the best second (RFC 9097 section 4: dt) that kept to the loss bound, copies
left out. The standard asks for a bound and names none, so it is ours: a second counts with a loss of
`LOSS_RATIO`, or with as many lost packets as the search itself takes as clean, ten in each report. Below some
20 Mb/s a line is full only where the search offers a row more than it carries, which there is a tenth of its
rate and more.

Imports store, the control messages, standing and what paced runs share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from probe import standing
from probe.bulk.pacer import packet_bytes
from probe.load_rate import FEEDBACK_NS, Thresholds
from probe.paced_outcome import OWN_DROPS, UNSENT, Ends, bins_of
from probe.rate_outcome import BIN_MS, BINS_PER_S
from probe.standing import RunFacts
from probe.wire.paced_control import PacedReceived, PacedRequest, PacedSearch
from store.capacity import CapacityRun, SearchStep, SubInterval
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Histogram
from store.layers import LayerRates, udp_framing
from store.records import Carrier, Circumstances, Direction, Limit, Stamps
from store.site import USUAL, Evidence

LOSS_RATIO = 0.1
LOST = Thresholds().sequence_errors * NS_PER_S // FEEDBACK_NS
SETTLED = 1.01  # a second that does not count may have carried this much more. Common practice, no source
_DT_MS = 1000
_US_PER_MS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """What a sub-interval may lose and still count (the PM of RFC 9097 section 4): either is enough."""

    loss_ratio: float = LOSS_RATIO
    lost: int = LOST

    def holds(self, *, lost: int, loss_ratio: float) -> bool:
        return loss_ratio <= self.loss_ratio or lost <= self.lost


def maximum(found: Sequence[SubInterval]) -> SubInterval | None:
    """The first of those with the highest rate among those that count; None when none does."""
    return max((each for each in found if each.counts), key=lambda each: each.ip_bps, default=None)


def record(
    request: PacedRequest,
    ends: Ends,
    *,
    started_unix_ns: int,
    circumstances: Circumstances,
    names: Mapping[str, str],
    rules: Evidence = USUAL,
) -> CapacityRun | None:
    """The record of a run, None where no second of it counts; `names` are its handoff and endpoint.

    The rate of the request is the most that the search was allowed.
    """
    received, sent = ends.received, ends.sent
    seconds = sub_intervals(request, ends)
    best = maximum(seconds)
    if best is None:
        return None
    search = sent.search if sent else None
    direction = Direction(request.direction)
    rates = _rates(request, received, best)
    count = max(received.expected, sent.packets if sent else 0)
    lost = max(0, count - received.packets - received.dropped_socket)
    limit = _limited_by(request, ends, circumstances, best=best, seconds=seconds, rates=rates, rules=rules)
    other_bps = circumstances.other_up_bps if direction is Direction.UP else circumstances.other_down_bps
    facts = RunFacts(
        seconds=request.seconds,
        around=circumstances,
        rules=rules,
        limits=[limit],
        goodput_bps=[rates.goodput_bps],
        other_bps=[other_bps],
        aborted=not ends.whole,
        whole_seconds=len(seconds),
        slept=ends.slept,
        clock_set=ends.clock_set,
    )
    codes = [code for code in standing.reasons(facts) if code != "short"]  # that is about TCP
    if sent is not None and sent.paused_us:
        codes.append("paused")
    if limit is Limit.UNDECIDED:
        codes.append("never_full")
    if any(not each.counts and each.ip_bps > SETTLED * best.ip_bps for each in seconds):
        codes.append("unsettled")
    thresholds = Thresholds()
    return CapacityRun(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=started_unix_ns,
        reasons=tuple(codes),
        direction=direction,
        seconds=request.seconds,
        ip_version=received.ip_version,
        payload_bytes=request.payload_bytes,
        ip_capacity_bps=best.ip_bps,
        rates=rates,
        maximum_from_ms=best.start_ms,
        maximum_loss_ratio=best.loss_ratio,
        sub_interval_ms=_DT_MS,
        sub_intervals=seconds,
        loss_ratio_bound=LOSS_RATIO,
        lost_bound=LOST,
        most_bps=request.offered_bps,
        top_bps=search.top_bps if search else None,
        congested=search.congested if search else None,
        feedback_ms=FEEDBACK_NS // NS_PER_MS,
        sequence_errors_bound=thresholds.sequence_errors,
        delay_range_low_us=thresholds.low_ns // NS_PER_US,
        delay_range_high_us=thresholds.high_ns // NS_PER_US,
        sent=count,
        received=received.packets,
        lost=lost,
        loss_ratio=round(lost / count, 9) if count else 0.0,
        duplicated=received.duplicated,
        reordered=received.reordered,
        late=received.late,
        dropped_socket=received.dropped_socket,
        dropped_host=received.dropped_host,
        burst_bytes=search.burst_bytes if search else None,
        unsent=sent.forgone + sent.refused if sent else None,
        paused_ms=sent.paused_us // _US_PER_MS if sent else None,
        pdv_us=Histogram.unpack(received.pdv) if received.pdv else Histogram(),
        timestamps=Stamps.KERNEL if received.kernel_stamps else Stamps.CLOCK,
        buffer_bytes=received.buffer_bytes,
        limited_by=limit,
        spent_bytes=max(count, received.packets) * request.payload_bytes,
        bins=bins_of(request, received),
        steps=_steps(search),
        circumstances=circumstances,
    )


def sub_intervals(
    request: PacedRequest, ends: Ends, criterion: Criterion | None = None
) -> tuple[SubInterval, ...]:
    """The whole seconds of a run from its first arrival on."""
    received, allowed = ends.received, criterion or Criterion()
    ip_bytes = packet_bytes(request.payload_bytes, received.ip_version)
    search = ends.sent.search if ends.sent else None
    found = []
    for first in range(0, len(received.bins) - BINS_PER_S + 1, BINS_PER_S):
        arrived = sum(received.bins[first : first + BINS_PER_S])
        passed = _growth(received.expected_at or (), first)
        lost = max(0, (arrived if passed is None else passed) - arrived)
        loss_ratio = round(lost / (arrived + lost), 9) if arrived + lost else 0.0
        sent = _growth(search.packets_at, first) if search else None
        low_us, high_us = _delays(received, first)
        found.append(
            SubInterval(
                start_ms=first * BIN_MS,
                ip_bps=arrived * ip_bytes * 8 * 1000 // _DT_MS,
                lost=lost,
                loss_ratio=loss_ratio,
                counts=arrived > 0 and allowed.holds(lost=lost, loss_ratio=loss_ratio),
                sent_bps=None if sent is None else sent * ip_bytes * 8 * 1000 // _DT_MS,
                unsent=_growth(search.unsent_at, first) if search else None,
                delay_low_us=low_us,
                delay_high_us=high_us,
            )
        )
    return tuple(found)


def _growth(at_ends: Sequence[int], first: int) -> int | None:
    """What a count grew in the second from bin `first` on; None where it was not told so far."""
    if len(at_ends) < first + BINS_PER_S:
        return None
    return at_ends[first + BINS_PER_S - 1] - (at_ends[first - 1] if first else 0)


def _delays(received: PacedReceived, first: int) -> tuple[int | None, int | None]:
    """The least and the largest delay of a second, over the least of the run."""
    ends = slice(first, first + BINS_PER_S)
    bases = [base for base in received.bases_us[ends] if base is not None]
    tops = zip(received.bases_us[ends], received.pdv_max_us[ends], strict=True)
    highest = [base + most for base, most in tops if base is not None and most is not None]
    return min(bases, default=None), max(highest, default=None)


def _rates(request: PacedRequest, received: PacedReceived, best: SubInterval) -> LayerRates:
    framing = udp_framing(payload_bytes=request.payload_bytes, ip_version=received.ip_version)
    return framing.rates(best.ip_bps * framing.payload_bytes // framing.ip_packet_bytes)


def _limited_by(
    request: PacedRequest,
    ends: Ends,
    around: Circumstances,
    *,
    best: SubInterval,
    seconds: Sequence[SubInterval],
    rates: LayerRates,
    rules: Evidence,
) -> Limit:
    """What ended the rise. Where two explanations fit, the one that spares the line is taken.

    A port's top; a receiver that lost what it had; a sender that left out more than `UNSENT` of what was due
    in the best second and let the line run dry; the line, where the search met congestion; the endpoint,
    where it had no higher rate to allow; and nothing yet, where the time was over first (RFC 9097 section
    6.5: probably an underestimate).
    """
    received, sent = ends.received, ends.sent
    up = request.direction == Direction.UP
    sender, receiver = (Limit.PROBE, Limit.ENDPOINT) if up else (Limit.ENDPOINT, Limit.PROBE)
    if around.carrier is not Carrier.LOOPBACK and _at_port_top(rates, seconds, around, rules.port_band_ratio):
        return Limit.PORT
    count = max(received.expected, sent.packets if sent else 0)
    if received.dropped_socket > OWN_DROPS * count:
        return receiver
    if sent is None or sent.search is None:
        return Limit.UNDECIDED
    ip_bits = packet_bytes(request.payload_bytes, received.ip_version) * 8
    unsent = best.unsent or 0
    due = unsent + (best.sent_bps or 0) * _DT_MS // 1000 // ip_bits
    if unsent > UNSENT * due and not _full_all_the_same(received, best, unsent=unsent):
        return sender
    if sent.search.congested:
        if received.dropped_host > OWN_DROPS * count:
            return receiver
        return Limit.PATH
    return Limit.ENDPOINT if sent.search.top_bps >= request.offered_bps else Limit.UNDECIDED


def _full_all_the_same(received: PacedReceived, best: SubInterval, *, unsent: int) -> bool:
    """Whether the line was full although the sender left packets out: it lost more than those, and no 100 ms
    of the second brought so many more than its mean that gaps cost it more than `UNSENT`.
    """
    first = best.start_ms // BIN_MS
    bins = received.bins[first : first + BINS_PER_S]
    return best.lost >= unsent and sum(bins) >= (1 - UNSENT) * BINS_PER_S * (max(bins) - 1)


def _at_port_top(
    rates: LayerRates, seconds: Sequence[SubInterval], around: Circumstances, band: float
) -> bool:
    """Whether the best second is what a port shows: the known one, or one of a class that another comes
    near.
    """
    if around.port_rate_bps is not None:
        return rates.wire_bps >= (1 - band) * around.port_rate_bps
    near = [each for each in seconds if each.ip_bps >= standing.FLAT * rates.ip_bps]
    return len(near) > 1 and any(abs(rates.wire_bps - top) <= band * top for top in standing.PORT_CLASSES_BPS)


def _steps(search: PacedSearch | None) -> tuple[SearchStep, ...]:
    return tuple(
        SearchStep(
            at_ms=step.at_us // _US_PER_MS,
            rate_bps=step.rate_bps,
            sequence_errors=step.sequence_errors,
            delay_range_us=step.delay_range_us,
        )
        for step in (search.steps if search else ())
    )
