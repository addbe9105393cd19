"""Kernel time stamps on real sockets over loopback, where both ends share one clock."""

from __future__ import annotations

import select
import socket
import struct
import time
from collections.abc import Iterator

import pytest

from probe.linux import timestamps
from store.clock import Clock
from store.records import Stamps

Pair = tuple[socket.socket, socket.socket]


def made(family: socket.AddressFamily, *, transmit: bool) -> socket.socket:
    sock = socket.socket(family, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1" if family == socket.AF_INET else "::1", 0))
    sock.setblocking(False)
    assert timestamps.prepare(sock, transmit=transmit)
    return sock


@pytest.fixture(params=[socket.AF_INET, socket.AF_INET6], ids=["IPv4", "IPv6"])
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    """A sender and a receiver whose kernel stamps are on.

    The kernel turns stamping on in the background for the first socket of the host that asks, so a
    packet is passed until one arrives with a stamp.
    """
    with made(request.param, transmit=True) as sender, made(request.param, transmit=False) as receiver:
        for _ in range(1000):
            if passed(sender, receiver, b"warm").stamp_source is Stamps.KERNEL:
                break
        timestamps.transmit_stamps(sender)
        timestamps.prepare(sender, transmit=True)
        yield sender, receiver


def passed(sender: socket.socket, receiver: socket.socket, data: bytes) -> timestamps.Received:
    sender.sendto(data, receiver.getsockname())
    select.select([receiver], [], [], 5)
    found = timestamps.receive(receiver, 100)
    assert found is not None
    return found


def nobody_at(sock: socket.socket) -> tuple[str, int]:
    """An address like that of `sock` where nobody listens any more."""
    with socket.socket(sock.family, socket.SOCK_DGRAM) as gone:
        gone.bind((sock.getsockname()[0], 0))
        host, port = gone.getsockname()[:2]
    return host, port


class TestReceive:
    def test_stamp_lies_between_sending_and_reading(self, pair: Pair) -> None:
        sender, receiver = pair
        before_ns = time.time_ns()
        found = passed(sender, receiver, b"payload")
        assert found.stamp_source is Stamps.KERNEL
        assert before_ns <= found.stamp_unix_ns <= time.time_ns()
        assert (found.data, found.address[:2]) == (b"payload", sender.getsockname()[:2])

    def test_sent_with_the_largest_ttl(self, pair: Pair) -> None:
        """RFC 4656 section 4.1.2: 255."""
        assert passed(*pair, b"x").ttl == 255

    def test_the_stamp_is_not_when_it_was_read(self, pair: Pair) -> None:
        """A packet that waits in the socket keeps the time at which it came."""
        sender, receiver = pair
        sender.sendto(b"x", receiver.getsockname())
        sent_ns = time.time_ns()
        select.select([], [], [], 0.05)
        found = timestamps.receive(receiver, 100)
        assert found is not None
        assert found.stamp_unix_ns <= sent_ns

    def test_nothing_there(self, pair: Pair) -> None:
        assert timestamps.receive(pair[1], 100) is None

    def test_without_kernel_stamps_the_clock_stands_in_and_says_so(self) -> None:
        """A socket that never asked for stamps is what a kernel without them looks like."""
        clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: 1234)
        with made(socket.AF_INET, transmit=True) as sender, socket.socket(type=socket.SOCK_DGRAM) as receiver:
            receiver.bind(("127.0.0.1", 0))
            receiver.setblocking(False)
            sender.sendto(b"x", receiver.getsockname())
            found = timestamps.receive(receiver, 100, clock=clock)
        assert found is not None
        assert (found.stamp_unix_ns, found.stamp_source, found.ttl) == (1234, Stamps.CLOCK, None)

    def test_an_icmp_error_is_read_past(self, pair: Pair) -> None:
        """RFC 1122 section 4.1.3.3: a port unreachable reaches the socket; the next packet still counts."""
        receiver = pair[1]
        receiver.connect(nobody_at(receiver))
        receiver.send(b"into the void")
        select.select([receiver], [], [], 1)
        assert timestamps.receive(receiver, 100) is None
        assert timestamps.transmit_stamps(receiver) == []

    def test_a_closed_socket_is_an_error(self) -> None:
        sock = made(socket.AF_INET, transmit=True)
        sock.close()
        with pytest.raises(OSError, match="Bad file descriptor"):
            timestamps.receive(sock, 100)


class TestTransmit:
    def test_numbered_from_0_and_before_arrival(self, pair: Pair) -> None:
        sender, receiver = pair
        for number in range(3):
            before_ns = time.time_ns()
            arrived_ns = passed(sender, receiver, b"x").stamp_unix_ns
            [(counter, left_ns)] = timestamps.transmit_stamps(sender)
            assert counter == number
            assert before_ns <= left_ns <= arrived_ns

    def test_drained_in_one_go(self, pair: Pair) -> None:
        sender, receiver = pair
        for _ in range(20):
            sender.sendto(b"x", receiver.getsockname())
        assert [counter for counter, _ in timestamps.transmit_stamps(sender)] == list(range(20))
        assert timestamps.transmit_stamps(sender) == []

    def test_prepared_again_it_numbers_anew(self, pair: Pair) -> None:
        sender, receiver = pair
        passed(sender, receiver, b"x")
        timestamps.transmit_stamps(sender)
        timestamps.prepare(sender, transmit=True)
        passed(sender, receiver, b"x")
        assert [counter for counter, _ in timestamps.transmit_stamps(sender)] == [0]

    def test_icmp_errors_are_dropped(self, pair: Pair) -> None:
        """With IP_RECVERR or IPV6_RECVERR (linux/in.h, in6.h) an error stands in the queue of the stamps."""
        sender = pair[0]
        level, option = (0, 11) if sender.family == socket.AF_INET else (41, 25)
        sender.setsockopt(level, option, 1)
        sender.sendto(b"into the void", nobody_at(sender))
        select.select([sender], [], [], 1)
        assert [counter for counter, _ in timestamps.transmit_stamps(sender)] == [0]

    def test_no_stamps_asked_for(self) -> None:
        with made(socket.AF_INET, transmit=False) as sock:
            sock.sendto(b"x", sock.getsockname())
            assert timestamps.transmit_stamps(sock) == []


class NoStamps(socket.socket):
    """A socket of a kernel that knows no SO_TIMESTAMPING."""

    def setsockopt(self, level: int, option: int, value: object) -> None:  # type: ignore[override]
        if (level, option) == (socket.SOL_SOCKET, 37):
            raise OSError(92, "Protocol not available")


def test_a_kernel_without_stamps() -> None:
    with NoStamps(type=socket.SOCK_DGRAM) as sock:
        assert not timestamps.prepare(sock, transmit=True)


def test_constants_are_those_of_the_kernel() -> None:
    """linux/net_tstamp.h through getsockopt: stamps on queueing and arrival, reported, numbered, bare."""
    with made(socket.AF_INET, transmit=True) as sock:
        (flags,) = struct.unpack("I", sock.getsockopt(socket.SOL_SOCKET, 37, 4))
    assert flags == 1 << 3 | 1 << 4 | 1 << 7 | 1 << 8 | 1 << 10 | 1 << 11
