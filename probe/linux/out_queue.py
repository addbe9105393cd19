"""What a TCP socket has taken and the far end has not acknowledged: SIOCOUTQ (linux/sockios.h)."""

from __future__ import annotations

import fcntl
import socket
import struct

_SIOCOUTQ = 0x5411
_INTEGER = struct.Struct("@i")


def unacknowledged_bytes(sock: socket.socket) -> int:
    """Sent or not, it still stands in this host. OSError for a socket that is closed."""
    found = fcntl.ioctl(sock, _SIOCOUTQ, bytes(_INTEGER.size))
    return int(_INTEGER.unpack(found)[0])
