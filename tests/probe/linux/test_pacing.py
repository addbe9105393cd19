"""SO_MAX_PACING_RATE as the kernel itself reports it; that it holds is seen in tests/links."""

from __future__ import annotations

import socket

import pytest

from probe.linux import pacing, tcp_info


@pytest.mark.parametrize(
    ("asked_bps", "bytes_a_second"), [(8_000_000, 1_000_000), (10**18, 10**18 // 8), (1, 1)]
)
def test_the_kernel_has_the_rate(asked_bps: int, bytes_a_second: int) -> None:
    """tcpi_max_pacing_rate of TCP_INFO is in bytes a second (linux/tcp.h)."""
    with socket.create_server(("127.0.0.1", 0)) as door, socket.create_connection(door.getsockname()) as near:
        pacing.hold(near, asked_bps)
        assert tcp_info.read(near).max_pacing_rate == bytes_a_second


def test_a_rate_beyond_all_bounds_is_taken_as_the_largest() -> None:
    with socket.create_server(("127.0.0.1", 0)) as door, socket.create_connection(door.getsockname()) as near:
        pacing.hold(near, 1 << 80)
        assert tcp_info.read(near).max_pacing_rate > 10**15


def test_what_is_no_tcp_socket_says_so() -> None:
    with socket.socket() as closed:
        closed.close()
        with pytest.raises(OSError, match="Bad file"):
            pacing.hold(closed, 1_000_000)
