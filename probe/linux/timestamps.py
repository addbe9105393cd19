"""When packets truly left and arrived: kernel time stamps of UDP sockets (SO_TIMESTAMPING).

Works without privileges. Stamps are CLOCK_REALTIME, so they compare with Unix time only. Where the
kernel gives none, the clock read beside the call stands in and says so (`Stamps.CLOCK`). Constants that
Python's socket module lacks are those of Linux' asm-generic/socket.h, net_tstamp.h and in.h.

Use a non-blocking socket with `loop.add_reader`: the callback also fires for the error queue, which
must be drained first (`transmit_stamps`), or the loop spins on it.
"""

from __future__ import annotations

import errno
import socket
import struct
from typing import NamedTuple

from probe.linux import error_queue
from probe.linux.error_queue import PASSING, Departed, unix_ns_of
from store.clock import Clock
from store.records import Stamps

_SO_TIMESTAMPING = 37  # the option and its control message alike
_RX_SOFTWARE = 1 << 3
_SOFTWARE = 1 << 4  # report software stamps at all
_OPT_ID = 1 << 7  # number the transmit stamps, one a send, from 0
# Stamp on entering the queue of the interface, not on leaving it: a packet that waits in this host behind an
# upload waits on its way up all the same, and without a queue the two moments are the same.
_TX_QUEUED = 1 << 8
_OPT_CMSG = 1 << 10
_OPT_TSONLY = 1 << 11  # the stamp without a copy of the packet
_RECEIVE_FLAGS = _SOFTWARE | _RX_SOFTWARE
_SOME_FLAGS = _RECEIVE_FLAGS | _OPT_ID | _OPT_CMSG | _OPT_TSONLY
_TRANSMIT_FLAGS = _SOME_FLAGS | _TX_QUEUED
_IP_RECVTTL = 12
_INFO_QUEUED = 1
_PACKET_INFO = {
    (socket.IPPROTO_IP, 8): slice(4, 8),
    (socket.IPPROTO_IPV6, 50): slice(16),
}  # own address there
_HOP_LIMITS = {(socket.IPPROTO_IP, socket.IP_TTL), (socket.IPPROTO_IPV6, socket.IPV6_HOPLIMIT)}

_INTEGER = struct.Struct("@i")
_ANCILLARY_BYTES = 512  # too little would cut control messages off without an error
_HOST_CLOCK = Clock()

STAMP_THIS = (socket.SOL_SOCKET, _SO_TIMESTAMPING, struct.pack("@I", _TX_QUEUED))  # a control message

Address = error_queue.Address
_Control = list[tuple[int, int, bytes]]


class Received(NamedTuple):
    """One datagram; a named tuple, since an endpoint makes thousands a second.

    `ttl` is its TTL or hop limit on arrival, None where the kernel did not say.
    `own_address` is the packed address of this host that it was sent to; None unless the socket asked
    for IP_PKTINFO or IPV6_RECVPKTINFO.
    """

    data: bytes
    address: Address
    stamp_unix_ns: int
    stamp_source: Stamps
    ttl: int | None
    own_address: bytes | None = None


def prepare(sock: socket.socket, *, transmit: bool | None, ttl: int = 255) -> bool:
    """Make `sock` stamp arrivals (with `transmit` departures too), report TTLs and send with `ttl`.

    With `transmit` None it stamps those departures alone that bring `STAMP_THIS` along. Transmit stamps are
    numbered from 0, the next send's. False when the kernel knows no time stamps;
    `receive` then falls back to the clock and `transmit_stamps` stays empty.
    """
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_RECVHOPLIMIT, 1)
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_UNICAST_HOPS, ttl)
    sock.setsockopt(socket.IPPROTO_IP, _IP_RECVTTL, 1)  # an IPv6 socket may have IPv4 peers
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_TTL, ttl)
    flags = _SOME_FLAGS if transmit is None else _TRANSMIT_FLAGS if transmit else _RECEIVE_FLAGS
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPING, _RECEIVE_FLAGS)  # numbering starts anew
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPING, flags)
    except OSError as error:
        if error.errno in (errno.ENOPROTOOPT, errno.EINVAL):
            return False
        raise
    return True


def receive(sock: socket.socket, size: int, *, clock: Clock = _HOST_CLOCK) -> Received | None:
    """The next datagram of a socket. None when there is none and it is non-blocking; any other waits for it.

    An ICMP error that waits on the socket is read past. OSError when the socket itself is broken.
    """
    while True:
        try:
            data, control, _flags, address = sock.recvmsg(size, _ANCILLARY_BYTES)
        except BlockingIOError:
            return None
        except OSError as error:
            if error.errno not in PASSING:
                raise
            continue
        stamp_unix_ns, ttl, own_address = _read_arrival(control)
        source = Stamps.KERNEL
        if not stamp_unix_ns:
            stamp_unix_ns, source = clock.unix_ns(), Stamps.CLOCK
        return Received(
            data=data,
            address=address,
            stamp_unix_ns=stamp_unix_ns,
            stamp_source=source,
            ttl=ttl,
            own_address=own_address,
        )


def transmit_stamps(sock: socket.socket, *, most: int | None = None) -> list[tuple[int, int]]:
    """Drain the error queue: (counter, Unix ns) of every send whose stamp came. ICMP errors are dropped.

    With `most`, no more than that many are taken from it: who knows how many wait saves himself a call.
    """
    return [
        (each.counter, each.stamp_unix_ns)
        for each in error_queue.drain(sock, most=most)
        if isinstance(each, Departed) and each.info == _INFO_QUEUED and each.stamp_unix_ns
    ]


def _read_arrival(control: _Control) -> tuple[int, int | None, bytes | None]:
    """(stamp or 0, TTL or None, own address or None)."""
    stamp_unix_ns, ttl, own_address = 0, None, None
    for level, kind, data in control:
        if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPING:
            stamp_unix_ns = unix_ns_of(data)
        elif (level, kind) in _HOP_LIMITS:
            (ttl,) = _INTEGER.unpack_from(data)
        elif (level, kind) in _PACKET_INFO:
            own_address = data[_PACKET_INFO[level, kind]]
    return stamp_unix_ns, ttl, own_address
