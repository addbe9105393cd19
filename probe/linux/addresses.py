"""Which interface of this host holds an address: rtnetlink(7), RTM_GETADDR.

The kernel answers within the call that asks, so nothing here waits. Works without privileges.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator

_RTM_NEWADDR, _RTM_GETADDR = 20, 22  # linux/rtnetlink.h
_REQUEST_DUMP = 0x301  # NLM_F_REQUEST | NLM_F_DUMP
_NLMSG_DONE, _NLMSG_ERROR = 3, 2
_IFA_ADDRESS, _IFA_LOCAL = 1, 2  # linux/if_addr.h; on a point-to-point link the first is the far end's
_MESSAGE = struct.Struct("=IHHII")  # struct nlmsghdr
_ADDRESS = struct.Struct("=4BI")  # struct ifaddrmsg: family, prefix, flags, scope, interface
_ATTRIBUTE = struct.Struct("=HH")  # struct rtattr


def holder(address: str) -> str | None:
    """The interface that holds this address (numeric); None where none of this host's does."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with contextlib.suppress(OSError, struct.error):
        packed = socket.inet_pton(family, address.split("%", 1)[0])
        for index, own in _own(family):
            if own == packed:
                return socket.if_indextoname(index)
    return None


def _own(family: int) -> Iterator[tuple[int, bytes]]:
    """Every address of this host, with the number of its interface."""
    body = _ADDRESS.pack(family, 0, 0, 0, 0)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as sock:  # 0: NETLINK_ROUTE
        sock.setblocking(False)
        sock.sendto(
            _MESSAGE.pack(_MESSAGE.size + len(body), _RTM_GETADDR, _REQUEST_DUMP, 1, 0) + body, (0, 0)
        )
        while True:
            data, place = sock.recv(1 << 16), 0
            while place + _MESSAGE.size <= len(data):
                length, kind, *_ = _MESSAGE.unpack_from(data, place)
                if kind in (_NLMSG_DONE, _NLMSG_ERROR):
                    return
                if kind == _RTM_NEWADDR:
                    yield from _address(data[place + _MESSAGE.size : place + length])
                place += (max(length, _MESSAGE.size) + 3) & ~3


def _address(message: bytes) -> Iterator[tuple[int, bytes]]:
    *_, index = _ADDRESS.unpack_from(message)
    found, place = {}, _ADDRESS.size
    while place + _ATTRIBUTE.size <= len(message):
        length, kind = _ATTRIBUTE.unpack_from(message, place)
        found[kind] = message[place + _ATTRIBUTE.size : place + length]
        place += (max(length, _ATTRIBUTE.size) + 3) & ~3
    own = found.get(_IFA_LOCAL, found.get(_IFA_ADDRESS))
    if own is not None:
        yield index, own
