"""Traffic of others on a handoff's interface: what makes a run wait, and what opens a show by itself.

Read from the interface's own byte counters, IP layer as `probe.linux.interface` gives them, less what
the handoff's trains are planned to send. That is traffic of this host, or of the house where this host
is its router; what passes by elsewhere does not show here. Loopback carries everybody's traffic and no
line, so it is never judged. The figures of the rules are common practice, no source.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from probe.allowance import packet_at_ip
from probe.linux import interface
from probe.reach import Reach
from store.clock import Clock
from store.records import Carrier, Direction
from store.site import Card, Rules, Site
from store.traffic import Reading

LOOK_S = 2.0  # how long is looked before a run
LOOK_EVERY_S = 10.0  # for shows: a stall of a few seconds still leaves a stream above the mark

_NAMED_S = 60.0  # how long a routing decision is taken for granted


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """An interface's byte counters at a moment."""

    interface: str
    carrier: Carrier
    port_rate_bps: int | None
    sent_bytes: int
    received_bytes: int


Look = Callable[[Reach], Awaitable[Seen | None]]  # None: there is no such interface or no way out


@dataclass(frozen=True, slots=True, kw_only=True)
class Others:
    """What others moved, in bit/s of IP packets."""

    up_bps: float
    down_bps: float


def trains_bps(site: Site, handoff: str) -> float:
    """What the trains of a handoff send, each way, in bit/s of IP packets."""
    return sum(train.per_second for train in site.trains if train.handoff == handoff) * packet_at_ip() * 8


def others(before: Seen | None, after: Seen | None, *, seconds: float, own_bps: float) -> Others | None:
    """What moved between two looks beyond our own `own_bps` each way; None where it cannot be said."""
    if before is None or after is None or after.interface != before.interface or seconds <= 0:
        return None
    if after.carrier is Carrier.LOOPBACK:
        return None
    sent, received = after.sent_bytes - before.sent_bytes, after.received_bytes - before.received_bytes
    if sent < 0 or received < 0:  # the interface came up anew in between
        return None
    return Others(
        up_bps=max(0.0, sent * 8 / seconds - own_bps), down_bps=max(0.0, received * 8 / seconds - own_bps)
    )


def too_busy(
    found: Others, *, direction: Direction, card: Card, port_rate_bps: int | None, rules: Rules
) -> str | None:
    """The sentence that makes a run wait, or None.

    Each direction that the run would fill is held against the card's rate, against the port's where the
    card states none; where neither is known there is nothing to hold it against.
    """
    asked = (Direction.UP, Direction.DOWN) if direction is Direction.BOTH else (direction,)
    for one_way in asked:
        moved_bps = found.up_bps if one_way is Direction.UP else found.down_bps
        rate_bps = card.rate_bps(one_way) or port_rate_bps
        if rate_bps is not None and moved_bps > rules.other_traffic_ratio * rate_bps:
            return (
                f"other traffic moved {moved_bps / 1e6:.2f} Mb/s {one_way}, more than "
                f"{rules.other_traffic_ratio * 100:g} % of {rate_bps / 1e6:g} Mb/s"
            )
    return None


@dataclass(slots=True, kw_only=True)
class Sustained:
    """Whether upload by others has lasted: tells when a show should open, and when it should close.

    Time that could not be judged counts for neither. After a show was closed by hand, upload that goes on
    does not open it again; it must have been away for as long as it takes to open one.
    """

    rules: Rules
    open: bool = False
    above_s: float = field(default=0.0, init=False)
    below_s: float = field(default=0.0, init=False)
    spent: bool = field(default=False, init=False)

    def take(self, up_bps: float, *, seconds: float) -> bool | None:
        """True when a show should open now, False when it should close, None when nothing changes."""
        if self.rules.show_upload_bps is None:
            return None
        if up_bps > self.rules.show_upload_bps:
            self.above_s, self.below_s = self.above_s + seconds, 0.0
        else:
            self.above_s, self.below_s = 0.0, self.below_s + seconds
            self.spent = self.spent and self.below_s < self.rules.show_after_s
        if not self.open and not self.spent and self.above_s >= self.rules.show_after_s:
            self.open = True
            return True
        if self.open and self.below_s >= self.rules.show_closes_after_s:
            self.open = False
            return False
        return None

    def closed_by_hand(self) -> None:
        """Somebody closed the show that this upload had opened."""
        self.open, self.spent = False, True


class Interfaces:
    """Looks at this host's interfaces; the kernel is asked now and then which one leads to an endpoint."""

    def __init__(self) -> None:
        self._named: dict[Reach, tuple[float, str | None]] = {}

    async def look(self, where: Reach) -> Seen | None:
        """The counters of the interface by which `where` is reached."""
        name = where.binding.interface or await self.name(where)
        return await asyncio.to_thread(_seen, name) if name else None

    async def read(self, where: Reach, clock: Clock) -> Reading | None:
        """The same as they are, for counting over months; None for loopback, which is no line."""
        name = where.binding.interface or await self.name(where)
        return await asyncio.to_thread(_reading, name, clock) if name else None

    async def name(self, where: Reach) -> str | None:
        """The interface that the kernel leads to an endpoint by; None without a way or a resolved name."""
        loop = asyncio.get_running_loop()
        until, name = self._named.get(where, (0.0, None))
        if loop.time() < until:
            return name
        name = None
        try:
            found = await loop.getaddrinfo(where.invitation.host, None)
        except OSError:
            found = []
        for entry in found:
            way = await asyncio.to_thread(interface.way_out, str(entry[4][0]), binding=where.binding)
            if way is not None:
                name = way.interface
                break
        self._named[where] = (loop.time() + _NAMED_S, name)
        return name


def _reading(name: str, clock: Clock) -> Reading | None:
    if interface.describe(name).carrier is Carrier.LOOPBACK:
        return None
    return interface.reading(name, unix_ns=clock.unix_ns())


def _seen(name: str) -> Seen | None:
    counted, port = interface.counters(name), interface.describe(name)
    if counted is None:
        return None
    return Seen(
        interface=name,
        carrier=port.carrier,
        port_rate_bps=port.port_rate_bps,
        sent_bytes=counted.sent_bytes,
        received_bytes=counted.received_bytes,
    )
