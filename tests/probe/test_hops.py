"""Asking routers by TTL, on this host alone: what it takes to see more stands in tests/links."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import replace

import pytest

from probe import hops
from probe.hops import PORT, Asked, HopWatch, Pace, Way, way_to
from probe.reach import Binding, Reach
from probe.wire.invitation import Invitation
from store.clock import Clock
from store.records import Failed, Owner
from store.site import HopPlan

pytestmark = pytest.mark.asyncio

FAR = Reach(
    handoff="A",
    endpoint="north",
    invitation=Invitation(host="127.0.0.1", port=47862, flow_port=47863, key=bytes(32), pin=bytes(32)),
    binding=Binding(),
)


@pytest.mark.parametrize(
    ("family", "host"), [(socket.AF_INET, "127.0.0.1"), (socket.AF_INET6, "::1")], ids=["IPv4", "IPv6"]
)
async def test_an_endpoint_that_is_reached_is_no_router(family: socket.AddressFamily, host: str) -> None:
    """Loopback is one hop away: the first packet comes to a port where nobody listens, the rest is left."""
    found: list[Asked] = []
    came = asyncio.Event()

    def take(asked: Asked) -> None:
        found.append(asked)
        came.set()

    way = Way(family=family, address=(host, PORT), binding=Binding())
    watch = HopWatch(way, Clock(), ttls=range(1, 5), pace=Pace(every_s=0.4), take=take)
    watch.start()
    try:
        async with asyncio.timeout(10):
            await came.wait()
        await asyncio.sleep(0.6)  # in which all four would have been asked again
    finally:
        watch.close()
    (one,) = found
    assert (one.ttl, one.reached, one.sender) == (1, True, host)
    assert one.rtt_us is not None
    assert 0 <= one.rtt_us < 1_000_000


async def test_no_answer_is_told_of_after_the_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket that listens keeps the port from being unreachable, and answers nothing."""
    monkeypatch.setattr(hops, "WAIT_S", 0.2)
    found: asyncio.Queue[Asked] = asyncio.Queue()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as deaf:
        deaf.bind(("127.0.0.1", 0))
        way = Way(family=socket.AF_INET, address=deaf.getsockname(), binding=Binding())
        watch = HopWatch(way, Clock(), ttls=range(1, 2), pace=Pace(packets=1), take=found.put_nowait)
        watch.start()
        async with asyncio.timeout(10):
            one = await found.get()
        watch.close()
    assert (one.ttl, one.rtt_us, one.sender, one.reached) == (1, None, "", False)


async def test_the_way_has_the_ip_version_of_the_source() -> None:
    assert (await way_to(FAR)) == Way(family=socket.AF_INET, address=("127.0.0.1", PORT), binding=Binding())
    far = replace(FAR, invitation=replace(FAR.invitation, host="::1"), binding=Binding(source="2001:db8::1"))
    way = await way_to(far)
    assert isinstance(way, Way)
    assert (way.family, way.ip_version) == (socket.AF_INET6, 6)


async def test_a_source_that_this_host_does_not_have_is_the_house_s() -> None:
    far = replace(FAR, binding=Binding(source="192.0.2.77"))
    found = await hops.watch(far, Clock(), HopPlan(watch=True), lambda asked: None)
    assert isinstance(found, Failed)
    assert found.whose is Owner.HOUSE
