"""The records of the practice site's acceptance week: size sweeps, bursts, long runs, path MTU, a failover.

Figures are those that a limit at the script's layer, and a bucket of the script's size, give. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, tzinfo

from probe.practice.history.making import drawn, goodput_of, instant, run, side, wired
from probe.practice.history.script import NewCircuit
from store.bursts import Burst, BurstRun, Fate, Limiter
from store.failovers import Break, Failover, Failure, Watched
from store.layers import ETHERNET_BYTES, IP_BYTES, UDP_BYTES, WIRE_BYTES, LayerRates
from store.paced import PacedPart
from store.path_mtu import Beyond, FamilyMtu, PathMtu
from store.records import Circumstances, Direction, Limit, RateRun, Record, Stamps
from store.sizes import FRAMES_BYTES, Counted, Size, SizesRun

_A_BPS, _B_BPS = 600e6, 1.4e9
_SIZE_S, _LONG_S = 60, 900
_PORTS = {"A": ("enp5s0", 1_000_000_000), "B": ("enp6s0", 10_000_000_000)}
_BURSTS = {"A": 2_060_000, "B": 4_110_000}  # a little more than the contract states
_REPEATED = (1, 4, 7)  # days after handover: before and after something was mended


def day(circuit: NewCircuit, which: date, where: tzinfo) -> Iterator[Record]:
    """What was tested on a day of the week after the handover."""
    nth = (which - circuit.first).days
    if nth in _REPEATED:
        for place, handoff in enumerate(("A", "B")):
            at_ns = instant(which, (9 + 3 * place) * 3600, where)
            for direction in (Direction.UP, Direction.DOWN):
                later_ns = at_ns + (0 if direction is Direction.UP else 3600) * 1_000_000_000
                yield _sizes(circuit, handoff, direction, which, later_ns)
                yield _burst(circuit, handoff, direction, which, later_ns + 180 * 1_000_000_000)
                yield _quarter(circuit, handoff, direction, which, later_ns + 900 * 1_000_000_000)
            yield _mtu(handoff, at_ns + 5400 * 1_000_000_000)
    if nth == 1 and circuit.failover_s is not None:
        yield _failover(circuit.failover_s, instant(which, 16 * 3600, where))


def _around(handoff: str) -> Circumstances:
    return wired(*_PORTS[handoff])


def _limit(circuit: NewCircuit, handoff: str, which: date) -> tuple[float, int]:
    """(rate of the limit, bytes that it counts beside each IP packet)."""
    until = circuit.wrong_layer_until
    if handoff == "A" and until is not None and which < until:
        return _A_BPS, ETHERNET_BYTES + WIRE_BYTES
    return (_A_BPS if handoff == "A" else _B_BPS), ETHERNET_BYTES


def _rates(ip_bps: float, ip_bytes: int) -> LayerRates:
    payload = ip_bytes - IP_BYTES[4] - UDP_BYTES
    return LayerRates(
        goodput_bps=round(ip_bps * payload / ip_bytes),
        ip_bps=round(ip_bps),
        ethernet_bps=round(ip_bps * (ip_bytes + ETHERNET_BYTES) / ip_bytes),
        wire_bps=round(ip_bps * (ip_bytes + ETHERNET_BYTES + WIRE_BYTES) / ip_bytes),
    )


def _sizes(circuit: NewCircuit, handoff: str, direction: Direction, which: date, at_ns: int) -> SizesRun:
    limit_bps, beside = _limit(circuit, handoff, which)
    offered = round(limit_bps * 1.1)
    sizes = []
    for nth, frame in enumerate(FRAMES_BYTES):
        ip_bytes = frame - ETHERNET_BYTES
        passed = limit_bps * ip_bytes / (ip_bytes + beside)
        sent = round(offered / 8 / ip_bytes * _SIZE_S)
        received = round(passed / 8 / ip_bytes * _SIZE_S)
        part = PacedPart(
            direction=direction,
            started_unix_ns=at_ns + nth * 63_000_000_000,
            payload_bytes=ip_bytes - IP_BYTES[4] - UDP_BYTES,
            offered_bps=offered,
            sent_bps=offered,
            rates=_rates(passed, ip_bytes),
            error_ratio=0.0005,
            sent=sent,
            received=received,
            lost=sent - received,
            loss_ratio=(sent - received) / sent,
            reordered=0,
            unsent=0,
            dropped_socket=0,
            queue_us=300,
            limited_by=Limit.PATH,
        )
        sizes.append(Size(frame_bytes=frame, used=True, part=part))
    counted = Counted.ETHERNET if beside == ETHERNET_BYTES else Counted.WIRE
    return SizesRun(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=at_ns,
        direction=direction,
        seconds=float(_SIZE_S),
        ip_version=4,
        offered_bps=offered,
        counted=counted,
        because=f"what passed of every size fits {beside} bytes beside each IP packet",
        overhead_bytes=float(beside),
        bound_bytes=0.6,
        limit_bps=round(limit_bps),
        sizes=tuple(sizes),
        spent_bytes=sum(size.part.received * size.part.payload_bytes for size in sizes),
        circumstances=_around(handoff),
    )


def _burst(circuit: NewCircuit, handoff: str, direction: Direction, which: date, at_ns: int) -> BurstRun:
    until = circuit.small_burst_until
    small = handoff == "B" and direction is Direction.UP and until is not None and which < until
    bucket = circuit.burst_bytes if small else _BURSTS[handoff]
    rate_bps = (_A_BPS if handoff == "A" else _B_BPS) * 1500 / 1518
    line_bps = round(_PORTS[handoff][1] * 1500 / 1538)
    whole = round(bucket / (1 - rate_bps / line_bps)) * 1500 // 1518
    bursts, size = [], 24_000
    while size <= 12_000_000:
        sent = size // 1500
        passed = min(sent, whole // 1500)
        bursts.append(
            Burst(
                sent=sent,
                received=passed,
                lost=sent - passed,
                fate=Fate.PASSED if passed == sent else Fate.DROPPED,
                undisturbed_bytes=passed * 1500,
                line_bps=line_bps,
                rate_bps=round(rate_bps) if passed < sent else None,
                committed_bytes=bucket * 1500 // 1518 if passed < sent else None,
                bound_bytes=6_000 if passed < sent else None,
            )
        )
        size *= 2
    return BurstRun(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=at_ns,
        direction=direction,
        ip_version=4,
        payload_bytes=1472,
        idle_s=2.0,
        most_bytes=12_000_000,
        limiter=Limiter.POLICER,
        because="what was more than the bucket was lost at once, and nothing was held",
        undisturbed_bytes=whole,
        committed_bytes=bucket * 1500 // 1518,
        committed_ethernet_bytes=bucket,
        bound_bytes=6_000,
        rate_bps=round(rate_bps),
        line_bps=line_bps,
        bursts=tuple(bursts),
        dropped_socket=0,
        timestamps=Stamps.KERNEL,
        spent_bytes=sum(burst.received for burst in bursts) * 1472,
        circumstances=_around(handoff),
    )


def _quarter(circuit: NewCircuit, handoff: str, direction: Direction, which: date, at_ns: int) -> RateRun:
    """A quarter of an hour at full rate in frames of 1518 bytes: the contract's own test."""
    limit_bps, beside = _limit(circuit, handoff, which)
    ethernet_bps = limit_bps * (1500 + ETHERNET_BYTES) / (1500 + beside)
    chance = drawn("quarter", handoff, direction, which)
    made = side(goodput_of(ethernet_bps, 4), seconds=_LONG_S, chance=chance, repeats=0.00005)
    return run(
        handoff=handoff,
        endpoint="north",
        started_ns=at_ns,
        seconds=_LONG_S,
        up=made if direction is Direction.UP else None,
        down=made if direction is Direction.DOWN else None,
        idle_us=6_200,
        loaded_us=6_600,
        circumstances=_around(handoff),
    )


def _mtu(handoff: str, at_ns: int) -> PathMtu:
    family = {"interface_bytes": 1500, "up_bytes": 1500, "down_bytes": 1500, "beyond": Beyond.INTERFACE}
    return PathMtu(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=at_ns,
        seconds=12.0,
        found=tuple(FamilyMtu(ip_version=version, probes=18, **family) for version in (4, 6)),  # type: ignore[arg-type]
        spent_bytes=54_000,
        circumstances=_around(handoff),
    )


def _failover(seconds: float, at_ns: int) -> Failover:
    """A is pulled after 20 s and put back after 90; the router needs its time to notice."""
    without_ms, failed_ms, back_ms = round(seconds * 1000), 20_000, 110_000
    gone = Break(
        from_ms=failed_ms, last_ms=failed_ms - 20, until_ms=back_ms, due=4500, lost_unattributed=4500
    )
    routed = Break(
        from_ms=failed_ms,
        last_ms=failed_ms - 20,
        until_ms=failed_ms + without_ms,
        due=without_ms // 20,
        lost_unattributed=without_ms // 20,
    )
    return Failover(
        handoff="A",
        endpoint="north",
        started_unix_ns=at_ns,
        backup="B",
        seconds=180.0,
        per_second=50.0,
        ip_version=4,
        failure=Failure.CLEAN,
        because="the port lost its carrier in the same second",
        switched=True,
        failed_ms=failed_ms,
        carrier_lost_ms=failed_ms + 4,
        carrier_back_ms=back_ms - 1_500,
        last_ms=failed_ms - 14,
        first_ms=failed_ms + without_ms,
        without_ms=without_ms + 14,
        lost_switching=without_ms // 20,
        egress_before="198.51.100.42",
        egress_after="203.0.113.66",
        main_back_ms=back_ms,
        returned_ms=back_ms + 30_000,
        lost_returning=0,
        main=Watched(
            egress_address="198.51.100.42", due=9000, lost_unattributed=4500, rtt_p50_us=6_300, breaks=(gone,)
        ),
        other=Watched(egress_address="203.0.113.66", due=9000, rtt_p50_us=6_300),
        routed=Watched(
            egress_address="198.51.100.42",
            due=9000,
            lost_unattributed=without_ms // 20,
            rtt_p50_us=6_300,
            breaks=(routed,),
        ),
        spent_bytes=27_000 * 2 * 180,
    )
