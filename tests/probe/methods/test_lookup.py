"""A lookup against a resolver of known delay on loopback, whose answers scapy makes."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import pytest
from scapy.layers.dns import DNS, DNSRR

from probe.linux import resolver as resolvers
from probe.methods import lookup
from probe.methods.lookup import LookupPlan
from probe.reach import Binding
from store.clock import Clock
from store.errors import UserMistake
from store.lookups import Heard, Lookups
from store.records import Failed, Standing

NAME = "north.example.net"


class Resolver(asyncio.DatagramProtocol):
    """Answers after `delay_s` with what scapy makes of the query; `noise` comes before it."""

    def __init__(self, delay_s: float, *, noise: tuple[bytes, ...] = (), **fields: Any) -> None:
        self.delay_s, self.noise, self.fields = delay_s, noise, fields

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, address: Any) -> None:
        query = DNS(data)
        record = DNSRR(rrname=query.qd[0].qname, type="A", ttl=300, rdata="192.0.2.230")
        answer = bytes(DNS(**({"id": query.id, "qr": 1, "qd": query.qd, "an": record} | self.fields)))
        for each in self.noise:
            self.transport.sendto(each, address)
        asyncio.get_running_loop().call_later(self.delay_s, self.transport.sendto, answer, address)


@contextlib.asynccontextmanager
async def resolving(resolver: Resolver) -> AsyncIterator[int]:
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: resolver, local_addr=("127.0.0.1", 0))
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()
        await asyncio.sleep(0)  # then its socket is closed


async def looked_up(resolver: Resolver, name: str = NAME) -> Lookups:
    async with resolving(resolver) as port:
        plan = LookupPlan(name=name, resolver="127.0.0.1", port=port)
        found = await lookup.run(plan, Binding(), Clock())
    assert isinstance(found, Lookups)
    return found


@pytest.mark.few
@pytest.mark.asyncio
async def test_the_resolvers_own_delay() -> None:
    """What the resolver waits is what is measured: never less, and the difference of two is theirs."""
    (near,), (far,) = [(await looked_up(Resolver(delay_s))).asked for delay_s in (0.02, 0.32)]
    assert near.took_us is not None
    assert far.took_us is not None
    assert near.took_us >= 19_900  # a timer of the loop may fire a clock's tick early
    assert far.took_us - near.took_us == pytest.approx(300_000, abs=25_000)
    assert (near.told, near.ttl_s, near.name) == (Heard.ANSWERED, 300, NAME)


@pytest.mark.asyncio
async def test_only_its_own_answer_counts() -> None:
    """Another number, another question and noise are let go; a name that is not there is an answer."""
    noise = (b"", b"\0" * 40, bytes(DNS(id=1, qr=1)))
    found = await looked_up(Resolver(0.01, noise=noise, rcode=3, an=None))
    (one,) = found.asked
    assert (one.told, one.ttl_s, one.why) == (Heard.NO_SUCH_NAME, None, "")
    assert (found.standing, found.reasons) == (Standing.EXCLUDED, ("local_resolver",))
    (refused,) = (await looked_up(Resolver(0, rcode=5, an=None))).asked
    assert (refused.told, refused.why) == (Heard.FAILED, "refused")


@pytest.mark.asyncio
async def test_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """None within the time, nobody who listens, and a host that cannot send are three things."""
    monkeypatch.setattr(lookup, "WAITED_S", 0.05)
    (silent,) = (await looked_up(Resolver(30))).asked
    assert (silent.told, silent.took_us) == (Heard.SILENT, None)
    async with resolving(Resolver(0)) as port:
        pass
    plan = LookupPlan(name=NAME, resolver="127.0.0.1", port=port)
    closed = await lookup.run(plan, Binding(), Clock())
    assert isinstance(closed, Lookups)
    assert closed.asked[0].told is Heard.FAILED
    elsewhere = LookupPlan(name=NAME, resolver="192.0.2.254")
    unsent = await lookup.run(elsewhere, Binding(interface="nowhere7"), Clock())
    assert isinstance(unsent, Lookups)
    assert unsent.asked[0].told is Heard.UNSENT
    with pytest.raises(UserMistake, match="is no host name"):
        await lookup.run(LookupPlan(name="a..b", resolver="127.0.0.1"), Binding(), Clock())


@pytest.mark.asyncio
async def test_a_host_without_a_resolver(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resolvers, "of_host", lambda: None)
    found = await lookup.run(LookupPlan(name=NAME), Binding(), Clock())
    assert isinstance(found, Failed)
    assert "resolv.conf" in found.why
