"""One name asked of one resolver, straight from the probe over UDP, and how long the answer took.

The query goes past whatever this host keeps in memory; whether the resolver answered out of its own is told
by the TTL (`store.lookups`). Each has a number and a port of its own, so that no other answer is taken for
it (RFC 5452 section 4.3 and 4.5, from memory). It is sent once: one that is lost on the way is no answer.
"""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass
from random import SystemRandom

from probe.linux import resolver as resolvers
from probe.lookup_outcome import PORT, record
from probe.reach import Binding
from probe.wire import dns
from store.clock import NS_PER_MS, NS_PER_US, Clock
from store.errors import BadPacket, UserMistake
from store.lookups import WAITED_S, Heard, Lookups, NameAsked
from store.records import Failed, Owner

WHAT = "name lookup"
_DATAGRAM_BYTES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class LookupPlan:
    """A name, and the resolver to ask; None is this host's."""

    name: str
    resolver: str | None = None
    port: int = PORT


async def run(plan: LookupPlan, binding: Binding, clock: Clock, *, handoff: str = "") -> Lookups | Failed:
    """The record of one lookup. Raises UserMistake for what is no name."""
    try:
        dns.encode_name(plan.name)
    except ValueError as error:
        raise UserMistake(str(error)) from None
    started_ns = clock.unix_ns()
    address = plan.resolver or await asyncio.to_thread(resolvers.of_host)
    if address is None:
        return Failed(
            what=WHAT,
            why="this host is told of no resolver (resolv.conf); name one",
            whose=Owner.HOUSE,
            handoff=handoff,
            started_unix_ns=started_ns,
        )
    asked = await ask(plan.name, address, binding, clock, started_ns=started_ns, port=plan.port)
    return record(address, [asked], started_ns=started_ns, handoff=handoff, port=plan.port)


async def ask(
    name: str, address: str, binding: Binding, clock: Clock, *, started_ns: int, port: int = PORT
) -> NameAsked:
    """What became of one query; it never raises for what the network or this host does."""
    at_ms = (clock.unix_ns() - started_ns) // NS_PER_MS
    query = dns.encode_query(SystemRandom().randrange(1 << 16), name)
    try:
        sock = _socket(address, port, binding)
    except OSError as error:
        return _unsent(name, at_ms, error)
    try:
        sent_ns = clock.monotonic_ns()
        sock.send(query)
        async with asyncio.timeout(WAITED_S):
            reply, answered_ns = await _answer(sock, query, clock)
    except TimeoutError:
        return NameAsked(name=name, at_ms=at_ms, told=Heard.SILENT)
    except ConnectionRefusedError:  # its host says that nobody listens there
        return NameAsked(name=name, at_ms=at_ms, told=Heard.FAILED, why="nobody listens at the resolver")
    except OSError as error:
        return _unsent(name, at_ms, error)
    finally:
        sock.close()
    return NameAsked(
        name=name,
        at_ms=at_ms,
        told=_told(reply),
        took_us=(answered_ns - sent_ns) // NS_PER_US,
        ttl_s=reply.ttl_s,
        why=reply.word if reply.code and reply.code != dns.NO_SUCH_NAME else "",
    )


def _socket(address: str, port: int, binding: Binding) -> socket.socket:
    """Connected, so that only that resolver's answers arrive and an ICMP error is told."""
    here = resolvers.is_here(address)
    family, _, _, _, target = socket.getaddrinfo(
        address, port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST
    )[0]
    sock = socket.socket(family, socket.SOCK_DGRAM)
    try:
        sock.setblocking(False)
        if not here:  # no line leads to a resolver on this host
            binding.apply(sock)
        sock.connect(target)
    except OSError:
        sock.close()
        raise
    return sock


async def _answer(sock: socket.socket, query: bytes, clock: Clock) -> tuple[dns.Reply, int]:
    """The answer to this query, and when it was read; anything else that arrives is let go."""
    loop = asyncio.get_running_loop()
    while True:
        data = await loop.sock_recv(sock, _DATAGRAM_BYTES)
        answered_ns = clock.monotonic_ns()
        try:
            reply = dns.decode_reply(data, query=query)
        except BadPacket:
            continue
        if reply is not None:
            return reply, answered_ns


def _told(reply: dns.Reply) -> Heard:
    if reply.code == dns.NO_SUCH_NAME:
        return Heard.NO_SUCH_NAME
    return Heard.FAILED if reply.code else Heard.ANSWERED


def _unsent(name: str, at_ms: int, error: OSError) -> NameAsked:
    return NameAsked(name=name, at_ms=at_ms, told=Heard.UNSENT, why=error.strerror or "no socket")
