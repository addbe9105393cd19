"""RTP packets against scapy's own dissection, which follows RFC 3550."""

from __future__ import annotations

import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import rtp
from probe.wire.paced import tag_of
from probe.wire.rtp import Packet
from store.errors import BadPacket

KEY = bytes(range(32))
TAG = tag_of(KEY)

packets = st.builds(
    Packet,
    sequence=st.integers(0, 2**16 - 1),
    timestamp=st.integers(0, 2**32 - 1),
    frame=st.integers(0, 2**32 - 1),
    place=st.integers(0, 2**16 - 1),
    last=st.booleans(),
)


@given(packets, st.binary(max_size=60))
def test_round_trip(packet: Packet, body: bytes) -> None:
    assert rtp.unpack(KEY, TAG, rtp.pack(KEY, TAG, packet, body)) == packet


@given(packets, st.binary(min_size=1, max_size=60))
def test_as_scapy_reads_it(packet: Packet, body: bytes) -> None:
    """Version, marker, payload type, numbers and SSRC; the extension as RFC 8285 has it, read by hand."""
    from scapy.layers.rtp import RTP, RTPExtension

    found = RTP(rtp.pack(KEY, TAG, packet, body))
    assert (found.version, found.padding, found.extension, found.numsync) == (2, 0, 1, 0)
    assert (found.marker, found.payload_type) == (packet.last, 96)
    assert (found.sequence, found.timestamp) == (packet.sequence, packet.timestamp)
    assert found.sourcesync.to_bytes(4) == TAG
    extension = found[RTPExtension]
    assert (extension.header_id, extension.header_len) == (0xBEDE, 2)
    words = b"".join(word.to_bytes(4) for word in extension.header)
    assert (words[0] >> 4, words[0] & 15, int.from_bytes(words[1:5])) == (1, 3, packet.frame)
    assert (words[5] >> 4, words[5] & 15, int.from_bytes(words[6:8])) == (2, 1, packet.place)
    assert bytes(extension.payload)[:-10] == body


def test_sizes_are_those_of_the_sums() -> None:
    """12 of RTP, 12 of extensions, 1200 of payload and 10 of authentication (`store.demand`)."""
    packet = Packet(sequence=0, timestamp=0, frame=0, place=0, last=True)
    assert len(rtp.pack(KEY, TAG, packet, bytes(rtp.BODY_BYTES))) == 12 + 12 + 1200 + 10


def test_sequence_and_timestamp_go_round() -> None:
    packet = Packet(sequence=2**16 + 5, timestamp=2**32 + 9, frame=1, place=2, last=False)
    found = rtp.unpack(KEY, TAG, rtp.pack(KEY, TAG, packet, b"x"))
    assert (found.sequence, found.timestamp) == (5, 9)


def test_it_ends_with_ten_octets_of_the_hmac() -> None:
    """RFC 2104 with SHA-256, by Python's own module."""
    data = rtp.pack(KEY, TAG, Packet(sequence=1, timestamp=2, frame=3, place=4, last=False), b"body")
    assert data[-10:] == hmac.new(KEY, data[:-10], hashlib.sha256).digest()[:10]


@given(st.binary(max_size=120))
def test_any_octets_are_refused(data: bytes) -> None:
    with pytest.raises(BadPacket):
        rtp.unpack(KEY, TAG, data)


@given(st.integers(0, 43), st.integers(1, 255))
def test_any_changed_octet_is_refused(place: int, change: int) -> None:
    packet = Packet(sequence=1, timestamp=2, frame=3, place=4, last=False)
    data = bytearray(rtp.pack(KEY, TAG, packet, bytes(10)))
    data[place] ^= change
    with pytest.raises(BadPacket):
        rtp.unpack(KEY, TAG, bytes(data))
