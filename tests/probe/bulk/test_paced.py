"""Paced runs between real worker processes on loopback: who is answered, what is counted, how they end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import socket
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

from probe.bulk.client import PacedClient
from probe.bulk.server import FlowServer
from probe.bulk.worker import PacedAdmission
from probe.reach import Binding
from probe.wire import paced
from probe.wire.paced import Word
from probe.wire.paced_control import PacedGrant, PacedReport, PacedRequest
from store.clock import Clock

HERE = "127.0.0.1"


@contextlib.asynccontextmanager
async def serving() -> AsyncIterator[tuple[FlowServer, int]]:
    """A server with a UDP door on a free port of 127.0.0.1."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as door:
        door.bind((HERE, 0))
        server = await FlowServer.start([door], clock=Clock())
        try:
            yield server, door.getsockname()[1]
        finally:
            await server.close()


def asked(direction: str, *, seconds: float = 1, offered_bps: int = 5_000_000) -> PacedRequest:
    return PacedRequest(direction=direction, offered_bps=offered_bps, payload_bytes=1000, seconds=seconds)


def admit(server: FlowServer, port: int, request: PacedRequest, *, bytes_max: int = 10**9) -> PacedGrant:
    grant = PacedGrant(run=secrets.token_hex(4), port=port, key=secrets.token_bytes(paced.KEY_BYTES))
    server.admit_paced(
        PacedAdmission(
            run=grant.run,
            up=request.direction == "up",
            key=grant.key,
            offered_bps=request.offered_bps,
            payload_bytes=request.payload_bytes,
            seconds=request.seconds,
            bytes_max=bytes_max,
        )
    )
    return grant


async def ran(
    server: FlowServer, grant: PacedGrant, request: PacedRequest
) -> tuple[PacedReport, PacedReport]:
    """One whole run; the sender's report and the receiver's."""
    async with PacedClient() as client:
        assert await client.connect(grant, request, addresses=[HERE], binding=Binding()) is None
        mine = await client.run()
    theirs = await server.finished(grant.run, timeout_s=5)
    assert isinstance(theirs, PacedReport)
    return (mine, theirs) if request.direction == "up" else (theirs, mine)


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", ["up", "down"])
async def test_all_that_was_sent_is_counted(direction: str) -> None:
    request = asked(direction)
    async with serving() as (server, port):
        grant = admit(server, port, request)
        sender, receiver = await ran(server, grant, request)
        spent_bytes = server.spent_bytes(grant.run)
    assert sender.sent is not None
    assert receiver.received is not None
    assert (sender.finished, sender.why, receiver.finished, receiver.why) == (True, None, True, None)
    packets = sender.sent.packets
    assert packets + sender.sent.forgone == pytest.approx(5e6 / 8 / 1028, rel=0.01)
    found = receiver.received
    assert (found.packets, found.expected, found.duplicated, found.reordered) == (packets, packets, 0, 0)
    assert (len(found.bins), found.ip_version, found.kernel_stamps) == (10, 4, True)
    assert sum(found.bins) <= packets
    assert spent_bytes == packets * 1000


@dataclass
class Troubled:
    """A relay that loses, copies and delays packets by a rule, and knows which."""

    port: int = 0
    lost: int = 0
    copied: int = 0
    overtaken: int = 0
    _held: dict[int, bytes] = field(default_factory=dict)

    def passed(self, data: bytes) -> list[bytes]:
        """What goes on when this comes."""
        if len(data) == paced.CONTROL_BYTES:
            return [data]
        number = int.from_bytes(data[4:8])
        going = [data]
        if number % 41 == 5:
            self.lost += 1
            going = []
        elif number % 53 == 7:
            self.copied += 2
            going = [data] * 3
        elif number % 61 == 9:
            self._held[number + 4] = data
            going = []
        for due in [due for due in self._held if due <= number]:
            self.overtaken += 1
            going.append(self._held.pop(due))
        return going


class _Way(asyncio.DatagramProtocol):
    """One side of a relay; whoever sent last is whom the other side's packets go to."""

    def __init__(self, relay: Troubled) -> None:
        self.relay = relay
        self.other: _Way | None = None
        self.transport: Any = None
        self.peer: tuple[str, int] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        self.peer = address
        assert self.other is not None
        for each in self.relay.passed(data):
            self.other.transport.sendto(each, self.other.peer)


@contextlib.asynccontextmanager
async def troubled(port: int) -> AsyncIterator[Troubled]:
    """A `Troubled` relay before the door at `port`."""
    relay = Troubled()
    near, far = _Way(relay), _Way(relay)
    near.other, far.other, far.peer = far, near, (HERE, port)
    loop = asyncio.get_running_loop()
    for side in (near, far):
        await loop.create_datagram_endpoint(lambda side=side: side, local_addr=(HERE, 0))
    relay.port = near.transport.get_extra_info("sockname")[1]
    try:
        yield relay
    finally:
        near.transport.close()
        far.transport.close()
        await asyncio.sleep(0)


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", ["up", "down"])
async def test_loss_copies_and_order_against_a_relay_that_knows(direction: str) -> None:
    """As RFC 7680, 5560 and 4737 count them; a packet held back until four later ones passed is reordered."""
    request = asked(direction)
    async with serving() as (server, port):
        async with troubled(port) as relay:
            sender, receiver = await ran(server, admit(server, relay.port, request), request)
    assert sender.sent is not None
    found = receiver.received
    assert found is not None
    held_at_the_end = len(relay._held)
    assert (relay.lost > 5, relay.copied > 5, relay.overtaken > 5) == (True, True, True)
    assert (found.duplicated, found.reordered) == (relay.copied, relay.overtaken)
    assert found.packets == sender.sent.packets - relay.lost - held_at_the_end


@pytest.fixture
def stranger() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((HERE, 0))
        sock.settimeout(0.3)
        yield sock


def asking(sock: socket.socket, port: int, question: bytes, *, within_s: float = 0.3) -> bytes | None:
    sock.settimeout(within_s)
    sock.sendto(question, (HERE, port))
    try:
        return sock.recv(4096)
    except TimeoutError:
        return None


def answered(sock: socket.socket, port: int, question: bytes) -> bytes | None:
    """The same where an answer has to come, however busy the machine is."""
    return asking(sock, port, question, within_s=20)


@pytest.mark.asyncio
async def test_only_an_address_that_proved_itself_gets_more_than_it_sent(stranger: socket.socket) -> None:
    """Strangers hear nothing; a key's holder hears as much as it said, and payload only after it proved that
    answers reach it and asked for it."""
    request, nonce = asked("down", seconds=3), bytes(range(16))
    async with serving() as (server, port):
        key = admit(server, port, request).key
        hello = paced.pack(key, Word.HELLO, nonce=nonce)
        wrong = paced.pack(os.urandom(32), Word.HELLO, nonce=nonce)
        for question in (b"", os.urandom(80), wrong, hello[:-1], hello[:-1] + b"\0", paced.alive(key, 1)):
            assert await asyncio.to_thread(asking, stranger, port, question) is None
        answer = await asyncio.to_thread(answered, stranger, port, hello)
        assert answer is not None
        assert len(answer) == len(hello) == 80
        challenge = paced.unpack(key, answer)
        assert (challenge.word, challenge.echo) == (Word.CHALLENGE, nonce)
        proof = paced.pack(key, Word.PROOF, nonce=nonce, echo=challenge.nonce)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:  # what came to another address
            other.bind((HERE, 0))
            other.settimeout(0.3)
            assert await asyncio.to_thread(asking, other, port, proof) is None
        answer = await asyncio.to_thread(answered, stranger, port, proof)
        assert answer is not None
        assert paced.unpack(key, answer).word is Word.READY
        answer = await asyncio.to_thread(answered, stranger, port, proof)  # as if the first had been lost
        assert answer is not None
        assert (len(answer), paced.unpack(key, answer).word) == (80, Word.READY)
        assert await asyncio.to_thread(asking, stranger, port, b"") is None
        data = await asyncio.to_thread(answered, stranger, port, paced.alive(key, 1))
        assert data is not None
        assert (len(data), data[:4], data[4:8]) == (1000, paced.tag_of(key), bytes(4))


@pytest.mark.asyncio
async def test_a_key_opens_one_run(stranger: socket.socket) -> None:
    request = asked("up")
    async with serving() as (server, port):
        grant = admit(server, port, request)
        await ran(server, grant, request)
        hello = paced.pack(grant.key, Word.HELLO, nonce=bytes(16))
        assert await asyncio.to_thread(asking, stranger, port, hello) is None


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", ["up", "down"])
async def test_an_end_that_is_told_to_stop(direction: str) -> None:
    """The endpoint's abort, as a stop brings it, ends both directions within 2 s; what arrived is kept."""
    request = asked(direction, seconds=20)
    async with serving() as (server, port):
        grant = admit(server, port, request)
        going = asyncio.Event()
        async with PacedClient(on_progress=lambda _: going.set()) as client:
            assert await client.connect(grant, request, addresses=[HERE], binding=Binding()) is None
            running = asyncio.create_task(client.run())
            await going.wait()
            async with asyncio.timeout(2):
                server.abort(grant.run, "the caller stopped everything")
                theirs = await server.finished(grant.run, timeout_s=2)
            assert (theirs.finished, theirs.why) == (True, "the caller stopped everything")
            client.stop("told to")
            mine = await running
    assert (mine.finished, mine.why) == (True, "told to")


@pytest.mark.asyncio
async def test_the_byte_cap_ends_it() -> None:
    request = asked("down", seconds=5)
    async with serving() as (server, port):
        grant = admit(server, port, request, bytes_max=100_000)
        async with PacedClient() as client:
            assert await client.connect(grant, request, addresses=[HERE], binding=Binding()) is None
            running = asyncio.create_task(client.run())
            theirs = await server.finished(grant.run, timeout_s=4)
            client.stop("over")
            await running
        assert isinstance(theirs, PacedReport)
        assert (theirs.why, server.spent_bytes(grant.run)) == ("the run reached its byte cap", 100_000)


@pytest.mark.asyncio
async def test_nobody_answers() -> None:
    """The sentence names what to look at; the port here is closed."""
    request = asked("up")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as closed:
        closed.bind((HERE, 0))
        port = closed.getsockname()[1]
    grant = PacedGrant(run="x", port=port, key=bytes(32))
    async with PacedClient() as client:
        why = await client.connect(grant, request, addresses=[HERE], binding=Binding())
    assert why == "nothing answers its UDP port; is it open there, and is UDP let through?"
