"""The sockets of an endpoint, and the one sentence when they cannot be opened."""

from __future__ import annotations

import socket

import pytest

from probe.endpoint.doors import Doors, open_doors
from store.errors import UserMistake
from tests.probe.endpoint.far import free_ports


@pytest.fixture
def doors() -> Doors:
    port, flow_port = free_ports()
    return open_doors("127.0.0.1", port=port, flow_port=flow_port)


def test_one_address(doors: Doors) -> None:
    """Control and trains share a number, flows have the next; TCP ones are listening."""
    with socket.create_connection(("127.0.0.1", doors.port)):
        pass
    with socket.create_connection(("127.0.0.1", doors.flow_port)):
        pass
    assert (doors.train_port, doors.flow_port) == (doors.port, doors.port + 1)
    assert [sock.type for sock in (*doors.control, *doors.trains, *doors.flows)] == [
        socket.SOCK_STREAM,
        socket.SOCK_DGRAM,
        socket.SOCK_STREAM,
    ]
    doors.close()


def test_every_address() -> None:
    """IPv4 and IPv6, each with sockets of its own."""
    port, flow_port = free_ports()
    doors = open_doors(None, port=port, flow_port=flow_port)
    for host in ("127.0.0.1", "::1"):
        with socket.create_connection((host, port)) as sock:
            assert sock.getpeername()[0] == host
    assert doors.addresses == ("0.0.0.0", "::")
    doors.close()


@pytest.mark.parametrize("listen", ["127.0.0.1:{}", "[::1]:{}"])
def test_another_port(listen: str) -> None:
    """A port behind the address replaces the directory's."""
    port, flow_port = free_ports()
    doors = open_doors(listen.format(port), port=1, flow_port=2)
    assert (doors.port, doors.train_port, doors.flow_port) == (port, port, flow_port)
    doors.close()


@pytest.mark.parametrize("at", [0, 1])
def test_a_taken_port(at: int) -> None:
    """The sentence names the port and what to do, and nothing stays open behind it."""
    ports = free_ports()
    with socket.create_server(("127.0.0.1", ports[at])):
        with pytest.raises(
            UserMistake, match=rf"port {ports[at]} is taken on 127\.0\.0\.1.*end what listens"
        ):
            open_doors("127.0.0.1", port=ports[0], flow_port=ports[1])
    open_doors("127.0.0.1", port=ports[0], flow_port=ports[1]).close()


def test_a_taken_udp_port() -> None:
    ports = free_ports()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", ports[0]))
        with pytest.raises(UserMistake, match=f"port {ports[0]} is taken"):
            open_doors(None, port=ports[0], flow_port=ports[1])


def test_an_address_of_another_host() -> None:
    with pytest.raises(UserMistake, match=r"--listen 192\.0\.2\.10: this host has no such address"):
        open_doors("192.0.2.10", port=4000, flow_port=4001)


@pytest.mark.parametrize(
    "listen",
    ["", "north.example.net", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:65535", "::1:x", "[::1", "127.0.0"],
)
def test_no_address(listen: str) -> None:
    with pytest.raises(UserMistake, match="--listen "):
        open_doors(listen, port=4000, flow_port=4001)
