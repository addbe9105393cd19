"""SO_MAX_PACING_RATE: the kernel holds a TCP connection's sending to a rate.

What the kernel counts is TCP payload, repeats included, no header: with segments of 536 bytes as much
payload came through as with 1448 (measured, Linux 6.18, cubic; were packets counted, it would be a tenth
less). TCP needs no special queue for it (from 4.13 on, from memory). The first ten segments of a connection
go out unpaced (net/ipv4/tcp_output.c, from memory). Imports socket and struct only.
"""

from __future__ import annotations

import socket
import struct

SO_MAX_PACING_RATE = getattr(socket, "SO_MAX_PACING_RATE", 47)  # no release of Python's socket module has it

_MOST = (1 << 8 * struct.calcsize("@L")) - 2  # one more means no limit at all


def hold(sock: socket.socket, rate_bps: int) -> None:
    """Let `sock` send at most `rate_bps` of payload from now on. OSError where the kernel refuses."""
    bytes_a_second = min(max(1, rate_bps // 8), _MOST)
    sock.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, struct.pack("@L", bytes_a_second))
