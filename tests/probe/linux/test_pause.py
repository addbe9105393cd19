"""Pause frames as the kernel's answer holds them, laid out by linux/netlink.h and linux/ethtool_netlink.h."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from probe.linux import pause
from probe.linux.pause import Pause


def attribute(kind: int, value: bytes) -> bytes:
    """struct nlattr with its value, filled up to four bytes (NLA_ALIGNTO)."""
    packed = struct.pack("=HH", 4 + len(value), kind) + value
    return packed + bytes(-len(packed) % 4)


def answer(statistics: bytes) -> bytes:
    """ETHTOOL_MSG_PAUSE_GET_REPLY: header 1, autoneg 2, rx 3, tx 4, statistics 5; nests carry bit 15."""
    header = attribute(1 | 0x8000, attribute(1, struct.pack("=I", 3)) + attribute(2, b"eth1\0"))
    flags = b"".join(attribute(kind, b"\x01") for kind in (2, 3, 4))
    return header + flags + statistics


def test_counts() -> None:
    """ETHTOOL_A_PAUSE_STAT_TX_FRAMES is 2 and RX_FRAMES 3, u64 both, with padding (1) where it falls so."""
    sent, received = attribute(2, struct.pack("=Q", 70_000_000_000)), attribute(3, struct.pack("=Q", 9))
    counted = attribute(5 | 0x8000, attribute(1, b"") + sent + attribute(1, b"") + received)
    assert pause.parse(answer(counted)) == Pause(received=9, sent=70_000_000_000)


def test_a_driver_that_does_not_count() -> None:
    assert pause.parse(answer(b"")) is None
    assert pause.parse(answer(attribute(5 | 0x8000, b""))) is None


@given(st.binary(max_size=80))
def test_any_bytes(data: bytes) -> None:
    """Any answer is read or says nothing."""
    found = pause.parse(data)
    assert found is None or found.received >= 0


def test_interfaces_without_a_port() -> None:
    """Loopback has no flow control, and one that is not there has nothing."""
    assert pause.read("lo") is None
    assert pause.read("none0") is None
