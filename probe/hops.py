"""The first routers on the way to an endpoint, asked at a low rate whether packets come that far and back.

A UDP packet whose TTL (hop limit) runs out at a router makes that router send ICMP time exceeded (RFC 1812
section 4.3.3.1 asks it to limit how often); the error queue hands it to a program without privileges. One
socket a TTL, so that each router is always asked by the same flow and packets that a router spreads over
several ways do not spread.

A Linux router answers one address six times at once and then once a second (net.ipv4.icmp_ratelimit 1000
ms; its documentation in the kernel's ip-sysctl). What is sent here stays below that: a packet every `every_s`
to each TTL and, while one that usually answers keeps an answer back, up to `extras` more at 0.2 s, which
come back at `refill_per_s`. Limits of other routers are not known, so a missing answer is no evidence by
itself; what it may mean is not judged here.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from probe.linux import error_queue, timestamps
from probe.linux.error_queue import Icmp, Told
from probe.reach import Binding, Reach
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.records import Failed, Owner
from store.site import HopPlan

WAIT_S = 3.0  # for an answer; as long as a train's packet is waited for
PORT = 47_864  # where nobody listens: the two ports before it are an endpoint's

_TICK_S = 0.1
_LOOK_UP_EVERY_S = 600.0
_EXTRA_EVERY_NS = 200 * NS_PER_MS
_OVERDUE_NS = 150 * NS_PER_MS  # beyond what is usual
_RECENT = 20
_TRUSTED = 0.6  # share of recent answers that makes a missing one remarkable
_PAYLOAD = struct.Struct("!Q24x")
_QUOTED_BYTES = 8
_DATAGRAM_BYTES = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One packet: when it left and what came back. `rtt_us` is None for no answer within `WAIT_S`.

    `reached` is True when the packet came through to the endpoint's host itself.
    """

    ttl: int
    sent_unix_ns: int
    rtt_us: int | None
    sender: str
    reached: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How often is asked; `packets` to each TTL at most, None for no end."""

    every_s: float = 1.25
    extras: int = 4
    refill_per_s: float = 0.2
    packets: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Where packets are addressed to, and how they leave."""

    family: socket.AddressFamily
    address: tuple[Any, ...]  # of the socket module, with the port
    binding: Binding

    @property
    def ip_version(self) -> int:
        return 6 if self.family == socket.AF_INET6 else 4


async def way_to(where: Reach) -> Way | Failed:
    """The address that trains to this endpoint go to, looked up now."""
    source, host = where.binding.source, where.invitation.host
    family = socket.AF_UNSPEC if source is None else socket.AF_INET6 if ":" in source else socket.AF_INET
    try:
        found = await asyncio.get_running_loop().getaddrinfo(
            host, PORT, family=family, type=socket.SOCK_DGRAM
        )
    except OSError:
        return Failed(
            what="find hops",
            why=f"the name {host} does not resolve",
            whose=Owner.UNKNOWN,
            handoff=where.handoff,
            endpoint=where.endpoint,
        )
    return Way(family=found[0][0], address=found[0][4], binding=where.binding)


@dataclass(slots=True, kw_only=True, eq=False)
class _Hop:
    """One TTL: its socket, what is under way, and how it has answered lately."""

    ttl: int
    sock: socket.socket
    due_ns: int
    extras: float
    sent: int = 0
    sent_ns: int = 0  # the last one
    pending: dict[int, tuple[int, int]] = field(default_factory=dict)  # number -> (monotonic, Unix) ns
    answers: deque[bool] = field(default_factory=lambda: deque(maxlen=_RECENT))
    rtts_ns: deque[int] = field(default_factory=lambda: deque(maxlen=_RECENT))

    def overdue(self, now_ns: int) -> bool:
        """Whether an answer is missing that should have come by now."""
        if len(self.answers) < 3 or sum(self.answers) < _TRUSTED * len(self.answers) or not self.rtts_ns:
            return False
        latest_ns = now_ns - _OVERDUE_NS - round(median(self.rtts_ns))
        return any(sent_ns < latest_ns for sent_ns, _ in self.pending.values())


class HopWatch:
    """Asks the routers at `ttls` on a way, from `start` until `close`; `take` gets each packet's outcome.

    A TTL at which the endpoint itself answers, and those above, are asked no more. `start` raises OSError
    when this host cannot send that way.
    """

    def __init__(
        self, way: Way, clock: Clock, *, ttls: range, pace: Pace, take: Callable[[Asked], None]
    ) -> None:
        self._way, self._clock, self._pace, self._take = way, clock, pace, take
        self._ttls = ttls
        self._hops: list[_Hop] = []
        self._timer: asyncio.TimerHandle | None = None
        self._ticked_ns = 0
        self._stopped = False

    def start(self) -> None:
        """Ask from now on, one TTL after the other within each `every_s`."""
        now_ns = self._ticked_ns = self._clock.monotonic_ns()
        try:
            for place, ttl in enumerate(self._ttls):
                due_ns = now_ns + round(place * self._pace.every_s * NS_PER_S / len(self._ttls))
                self._hops.append(
                    _Hop(ttl=ttl, sock=self._socket(ttl), due_ns=due_ns, extras=self._pace.extras)
                )
        except OSError:
            self.close()
            raise
        loop = asyncio.get_running_loop()
        for hop in self._hops:
            loop.add_reader(hop.sock, self._read, hop)
        self._tick()

    def stop(self) -> None:
        """Ask no more; answers are still taken, and what has none is told of after `WAIT_S`."""
        self._stopped = True

    def close(self) -> None:
        """Let go; what has no answer so far is not told of."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        for hop in self._hops:
            self._drop(hop)
        self._hops.clear()

    def _socket(self, ttl: int) -> socket.socket:
        sock = socket.socket(self._way.family, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            self._way.binding.apply(sock)
            timestamps.prepare(sock, transmit=False, ttl=ttl)
            error_queue.prepare(sock)
        except OSError:
            sock.close()
            raise
        return sock

    def _drop(self, hop: _Hop) -> None:
        asyncio.get_running_loop().remove_reader(hop.sock)
        hop.sock.close()

    # Sending

    def _tick(self) -> None:
        now_ns = self._clock.monotonic_ns()
        refill = (now_ns - self._ticked_ns) / NS_PER_S * self._pace.refill_per_s
        self._ticked_ns = now_ns
        for hop in self._hops:
            self._give_up(hop, now_ns)
            hop.extras = min(self._pace.extras, hop.extras + refill)
        closer = any(hop.overdue(now_ns) for hop in self._hops)
        for hop in self._hops if not self._stopped else ():
            if now_ns >= hop.due_ns:
                if self._pace.packets is None or hop.sent < self._pace.packets:
                    self._send(hop, now_ns)
                late_ns = now_ns - hop.due_ns
                every_ns = round(self._pace.every_s * NS_PER_S)
                hop.due_ns += every_ns * (1 + late_ns // every_ns)  # slots that were missed stay so
            elif closer and hop.extras >= 1 and now_ns - hop.sent_ns >= _EXTRA_EVERY_NS:
                hop.extras -= 1
                self._send(hop, now_ns)
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(_TICK_S, self._tick)

    def _send(self, hop: _Hop, now_ns: int) -> None:
        number, unix_ns = hop.sent, self._clock.unix_ns()
        data = _PAYLOAD.pack(number)
        for _ in range(2):  # an ICMP error that has come meanwhile makes one call fail
            try:
                hop.sock.sendto(data, self._way.address)
            except OSError as error:
                if error.errno in error_queue.PASSING:
                    continue
            break
        # one that this host itself did not let out is never answered; its trains say why
        hop.pending[number] = now_ns, unix_ns
        hop.sent, hop.sent_ns = number + 1, now_ns

    def _give_up(self, hop: _Hop, now_ns: int) -> None:
        for number in [
            number for number, (sent_ns, _) in hop.pending.items() if now_ns - sent_ns > WAIT_S * NS_PER_S
        ]:
            _, unix_ns = hop.pending.pop(number)
            hop.answers.append(False)
            self._take(Asked(ttl=hop.ttl, sent_unix_ns=unix_ns, rtt_us=None, sender="", reached=False))

    # What comes back

    def _read(self, hop: _Hop) -> None:
        for told in error_queue.drain(hop.sock, quoted_bytes=_QUOTED_BYTES):
            if isinstance(told, Told) and told.icmp in (Icmp.TIME_EXCEEDED, Icmp.PORT_UNREACHABLE):
                self._answered(hop, told)
        while hop in self._hops:  # nobody has reason to send data here, but somebody may
            try:
                hop.sock.recv(_DATAGRAM_BYTES)
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno not in error_queue.PASSING:
                    raise

    def _answered(self, hop: _Hop, told: Told) -> None:
        number = self._number(hop, told)
        if number not in hop.pending:
            return
        sent_ns, sent_unix_ns = hop.pending.pop(number)
        rtt_ns = self._clock.monotonic_ns() - sent_ns
        by_kernel_ns = told.stamp_unix_ns - sent_unix_ns
        if told.stamp_unix_ns and 0 <= by_kernel_ns <= rtt_ns + NS_PER_MS:  # else the clock was set meanwhile
            rtt_ns = by_kernel_ns
        hop.answers.append(True)
        hop.rtts_ns.append(rtt_ns)
        reached = told.icmp is Icmp.PORT_UNREACHABLE
        self._take(
            Asked(
                ttl=hop.ttl,
                sent_unix_ns=sent_unix_ns,
                rtt_us=rtt_ns // NS_PER_US,
                sender=told.sender,
                reached=reached,
            )
        )
        if reached:
            for beyond in [one for one in self._hops if one.ttl >= hop.ttl]:
                self._drop(beyond)
                self._hops.remove(beyond)

    def _number(self, hop: _Hop, told: Told) -> int | None:
        """Which packet an error is about: the newest, where the router quotes nothing of it."""
        if len(told.quoted) >= _QUOTED_BYTES:
            return int.from_bytes(told.quoted[:_QUOTED_BYTES], "big")
        return max(hop.pending, default=None)


async def watch(where: Reach, clock: Clock, plan: HopPlan, take: Callable[[Asked], None], /) -> Failed:
    """Ask the routers on the way to an endpoint until cancelled; returns only why it cannot.

    The name is looked up again from time to time, and a way that is known stays while it does not resolve.
    """
    way = await way_to(where)
    while isinstance(way, Way):
        watching = HopWatch(way, clock, ttls=range(1, plan.most + 1), pace=Pace(), take=take)
        try:
            watching.start()
            await asyncio.sleep(_LOOK_UP_EVERY_S)
            watching.stop()
            await asyncio.sleep(WAIT_S + 2 * _TICK_S)
        except OSError as error:
            why = f"this host cannot send by this handoff ({error.strerror})"
            return Failed(what="watch hops", why=why, whose=Owner.HOUSE, handoff=where.handoff)
        finally:
            watching.close()
        found = await way_to(where)
        way = found if isinstance(found, Way) else way
    return way
