"""The error queue on real sockets: what the kernel tells of a port where nobody listens."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Iterator

import pytest

from probe.linux import error_queue, timestamps
from probe.linux.error_queue import Departed, Icmp, Told


@pytest.fixture(params=[socket.AF_INET, socket.AF_INET6], ids=["IPv4", "IPv6"])
def sock(request: pytest.FixtureRequest) -> Iterator[socket.socket]:
    with socket.socket(request.param, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1" if request.param == socket.AF_INET else "::1", 0))
        made.setblocking(False)
        error_queue.prepare(made)
        yield made


def nobody_at(sock: socket.socket) -> tuple[str, int]:
    with socket.socket(sock.family, socket.SOCK_DGRAM) as gone:
        gone.bind((sock.getsockname()[0], 0))
        host, port = gone.getsockname()[:2]
    return host, port


def told(sock: socket.socket, *, quoted_bytes: int = 100) -> Told:
    """The one ICMP error that comes."""
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        select.select([], [], [sock], 0.1)
        found = [one for one in error_queue.drain(sock, quoted_bytes=quoted_bytes) if isinstance(one, Told)]
        if found:
            (one,) = found
            return one
    raise AssertionError("no ICMP error came")


def test_a_port_where_nobody_listens(sock: socket.socket) -> None:
    """RFC 792 type 3 code 3, RFC 4443 type 1 code 4: from the host itself, with the packet it is about."""
    address = nobody_at(sock)
    sock.sendto(b"which one?", address)
    found = told(sock)
    assert (found.icmp, found.sender, found.to[:2]) == (Icmp.PORT_UNREACHABLE, address[0], address)
    assert found.quoted == b"which one?"


def test_the_quotation_is_cut_where_asked(sock: socket.socket) -> None:
    sock.sendto(b"which one?", nobody_at(sock))
    assert told(sock, quoted_bytes=5).quoted == b"which"


def test_stamps_of_sent_packets_come_by_the_same_queue(sock: socket.socket) -> None:
    """And are told apart from errors, whatever the order."""
    timestamps.prepare(sock, transmit=True)
    before_ns = time.time_ns()
    sock.sendto(b"x", nobody_at(sock))
    deadline, found = time.monotonic() + 5, list[Told | Departed]()
    while len(found) < 2 and time.monotonic() < deadline:
        select.select([], [], [sock], 0.1)
        found += error_queue.drain(sock)
    departed, error = sorted(found, key=lambda one: isinstance(one, Told))
    assert isinstance(departed, Departed)
    assert isinstance(error, Told)
    assert departed.counter == 0
    assert before_ns <= departed.stamp_unix_ns <= time.time_ns()
    assert error.stamp_unix_ns == 0 or departed.stamp_unix_ns <= error.stamp_unix_ns


def test_without_asking_nothing_is_told() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
        plain.bind(("127.0.0.1", 0))
        plain.setblocking(False)
        plain.sendto(b"x", nobody_at(plain))
        select.select([], [], [plain], 0.2)
        assert error_queue.drain(plain) == []


def test_an_empty_queue() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
        plain.setblocking(False)
        error_queue.prepare(plain)
        assert error_queue.drain(plain) == []
