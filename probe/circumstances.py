"""What else is true while a run runs: its way out, its interface, other traffic there, both hosts' load.

Shared by the methods that move bulk traffic. What waits for the kernel runs in a thread. Imports control's
messages, linux and store.
"""

from __future__ import annotations

import asyncio
import os
import socket
from dataclasses import dataclass, replace

from probe import rate_outcome
from probe.linux import clock_state, interface
from probe.linux.interface import Counters, Interface, WayOut
from probe.rate_outcome import Moved
from probe.reach import Reach
from probe.wire.control import Hello
from store.records import Carrier, Circumstances


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic:
    """The interface's counters around a run, and what of it was the run's own. None where unknown."""

    before: Counters | None
    after: Counters | None
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


async def counters(way: WayOut | None) -> Counters | None:
    """The counters of the interface that is used."""
    return await asyncio.to_thread(interface.counters, way.interface) if way else None


def found(
    hello: Hello,
    *,
    way: WayOut | None,
    port: Interface | None,
    traffic: Traffic,
    probe_cpu_ratio: float | None,
    endpoint_cpu_ratio: float | None,
) -> Circumstances:
    """All of it as a record has it."""
    clock = clock_state.read()
    known = Circumstances(
        interface=way.interface if way else None,
        source_address=way.source if way else None,
        egress_address=hello.your_address,
        probe_cpu_ratio=probe_cpu_ratio,
        endpoint_cpu_ratio=endpoint_cpu_ratio,
        clock_synchronised=clock.synchronised,
        clock_error_us=clock.error_us,
        kernel=os.uname().release,
    )
    if port is not None:
        known = replace(
            known,
            carrier=port.carrier,
            port_rate_bps=port.port_rate_bps,
            duplex=port.duplex,
            mtu_bytes=port.mtu_bytes,
        )
    before, after = traffic.before, traffic.after
    if before is None or after is None:
        return known
    known = replace(known, interface_errors=after.errors - before.errors)
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


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET
