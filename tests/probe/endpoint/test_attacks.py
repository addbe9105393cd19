"""What somebody on the network may try against an endpoint that answers, over real sockets on 127.0.0.1.

The threats are those of docs/threat-model.md. Layouts of packets: RFC 8762 figures 1 and 3.
"""

from __future__ import annotations

import asyncio
import calendar
import hmac
import random
import socket
import struct
import time
from pathlib import Path

import pytest

from probe.control import Control
from probe.endpoint import keys, service
from probe.wire.control import Knocked, RunGrant, RunRequest, TrainGrant, TrainRequest
from store.clock import Clock
from store.records import Failed
from tests.probe.endpoint.far import Far, far_end, reach

TRAIN = TrainRequest(per_second=20, packet_bytes=112)
S = 10**9


def packet(ssid: int, key: bytes, sequence: int = 0) -> bytes:
    """An authenticated sender's packet (figure 3)."""
    covered = struct.pack(">I12xQHH68x", sequence, 1 << 62, 0x8F84, ssid)
    return covered + hmac.new(key, covered, "sha256").digest()[:16]


async def heard(port: int, datagrams: list[bytes], *, own: str = "127.0.0.1", within_s: float = 0.3) -> int:
    """Send datagrams from a new socket; octets that came back within `within_s` of the last of them."""
    loop = asyncio.get_running_loop()
    got = 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.bind((own, 0))
        sock.connect(("127.0.0.1", port))
        for data in datagrams:
            await loop.sock_sendall(sock, data)
        try:
            async with asyncio.timeout(within_s):
                while True:
                    got += len(await loop.sock_recv(sock, 65_535))
        except TimeoutError:
            return got


def is_grant(found: TrainGrant | Failed) -> TrainGrant:
    assert isinstance(found, TrainGrant), found
    return found


async def both_udp_ports(far: Far, datagrams: list[bytes]) -> int:
    return sum([await heard(port, datagrams) for port in (far.endpoint.doors.train_port, _paced(far))])


def _paced(far: Far) -> int:
    return far.endpoint.doors.paced_port


@pytest.mark.asyncio
async def test_strangers_hear_nothing_on_udp(tmp_path: Path) -> None:
    """Whatever is sent to either UDP port, not an octet goes to an address that proved nothing.

    Among it: unauthenticated STAMP (figure 1) for a train that is open, a right SSID with a wrong HMAC, and
    noise of every length up to a whole packet.
    """
    noise = random.Random(862)
    async with far_end(tmp_path / "endpoint") as far, far.control() as control:
        grant = is_grant(await control.open_train(TRAIN))
        unauthenticated = struct.pack(">IQHH28x", 7, 1 << 62, 0x8F84, grant.ssid)
        datagrams = [
            b"",
            unauthenticated,
            unauthenticated + bytes(68),
            packet(grant.ssid, bytes(32)),
            packet(grant.ssid ^ 1, grant.key),
            packet(grant.ssid, grant.key)[:-1],
            *(noise.randbytes(length) for length in range(1, 1472, 13)),
        ]
        assert await both_udp_ports(far, datagrams) == 0
        assert await heard(grant.port, [packet(grant.ssid, grant.key)]) == 112
        counts = await control.train_counts(grant.ssid)
        assert not isinstance(counts, Failed)
        assert (counts.received, counts.reflected) == (1, 1)


@pytest.mark.asyncio
async def test_no_more_comes_back_than_was_sent(tmp_path: Path) -> None:
    """A burst far above the granted rate: what is reflected is no longer, and no more, than what came."""
    async with far_end(tmp_path / "endpoint") as far, far.control() as control:
        grant = is_grant(await control.open_train(TrainRequest(per_second=5, packet_bytes=600)))
        sizes = [112, 113, 599, 600, 601, 1400]
        datagrams = [
            packet(grant.ssid, grant.key, number) + bytes(sizes[number % 6] - 112) for number in range(600)
        ]
        back = await heard(grant.port, datagrams)
        counts = await control.train_counts(grant.ssid)
        assert not isinstance(counts, Failed)
    assert 0 < back <= sum(len(data) for data in datagrams if len(data) <= 600)
    assert counts.reflected <= 5 * 30 * 1.5  # the held burst that a stall may bring; DEVELOPERS.md says why
    assert counts.received == 400


@pytest.mark.asyncio
async def test_a_knock_goes_only_where_a_packet_came_from(tmp_path: Path) -> None:
    """Packets that no packet asked for leave for a proved address only, never before the first."""
    async with far_end(tmp_path / "endpoint") as far, far.control() as control:
        grant = is_grant(await control.open_train(TRAIN))
        assert await control.knock(grant.ssid) == Knocked(sent=0)
        await heard(grant.port, [packet(grant.ssid, bytes(32), 3)], own="127.0.0.2")
        assert await control.knock(grant.ssid) == Knocked(sent=0)
        assert await heard(grant.port, [packet(grant.ssid, grant.key, 0)]) == 112
        assert await heard(grant.port, [packet(grant.ssid, grant.key, 0)], own="127.0.0.2") == 0  # a replay
        assert await control.knock(grant.ssid) == Knocked(sent=3)


@pytest.mark.asyncio
async def test_a_jump_in_sequence_numbers_costs_nothing(tmp_path: Path) -> None:
    """RFC 1982's serial numbers: whatever a caller jumps to, the train goes on, and no count runs away."""
    jumps = [0, 2**31 - 1, 2**32 - 1, 5, 2**31 + 4, 2**31 + 5, 2**32 - 2, 0]
    async with far_end(tmp_path / "endpoint") as far, far.control() as control:
        grant = is_grant(await control.open_train(TRAIN))
        started = time.process_time()
        back = await heard(grant.port, [packet(grant.ssid, grant.key, number) for number in jumps])
        assert time.process_time() - started < 1
        counts = await control.train_counts(grant.ssid)
        assert not isinstance(counts, Failed)
        assert back == counts.reflected * 112 == len(jumps) * 112
        assert (counts.received, counts.distinct <= len(set(jumps)) + 1) == (len(jumps), True)


@pytest.mark.asyncio
async def test_an_older_key_does_not_come_back_with_the_time(tmp_path: Path) -> None:
    """What was over by the endpoint's clock stays so when that is set back, and after another start."""
    ahead = {"s": 0}
    clock = Clock(unix_ns=lambda: time.time_ns() + ahead["s"] * S)
    directory = tmp_path / "endpoint"
    old = await asyncio.to_thread(keys.invite, directory, address="127.0.0.1")
    until = time.time_ns() + 3600 * S
    await asyncio.to_thread(keys.invite, directory, address="127.0.0.1", older_until_unix_ns=until)
    for shift_s, admitted in ((0, True), (3601, False), (0, False), (-3600, False)):
        ahead["s"] = shift_s
        async with service.opened(directory, listen="127.0.0.1:0", clock=clock) as endpoint:
            await endpoint.look_after()
            async with Control(reach(old, port=endpoint.doors.port), clock=Clock()) as control:
                assert isinstance(await control.hello(), Failed) is not admitted
                ahead["s"] = 0
                await endpoint.look_after()
                assert isinstance(await control.hello(), Failed) is not admitted


@pytest.mark.asyncio
async def test_a_clock_that_is_set_ends_and_gives_nothing(tmp_path: Path) -> None:
    """The time of day a year on and back: trains and runs stay, and what a month has used stays used.

    The certificate has no date that a wrong clock could pass, and no answer depends on the caller's clock.
    """
    ahead = {"s": 0.0}
    clock = Clock(unix_ns=lambda: time.time_ns() + round(ahead["s"] * S))
    invited = await asyncio.to_thread(keys.invite, tmp_path / "endpoint", address="127.0.0.1")
    limits = tmp_path / "endpoint" / "limits.toml"
    await asyncio.to_thread(limits.write_text, "[caller]\nbytes_per_month = 1000\n")
    async with (
        service.opened(tmp_path / "endpoint", listen="127.0.0.1:0", clock=clock) as endpoint,
        Control(reach(invited, port=endpoint.doors.port), clock=Clock()) as control,
    ):
        grant = is_grant(await control.open_train(TRAIN))
        run = await control.open_run(RunRequest(direction="up", flows=1, seconds=60))
        assert isinstance(run, RunGrant)
        for number, year in enumerate((1, -40, 0)):
            ahead["s"] = year * 366 * 86_400.0
            await endpoint.look_after()
            assert await heard(grant.port, [packet(grant.ssid, grant.key, number)]) == 112
            assert not isinstance(await control.run_report(run.run), Failed)
        await control.end_run(run.run)
        endpoint._ledger.book("probe", 1000, month="2026-11")
        for day, left in (("2026-11-30", 0), ("2026-12-01", 1000), ("2026-11-01", 0)):
            moment = calendar.timegm(time.strptime(day, "%Y-%m-%d"))
            ahead["s"] = moment - time.time()
            hello = await control.hello()
            assert not isinstance(hello, Failed)
            assert hello.bytes_left == left
