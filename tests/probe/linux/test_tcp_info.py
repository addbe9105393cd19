"""TCP_INFO against the sockets it speaks of, and its layout against linux/tcp.h."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator

import pytest

from probe.linux import tcp_info


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    """A connection over 127.0.0.1: (who connected, who accepted)."""
    with socket.create_server(("127.0.0.1", 0)) as door, socket.create_connection(door.getsockname()) as near:
        far, _ = door.accept()
        with far:
            yield near, far


def read_all(sock: socket.socket, count: int) -> None:
    while count:
        count -= len(sock.recv(count))


def test_it_counts_what_the_socket_moved(pair: tuple[socket.socket, socket.socket]) -> None:
    """On loopback nothing is lost: acknowledged (with the SYN), sent and received are the bytes we moved."""
    near, far = pair
    for _ in range(50):
        near.sendall(bytes(1000))
        read_all(far, 1000)
    far.sendall(b"!")
    read_all(near, 1)  # acknowledges all before it
    sent, received = tcp_info.read(near), tcp_info.read(far)
    # RFC 4898 tcpEStatsAppHCThruOctetsAcked: the kernel's count includes the SYN's octet
    assert sent.bytes_acked - 1 == 50_000
    assert (sent.bytes_sent, sent.bytes_retrans, sent.unacked) == (50_000, 0, 0)
    assert received.bytes_received == 50_000
    assert received.data_segs_in == sent.data_segs_out


def test_state_and_options(pair: tuple[socket.socket, socket.socket]) -> None:
    """TCP_ESTABLISHED is 1 (linux/tcp_states.h); the option bit follows what the host negotiates."""
    near, _ = pair
    info = tcp_info.read(near)
    with open("/proc/sys/net/ipv4/tcp_timestamps") as setting:
        assert info.timestamps == (setting.read().strip() != "0")
    assert info.state == 1
    assert info.snd_mss == near.getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG)
    assert 0 < info.rtt < 1_000_000


def test_rtt_is_in_microseconds(pair: tuple[socket.socket, socket.socket]) -> None:
    """The kernel's lower bound on its own time-out: rto >= rtt, both microseconds (RFC 6298 section 2.3)."""
    near, far = pair
    near.sendall(b"x")
    read_all(far, 1)
    info = tcp_info.read(near)
    assert info.rto >= info.rtt


def test_fields_lie_where_the_kernel_puts_them() -> None:
    """Offsets of linux/tcp.h: eight bytes, then u32 from 8 on, u64 from 104 on."""
    data = bytearray(280)
    struct.pack_into("=I", data, 16, 1448)  # tcpi_snd_mss: after rto and ato
    struct.pack_into("=I", data, 68, 25_000)  # tcpi_rtt
    struct.pack_into("=Q", data, 120, 7)  # tcpi_bytes_acked
    struct.pack_into("=Q", data, 200, 9)  # tcpi_bytes_sent
    data[5] = 1  # tcpi_options
    info = tcp_info.parse(bytes(data))
    assert (info.snd_mss, info.rtt, info.bytes_acked, info.bytes_sent) == (1448, 25_000, 7, 9)
    assert info.timestamps


@pytest.mark.parametrize("length", [0, 7, 104, 192, 232, 280])
def test_older_kernels_say_less(length: int) -> None:
    """Any length is read; what is missing is 0 (104 bytes were Linux 2.6, 192 bytes 4.9; from memory)."""
    info = tcp_info.parse(b"\1" * length)
    assert info.bytes_sent == (0x0101010101010101 if length >= 208 else 0)


def test_congestion_control(pair: tuple[socket.socket, socket.socket]) -> None:
    """reno is in every kernel and open to everybody; a name that no kernel has is refused."""
    near, _ = pair
    assert tcp_info.ask_congestion(near, "reno")
    assert tcp_info.congestion(near) == "reno"
    assert not tcp_info.ask_congestion(near, "no-such-thing")
    assert tcp_info.congestion(near) == "reno"
