"""Which of this host's addresses a datagram was sent to, and answering from that one.

Without it, a host with several addresses answers from the one its routes prefer, and the far end, or a NAT
before it, takes that for a stranger. IP_PKTINFO and IPV6_RECVPKTINFO, ip(7) and RFC 3542 section 6.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Sequence

_IP_PKTINFO, _IPV6_PKTINFO = 8, 50
_FROM_V4 = struct.Struct("@i4s4x")  # struct in_pktinfo: interface, address to send from, destination
_FROM_V6 = struct.Struct("@16si")  # struct in6_pktinfo: address to send from, interface


def tell(sock: socket.socket) -> None:
    """Have each datagram of a UDP socket come with the address that it was sent to."""
    if sock.family == socket.AF_INET6:
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_RECVPKTINFO, 1)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_PKTINFO, 1)


def leave_from(own_address: bytes | None) -> Sequence[tuple[int, int, bytes]]:
    """The control messages that make a datagram leave with this packed address; none for None."""
    if own_address is None:
        return ()
    if len(own_address) == 4:
        return ((socket.IPPROTO_IP, _IP_PKTINFO, _FROM_V4.pack(0, own_address)),)
    return ((socket.IPPROTO_IPV6, _IPV6_PKTINFO, _FROM_V6.pack(own_address, 0)),)
