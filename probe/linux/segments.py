"""Many datagrams a call: UDP segmentation and receive offload, buffers, and what a socket had to drop.

UDP_SEGMENT (Linux 4.18) sends one buffer as datagrams of one size; UDP_GRO (5.0) hands several that arrived
together over in one buffer, with their size in a control message. What a full receive buffer dropped is the
last figure of SO_MEMINFO, datagrams that a receive offload had merged counted one by one (from memory; held
against a known number in the tests). It also grows by datagrams whose checksum was wrong. What a processor's
own queue had to drop before any socket stands in /proc/net/softnet_stat, for the whole host. Constants that
Python's socket module lacks are those of Linux' uapi headers.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import struct
from collections.abc import Sequence
from pathlib import Path

from store.clock import NS_PER_S

SEND_BYTES_MAX = 65_000  # of one call: a buffer is an IP packet of 65,535 octets at most while it is whole
SEGMENTS_MAX = 64  # UDP_MAX_SEGMENTS of linux/udp.h before 6.9, 128 since
RECEIVE_BYTES = 1 << 16
PASSING = {
    errno.ECONNREFUSED,
    errno.ENETUNREACH,
    errno.EHOSTUNREACH,
    errno.ENETDOWN,
    errno.EHOSTDOWN,
    errno.ENOBUFS,
    errno.EPERM,
}
"""Errors of a connected UDP socket that say that the network, the far end or a packet filter is away just
now, as when a link goes down for a moment; the next call may work again."""

_SOFTNET = Path("/proc/net/softnet_stat")
_UDP_SEGMENT, _UDP_GRO = 103, 104
_SO_SNDBUFFORCE, _SO_RCVBUFFORCE, _SO_TIMESTAMPNS, _SO_MEMINFO = 32, 33, 35, 55
_IP_MTU_DISCOVER, _IP_PMTUDISC_DO, _IP_MTU = 10, 2, 14
_IP_PMTUDISC_WANT, _IP_PMTUDISC_PROBE = 1, 3
_IPV6_MTU_DISCOVER, _IPV6_MTU, _IPV6_DONTFRAG = 23, 24, 62
_MEMINFO = struct.Struct("@9I")
_TIMESPEC = struct.Struct("@ll")
_INTEGER = struct.Struct("@i")
_ANCILLARY_BYTES = 128


def send_segments(sock: socket.socket, segment_bytes: int) -> bool:
    """Have each send cut into datagrams of `segment_bytes`; False where the kernel does not know how."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.IPPROTO_UDP, _UDP_SEGMENT, segment_bytes)
        return True
    return False


def never_fragment(sock: socket.socket) -> None:
    """Refuse packets larger than the path takes, and set the bit that forbids routers to cut them."""
    sock.setsockopt(socket.IPPROTO_IP, _IP_MTU_DISCOVER, _IP_PMTUDISC_DO)
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_MTU_DISCOVER, _IP_PMTUDISC_DO)


def never_cut(sock: socket.socket, *, cut: bool = False) -> None:
    """Send every packet whole whatever the path is said to take, or not at all; with `cut`, as usual again.

    What the interface itself does not take is refused (EMSGSIZE).
    """
    sock.setsockopt(socket.IPPROTO_IP, _IP_MTU_DISCOVER, _IP_PMTUDISC_WANT if cut else _IP_PMTUDISC_PROBE)
    if sock.family == socket.AF_INET6:
        how = _IP_PMTUDISC_WANT if cut else _IP_PMTUDISC_PROBE
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_MTU_DISCOVER, how)
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_DONTFRAG, 0 if cut else 1)


def path_mtu_bytes(sock: socket.socket) -> int:
    """The largest packet that the kernel knows to fit the way of a connected socket."""
    if sock.family == socket.AF_INET6:
        return sock.getsockopt(socket.IPPROTO_IPV6, _IPV6_MTU)
    return sock.getsockopt(socket.IPPROTO_IP, _IP_MTU)


def ask_buffer(sock: socket.socket, count_bytes: int, *, receive: bool) -> int:
    """Ask for a buffer; the size it got, as the kernel counts, which only root may take beyond its limit."""
    plain, forced = (socket.SO_RCVBUF, _SO_RCVBUFFORCE) if receive else (socket.SO_SNDBUF, _SO_SNDBUFFORCE)
    try:
        sock.setsockopt(socket.SOL_SOCKET, forced, count_bytes)
    except OSError:
        sock.setsockopt(socket.SOL_SOCKET, plain, count_bytes)
    return sock.getsockopt(socket.SOL_SOCKET, plain)


def receive_merged(sock: socket.socket) -> bool:
    """Have arrivals stamped and handed over together; False where the kernel gives no stamps."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.IPPROTO_UDP, _UDP_GRO, 1)
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        return True
    return False


def receive_into(sock: socket.socket, buffers: Sequence[bytearray]) -> tuple[int, int, int]:
    """Octets, size of each datagram in them (the last may be smaller), Unix ns of the arrival or 0. OSError.

    Of datagrams that were merged the stamp is the first one's.
    """
    count, control, _, _ = sock.recvmsg_into(buffers, _ANCILLARY_BYTES)
    segment_bytes, stamp_unix_ns = count, 0
    for level, kind, data in control:
        if kind == _UDP_GRO and level == socket.IPPROTO_UDP:
            (segment_bytes,) = _INTEGER.unpack_from(data)
        elif kind == _SO_TIMESTAMPNS and level == socket.SOL_SOCKET:
            seconds, rest_ns = _TIMESPEC.unpack_from(data)
            stamp_unix_ns = seconds * NS_PER_S + rest_ns
    return count, segment_bytes, stamp_unix_ns


def dropped_here(sock: socket.socket) -> int:
    """Datagrams that arrived and found the receive buffer full; 0 where the kernel does not count them."""
    with contextlib.suppress(OSError, struct.error):
        return int(_MEMINFO.unpack(sock.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size))[-1])
    return 0


def dropped_by_host(*, softnet: Path = _SOFTNET) -> int:
    """Packets that this host's processors had to drop before any socket saw them, since it started."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        return sum(int(line.split()[1], 16) for line in softnet.read_text().splitlines())
    return 0


def come_first(*, busy: bool = True) -> bool:
    """Let the calling thread run when it is due, before ordinary work; False where the kernel refuses.

    Busy work could keep a processor to itself, so it comes first only where another is left for the rest of
    the house. Threads and processes that it begins do not come first.
    """
    if busy and len(os.sched_getaffinity(0)) < 2:
        return False
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(1))
        return True
    return False
