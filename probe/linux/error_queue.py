"""What the kernel tells a socket beside its data: the error queue (MSG_ERRQUEUE), as values.

Two things come by it: transmit stamps (`probe.linux.timestamps`) and, on a UDP socket that asked for them
with `prepare`, ICMP errors, each with the address of whoever sent it. That needs no privileges: it is how a
program hears which router let the TTL of its packet run out. Layout: struct sock_extended_err of Linux'
errqueue.h, followed by the sender's address; ICMP types are those of RFC 792 and RFC 4443.

An ICMP error comes twice: here, and once as an error of the next send or receive, which then works when it
is called again. The queue must be drained before reading, or a loop spins on it.
"""

from __future__ import annotations

import errno
import socket
import struct
from dataclasses import dataclass
from enum import Enum

from store.clock import NS_PER_S

# What an ICMP error becomes on a socket; the next call works again.
PASSING = frozenset(
    {errno.ECONNREFUSED, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.EMSGSIZE}
    | {errno.ENOPROTOOPT, errno.EPROTO, errno.EACCES}
)

_IP_RECVERR, _IPV6_RECVERR = 11, 25
_EXTENDED_ERRORS = {(socket.IPPROTO_IP, _IP_RECVERR), (socket.IPPROTO_IPV6, _IPV6_RECVERR)}
_STAMP = (socket.SOL_SOCKET, 37)  # SCM_TIMESTAMPING
_EXTENDED_ERROR = struct.Struct("@IBBBBII")  # errno, origin, type, code, pad, info, data
_TIMESPEC = struct.Struct("@ll")  # seconds, nanoseconds of the software stamp; two more timespecs follow
_ORIGIN_ICMP, _ORIGIN_ICMP6, _ORIGIN_TIMESTAMPING = 2, 3, 4
_ANCILLARY_BYTES = 512  # too little would cut control messages off without an error
_SENDER = {  # where in sockaddr_in and sockaddr_in6 the packed address stands
    socket.AF_INET: slice(4, 8),
    socket.AF_INET6: slice(8, 24),
}

Address = tuple[str, int] | tuple[str, int, int, int]


class Icmp(Enum):
    """What an ICMP error says, as far as it matters here."""

    TIME_EXCEEDED = "the TTL or hop limit ran out on the way"
    PORT_UNREACHABLE = "the packet reached its host, where nobody listens on that port"
    TOO_BIG = "the packet was longer than the next link takes, and must not be cut"
    OTHER = "anything else"


_ICMP = {  # (origin, type, code)
    (_ORIGIN_ICMP, 11, 0): Icmp.TIME_EXCEEDED,
    (_ORIGIN_ICMP, 3, 3): Icmp.PORT_UNREACHABLE,
    (_ORIGIN_ICMP, 3, 4): Icmp.TOO_BIG,
    (_ORIGIN_ICMP6, 3, 0): Icmp.TIME_EXCEEDED,
    (_ORIGIN_ICMP6, 1, 4): Icmp.PORT_UNREACHABLE,
    (_ORIGIN_ICMP6, 2, 0): Icmp.TOO_BIG,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An ICMP error: what it says, who sent it, and about which packet of ours.

    `quoted` is that packet's payload as far as the error repeats it, often nothing; `to` is where it was
    going. `stamp_unix_ns` is when the kernel took the error in, 0 where it does not say. `fits_bytes` is what
    the sender of TOO_BIG says that would pass, 0 where it says nothing.
    """

    icmp: Icmp
    sender: str
    to: Address
    quoted: bytes
    stamp_unix_ns: int
    fits_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Departed:
    """The stamp of a packet of ours: the moment and step (`info` of errqueue.h), by the send's counter."""

    counter: int
    info: int
    stamp_unix_ns: int


def prepare(sock: socket.socket) -> None:
    """Have ICMP errors about what `sock` sends put into its error queue."""
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVERR, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_RECVERR, 1)


def drain(sock: socket.socket, *, quoted_bytes: int = 0, most: int | None = None) -> list[Told | Departed]:
    """All that waits in the error queue of a socket, oldest first, or the first `most` of it.

    Of a packet that an error quotes, the first `quoted_bytes` of payload are kept.
    """
    found: list[Told | Departed] = []
    while most is None or len(found) < most:
        try:
            quoted, control, _flags, to = sock.recvmsg(quoted_bytes, _ANCILLARY_BYTES, socket.MSG_ERRQUEUE)
        except BlockingIOError:
            return found
        except OSError as error:
            if error.errno not in PASSING:
                raise
            continue
        read = _read(control, quoted, to)
        if read is not None:
            found.append(read)
    return found


def unix_ns_of(timespec: bytes) -> int:
    """The software stamp of SCM_TIMESTAMPING as Unix nanoseconds, 0 when there is none."""
    seconds, rest_ns = _TIMESPEC.unpack_from(timespec)
    return int(seconds) * NS_PER_S + int(rest_ns)


def _read(control: list[tuple[int, int, bytes]], quoted: bytes, to: Address) -> Told | Departed | None:
    stamp_unix_ns, error = 0, b""
    for level, kind, data in control:
        if (level, kind) == _STAMP:
            stamp_unix_ns = unix_ns_of(data)
        elif (level, kind) in _EXTENDED_ERRORS:
            error = data
    if not error:
        return None
    _errno, origin, type_, code, _pad, info, counter = _EXTENDED_ERROR.unpack_from(error)
    if origin == _ORIGIN_TIMESTAMPING:
        return Departed(counter=counter, info=info, stamp_unix_ns=stamp_unix_ns)
    if origin not in (_ORIGIN_ICMP, _ORIGIN_ICMP6):
        return None
    icmp = _ICMP.get((origin, type_, code), Icmp.OTHER)
    return Told(
        icmp=icmp,
        fits_bytes=info if icmp is Icmp.TOO_BIG else 0,
        sender=_sender(error[_EXTENDED_ERROR.size :]),
        to=to,
        quoted=quoted,
        stamp_unix_ns=stamp_unix_ns,
    )


def _sender(address: bytes) -> str:
    """The address in a sockaddr, empty where there is none."""
    family = int.from_bytes(address[:2], "little" if struct.pack("@H", 1)[0] else "big")
    for known, place in _SENDER.items():
        if family == known and len(address) >= place.stop:
            return socket.inet_ntop(known, address[place])
    return ""
