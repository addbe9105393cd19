"""Pause frames that a port received and sent: flow control by which a neighbour holds a sender back.

IEEE 802.3 annex 31B, as the kernel tells it for drivers that count (linux/ethtool_netlink.h, generic netlink,
ETHTOOL_MSG_PAUSE_GET with statistics). Works without privileges. Waits for the kernel, so an event loop calls
it through a thread.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from dataclasses import dataclass

_NETLINK_GENERIC = 16  # linux/netlink.h
_F_REQUEST, _NLMSG_ERROR = 1, 2
_GENL_ID_CTRL, _CTRL_CMD_GETFAMILY = 16, 3  # linux/genetlink.h
_CTRL_ATTR_FAMILY_ID, _CTRL_ATTR_FAMILY_NAME = 1, 2
_PAUSE_GET, _PAUSE_HEADER, _PAUSE_STATS = 21, 1, 5  # linux/ethtool_netlink.h, as all below
_HEADER_DEV_NAME, _HEADER_FLAGS, _FLAG_STATS = 2, 3, 4
_STAT_SENT, _STAT_RECEIVED = 2, 3
_NESTED, _TYPE_MASK = 0x8000, 0x3FFF

_MESSAGE = struct.Struct("=IHHII")  # struct nlmsghdr
_GENERIC = struct.Struct("=BBxx")  # struct genlmsghdr
_ATTRIBUTE = struct.Struct("=HH")  # struct nlattr


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """Frames since the driver began to count."""

    received: int
    sent: int


def read(name: str) -> Pause | None:
    """The pause frames of the interface called `name`; None where they are not counted."""
    header = _attribute(_HEADER_DEV_NAME, name.encode() + b"\0")
    header += _attribute(_HEADER_FLAGS, struct.pack("=I", _FLAG_STATS))
    try:
        with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _NETLINK_GENERIC) as sock:
            sock.settimeout(1)
            asked = _attribute(_CTRL_ATTR_FAMILY_NAME, b"ethtool\0")
            family = _ask(sock, _GENL_ID_CTRL, _CTRL_CMD_GETFAMILY, asked)
            (number,) = struct.unpack("=H", _attributes(family)[_CTRL_ATTR_FAMILY_ID])
            answer = _ask(sock, number, _PAUSE_GET, _attribute(_PAUSE_HEADER | _NESTED, header))
    except (OSError, KeyError, struct.error):
        return None
    return parse(answer)


def parse(answer: bytes) -> Pause | None:
    """What the attributes of an answer say; None where they hold no counts."""
    try:
        counts = _attributes(_attributes(answer)[_PAUSE_STATS])
        received, sent = (struct.unpack("=Q", counts[each])[0] for each in (_STAT_RECEIVED, _STAT_SENT))
    except (KeyError, struct.error):
        return None
    return Pause(received=received, sent=sent)


def _ask(sock: socket.socket, family: int, command: int, attributes: bytes) -> bytes:
    """The attributes of the kernel's answer. OSError when it refuses."""
    body = _GENERIC.pack(command, 1) + attributes
    sock.sendto(_MESSAGE.pack(_MESSAGE.size + len(body), family, _F_REQUEST, 1, 0) + body, (0, 0))
    answer = sock.recv(8192)
    length, kind, *_ = _MESSAGE.unpack_from(answer)
    if kind == _NLMSG_ERROR:
        raise OSError("the kernel refuses")
    return answer[_MESSAGE.size + _GENERIC.size : length]


def _attribute(kind: int, value: bytes) -> bytes:
    packed = _ATTRIBUTE.pack(_ATTRIBUTE.size + len(value), kind) + value
    return packed + bytes(-len(packed) % 4)


def _attributes(data: bytes) -> dict[int, bytes]:
    return dict(_each(data))


def _each(data: bytes) -> Iterator[tuple[int, bytes]]:
    place = 0
    while place + _ATTRIBUTE.size <= len(data):
        length, kind = _ATTRIBUTE.unpack_from(data, place)
        length = max(length, _ATTRIBUTE.size)
        yield kind & _TYPE_MASK, data[place + _ATTRIBUTE.size : place + length]
        place += (length + 3) & ~3
