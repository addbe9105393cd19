"""RTP packets of a rehearsed stream, as bytes and back (RFC 3550 section 5.1).

The header has version 2, the marker on the last packet of a frame, a dynamic payload type (RFC 3551 section
3), a sequence number of 16 bits from 0, the frame's moment at 90 kHz from 0, and the stream's tag as SSRC. A
header extension of 12 octets in one-byte form (RFC 8285 section 4.2) carries the frame's number (32 bits) and
the packet's place in there (16 bits), which a sequence number of 16 bits cannot tell over a stall. After the
payload come ten octets of authentication, as many as RFC 3711 section 4.2.1 has, here of an HMAC-SHA-256.
Pure: no socket, no clock.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass

from store.errors import BadPacket

BODY_BYTES = 1200
CLOCK_HZ = 90_000  # of video; RFC 3551 section 5
_VERSION_2_EXTENDED = 0x90
_MARKER = 0x80
_PAYLOAD_TYPE = 96  # the first dynamic one; RFC 3551 section 6
_PROFILE = 0xBEDE  # one-byte headers; RFC 8285 section 4.2
_FRAME_ID, _PLACE_ID = 1, 2
# header, then: profile, two words, (ID 1, 4 octets) and its frame, (ID 2, 2 octets) and its place
_HEAD = struct.Struct("!BBHI4sHHBIBH")
HEAD_BYTES = _HEAD.size
MAC_BYTES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """A packet of a frame; `last` marks the frame's last one."""

    sequence: int
    timestamp: int
    frame: int
    place: int
    last: bool


def pack(key: bytes, tag: bytes, packet: Packet, body: bytes | memoryview) -> bytes:
    """The packet with its payload and seal."""
    said = _HEAD.pack(
        _VERSION_2_EXTENDED,
        _PAYLOAD_TYPE | (_MARKER if packet.last else 0),
        packet.sequence & 0xFFFF,
        packet.timestamp & 0xFFFFFFFF,
        tag,
        _PROFILE,
        2,
        _FRAME_ID << 4 | 3,
        packet.frame,
        _PLACE_ID << 4 | 1,
        packet.place,
    ) + bytes(body)
    return said + hmac.digest(key, said, "sha256")[:MAC_BYTES]


def unpack(key: bytes, tag: bytes, data: bytes) -> Packet:
    """Read a packet. Raises BadPacket for any other octets, and for a seal by another key."""
    if len(data) < HEAD_BYTES + MAC_BYTES:
        raise BadPacket("RTP packet", f"{len(data)} octets")
    said, seal = data[:-MAC_BYTES], data[-MAC_BYTES:]
    if not hmac.compare_digest(seal, hmac.digest(key, said, "sha256")[:MAC_BYTES]):
        raise BadPacket("RTP packet", "it is not sealed with this stream's key")
    first, second, sequence, timestamp, ssrc, profile, words, _, frame, _, place = _HEAD.unpack_from(said)
    if (first, second & ~_MARKER, ssrc) != (_VERSION_2_EXTENDED, _PAYLOAD_TYPE, tag) or (profile, words) != (
        _PROFILE,
        2,
    ):
        raise BadPacket("RTP packet", "it is none of this stream")
    return Packet(
        sequence=sequence, timestamp=timestamp, frame=frame, place=place, last=bool(second & _MARKER)
    )
