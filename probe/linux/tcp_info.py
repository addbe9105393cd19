"""TCP_INFO: what the kernel knows of one connection, as a value.

Layout: `struct tcp_info` of linux/tcp.h, which only ever grew at its end; an older kernel returns
less and the missing fields read 0. Times are microseconds unless a name ends in ``_ms``, rates
bytes per second. Imports socket and struct only.
"""

from __future__ import annotations

import socket
import struct
from typing import NamedTuple

# Not every release of Python's socket module has these.
TCP_INFO = getattr(socket, "TCP_INFO", 11)
TCP_CONGESTION = getattr(socket, "TCP_CONGESTION", 13)
TCP_NOTSENT_LOWAT = getattr(socket, "TCP_NOTSENT_LOWAT", 25)

_LAYOUT = struct.Struct("=8B24I4Q6I4Q2I2Q4I")
_OPTION_TIMESTAMPS = 1  # TCPI_OPT_TIMESTAMPS


class TcpInfo(NamedTuple):
    """`struct tcp_info`, its fields in the kernel's order and by the kernel's names.

    `wscale` and `app_limited` are bit fields. `bytes_sent` counts payload with repeats,
    `bytes_retrans` the repeats alone, `bytes_acked` what the far end acknowledged. `busy_time` is
    the time with data outstanding; `rwnd_limited` and `sndbuf_limited` are parts of it.
    """

    state: int
    ca_state: int
    retransmits: int
    probes: int
    backoff: int
    options: int
    wscale: int
    app_limited: int
    rto: int
    ato: int
    snd_mss: int
    rcv_mss: int
    unacked: int
    sacked: int
    lost: int
    retrans: int
    fackets: int
    last_data_sent_ms: int
    last_ack_sent_ms: int
    last_data_recv_ms: int
    last_ack_recv_ms: int
    pmtu: int
    rcv_ssthresh: int
    rtt: int
    rttvar: int
    snd_ssthresh: int
    snd_cwnd: int
    advmss: int
    reordering: int
    rcv_rtt: int
    rcv_space: int
    total_retrans: int
    pacing_rate: int
    max_pacing_rate: int
    bytes_acked: int
    bytes_received: int
    segs_out: int
    segs_in: int
    notsent_bytes: int
    min_rtt: int
    data_segs_in: int
    data_segs_out: int
    delivery_rate: int
    busy_time: int
    rwnd_limited: int
    sndbuf_limited: int
    delivered: int
    delivered_ce: int
    bytes_sent: int
    bytes_retrans: int
    dsack_dups: int
    reord_seen: int
    rcv_ooopack: int
    snd_wnd: int

    @property
    def timestamps(self) -> bool:
        """Whether the connection carries the timestamps option of RFC 7323."""
        return bool(self.options & _OPTION_TIMESTAMPS)


def parse(data: bytes) -> TcpInfo:
    """Read what getsockopt returned; fields that an older kernel left out are 0."""
    return TcpInfo._make(_LAYOUT.unpack(data[: _LAYOUT.size].ljust(_LAYOUT.size, b"\0")))


def read(sock: socket.socket) -> TcpInfo:
    """The kernel's present view of `sock`, a TCP socket. OSError when it is none."""
    return parse(sock.getsockopt(socket.IPPROTO_TCP, TCP_INFO, _LAYOUT.size))


def congestion(sock: socket.socket) -> str:
    """The name of the congestion control in use."""
    name = sock.getsockopt(socket.IPPROTO_TCP, TCP_CONGESTION, 16)
    return name.split(b"\0", 1)[0].decode("ascii", "replace")


def ask_congestion(sock: socket.socket, name: str) -> bool:
    """Ask for congestion control `name`; False when the kernel does not have it or does not let us."""
    try:
        sock.setsockopt(socket.IPPROTO_TCP, TCP_CONGESTION, name.encode())
    except OSError:
        return False
    return True
