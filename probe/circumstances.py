"""What else is true while something is measured: its way out, the interface, other traffic there, load.

Shared by the methods. `look` before and after, `surroundings` once it is over, and `found` makes of it what
the record carries. What waits for the kernel runs in a thread. Imports control's messages, linux and store.
"""

from __future__ import annotations

import asyncio
import ipaddress
import os
import socket
from dataclasses import dataclass, replace

from probe import rate_outcome
from probe.linux import clock_state, interface, optic, pause, processors, segments
from probe.linux.interface import Counters, Interface, WayOut
from probe.linux.optic import Optic
from probe.linux.pause import Pause
from probe.linux.processors import Ticks
from probe.rate_outcome import Moved
from probe.reach import Reach
from probe.wire.control import Hello
from store.records import Carrier, Circumstances

_COARSEST_BPS = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What the kernel had counted at one moment, of the interface and of the host. None where unknown."""

    counters: Counters | None = None
    pause: Pause | None = None
    ticks: Ticks | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Where a measurement went: the way out, its port, the path MTU that the kernel knows, the optic."""

    way: WayOut | None
    port: Interface | None = None
    path_mtu_bytes: int | None = None
    optic: Optic | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic:
    """Two looks around a measurement, and what of the traffic between was its own."""

    before: Look
    after: Look
    own: Moved
    elapsed_ns: int


async def addresses(where: Reach, hello: Hello) -> list[str]:
    """The endpoint's addresses, those of the IP version that control uses first; none for an unknown name."""
    source = where.binding.source
    family = socket.AF_UNSPEC if source is None else _family(source)
    try:
        found = await asyncio.get_running_loop().getaddrinfo(
            where.invitation.host, None, family=family, type=socket.SOCK_STREAM
        )
    except OSError:
        return []
    preferred = _family(hello.your_address)
    return [str(entry[4][0]) for entry in sorted(found, key=lambda entry: entry[0] != preferred)]


async def way_out(where: Reach, address: str) -> WayOut | None:
    """How the kernel sends to this address."""
    return await asyncio.to_thread(interface.way_out, address, binding=where.binding)


async def look(way: WayOut | None) -> Look:
    """What the kernel has counted by now."""
    return await asyncio.to_thread(_look, way)


async def surroundings(where: Reach, address: str, *, light: bool = True) -> Surroundings:
    """Where a measurement to this address goes; without `light` the optic, which is slow, is not asked."""
    return await asyncio.to_thread(_surroundings, where, address, light)


def found(
    egress_address: str | None,
    *,
    where: Reach,
    around: Surroundings,
    traffic: Traffic,
    probe_cpu_ratio: float | None = None,
    endpoint_cpu_ratio: float | None = None,
    endpoint_unwell: str | None = None,
) -> Circumstances:
    """All of it as a record has it; `egress_address` is the probe's as the endpoint saw it."""
    clock, way, port = clock_state.read(), around.way, around.port
    before, after = traffic.before, traffic.after
    known = Circumstances(
        interface=way.interface if way else None,
        source_address=way.source if way else None,
        egress_address=egress_address,
        probe_cpu_ratio=probe_cpu_ratio,
        endpoint_cpu_ratio=endpoint_cpu_ratio,
        clock_synchronised=clock.synchronised,
        clock_error_us=clock.error_us,
        kernel=os.uname().release,
        left_elsewhere=elsewhere(where, way, egress_address),
        host_cpu_ratio=processors.busy_ratio(before.ticks, after.ticks),
        path_mtu_up_bytes=around.path_mtu_bytes,
        rules=where.evidence.changed(),
        endpoint_unwell=endpoint_unwell,
    )
    if port is not None:
        known = replace(
            known,
            carrier=port.carrier,
            port_rate_bps=port.port_rate_bps,
            duplex=port.duplex,
            mtu_bytes=port.mtu_bytes,
        )
    if around.optic is not None:
        known = replace(
            known,
            optic_received_nw=around.optic.received_nw,
            optic_sent_nw=around.optic.sent_nw,
            optic_temperature_mc=around.optic.temperature_mc,
        )
    if before.pause is not None and after.pause is not None:
        received = after.pause.received - before.pause.received
        sent = after.pause.sent - before.pause.sent
        if min(received, sent) >= 0:  # else they began anew
            known = replace(known, pause_received=received, pause_sent=sent)
    return _counted(known, traffic)


def elsewhere(where: Reach, way: WayOut | None, egress_address: str | None) -> str | None:
    """How it is known that a measurement did not leave by its handoff; None where nothing says so.

    The kernel's route must be by the handoff's interface, and the address that the endpoint saw one of
    those that the provider assigned, in so far as the site file names any of its IP version.
    """
    if way is not None:
        wanted = where.binding.device()
        if wanted is not None and way.interface != wanted:
            return f"the kernel sends by {way.interface}, not by {wanted}"
        if where.binding.source is not None and way.source != where.binding.source:
            return f"the kernel sends from {way.source}, not from {where.binding.source}"
    if egress_address is None:
        return None
    seen = ipaddress.ip_address(egress_address.split("%", 1)[0])
    assigned = [ipaddress.ip_network(each) for each in where.assigned]
    assigned = [each for each in assigned if each.version == seen.version]
    if not assigned or any(seen in each for each in assigned):
        return None
    return f"the endpoint saw {seen}, which is not of {', '.join(map(str, assigned))}"


def rounded(known: Circumstances) -> Circumstances:
    """The same with what changes all the time rounded, so that minutes that are alike share one text.

    Rates of other traffic to the next of 1, 2, 5, 10 and so on, none below 100 kb/s; the host's load to
    fifths; the bound of the clock's error up to a power of four, which leaves it a bound.
    """
    error_us, load = known.clock_error_us, known.host_cpu_ratio
    return replace(
        known,
        other_up_bps=_coarse(known.other_up_bps),
        other_down_bps=_coarse(known.other_down_bps),
        host_cpu_ratio=None if load is None else round(load * 5) / 5,
        clock_error_us=error_us if not error_us else 4 ** (((error_us - 1).bit_length() + 1) // 2),
    )


def _counted(known: Circumstances, traffic: Traffic) -> Circumstances:
    """With what the interface's counters say; nothing where they began anew meanwhile."""
    before, after = traffic.before.counters, traffic.after.counters
    if before is None or after is None or _anew(before, after):
        return known
    known = replace(
        known,
        interface_errors=after.errors - before.errors,
        frame_errors=after.frame_errors - before.frame_errors,
    )
    if before.carrier_changes is not None and after.carrier_changes is not None:
        known = replace(known, carrier_changes=after.carrier_changes - before.carrier_changes)
    if known.carrier is Carrier.LOOPBACK:
        return known  # it carries everybody's traffic, the endpoint's included
    own, elapsed_ns = traffic.own, traffic.elapsed_ns
    up_bytes = after.sent_bytes - before.sent_bytes
    down_bytes = after.received_bytes - before.received_bytes
    return replace(
        known,
        other_up_bps=rate_outcome.other_bps(up_bytes, own.up_bytes, elapsed_ns=elapsed_ns),
        other_down_bps=rate_outcome.other_bps(down_bytes, own.down_bytes, elapsed_ns=elapsed_ns),
    )


def _anew(before: Counters, after: Counters) -> bool:
    """Whether the interface was made anew, or its counters passed their end."""
    grown = (
        after.sent_bytes - before.sent_bytes,
        after.received_bytes - before.received_bytes,
        after.errors - before.errors,
        after.frame_errors - before.frame_errors,
        (after.carrier_changes or 0) - (before.carrier_changes or 0),
    )
    return min(grown) < 0


def _look(way: WayOut | None) -> Look:
    if way is None:
        return Look(ticks=processors.read())
    return Look(
        counters=interface.counters(way.interface),
        pause=pause.read(way.interface),
        ticks=processors.read(),
    )


def _surroundings(where: Reach, address: str, light: bool) -> Surroundings:
    way = interface.way_out(address, binding=where.binding)
    if way is None:
        return Surroundings(way=None)
    return Surroundings(
        way=way,
        port=interface.describe(way.interface),
        path_mtu_bytes=_path_mtu_bytes(where, address),
        optic=optic.read(way.interface) if light else None,
    )


def _path_mtu_bytes(where: Reach, address: str) -> int | None:
    """What the kernel knows of the way there: its interface's, less where somebody said so (ICMP)."""
    try:
        with socket.socket(_family(address), socket.SOCK_DGRAM) as sock:
            where.binding.apply(sock)
            sock.connect((address, where.invitation.port))
            return segments.path_mtu_bytes(sock)
    except OSError:
        return None


def _coarse(bps: int | None) -> int | None:
    if bps is None or bps < _COARSEST_BPS:
        return None if bps is None else 0
    unit: int = 10 ** (len(str(bps)) - 1)
    return min((unit, 2 * unit, 5 * unit, 10 * unit), key=lambda step: abs(step - bps))


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET
