"""Datagrams of a stream whose receiver asks for what is missing, as bytes and back.

A part of a frame has a head of 16 octets, four fields in network order: the stream's tag (32 bits), its
sequence number from 0 (32), its frame (32), its place in there (16) and how many parts that frame has (16),
of which the highest bit marks a repeat. Up to seven transport packets of 188 octets follow, or as many
octets.

What is missing is asked for by a datagram of: mark, the stream's tag, a number of ranges (16 bits, 16 of
zero), each range as its first sequence number and how many (32 bits each), and the first 16 octets of an
HMAC-SHA-256 of all before it. Pure: no socket, no clock.
"""

from __future__ import annotations

import hmac
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from probe.wire.paced import tag_of
from store.errors import BadPacket

BODY_BYTES = 7 * 188
PARTS_MAX = 0x7FFF
_HEAD = struct.Struct("!4sIIHH")
HEAD_BYTES = _HEAD.size
_ASK = struct.Struct("!4s4sH2x")
_RANGE = struct.Struct("!II")
_MARK, _MAC_BYTES = b"LBrq", 16
RANGES_MAX = 128
_REPEAT = 0x8000


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part of a frame."""

    sequence: int
    frame: int
    place: int
    parts: int
    repeat: bool


def pack(tag: bytes, part: Part) -> bytes:
    """The head of a datagram; its body follows."""
    marked = part.parts | (_REPEAT if part.repeat else 0)
    return _HEAD.pack(tag, part.sequence, part.frame, part.place, marked)


def unpack(tag: bytes, data: bytes | memoryview) -> Part:
    """Read the head of a datagram. Raises BadPacket."""
    if len(data) < HEAD_BYTES:
        raise BadPacket("part of a frame", f"{len(data)} octets")
    found, sequence, frame, place, marked = _HEAD.unpack_from(data)
    parts = marked & ~_REPEAT
    if found != tag or not place < parts:
        raise BadPacket("part of a frame", "it is none of this stream")
    return Part(sequence=sequence, frame=frame, place=place, parts=parts, repeat=bool(marked & _REPEAT))


def ask(key: bytes, missing: Iterable[int]) -> bytes:
    """A question for these sequence numbers, which ascend; of many ranges the first `RANGES_MAX`."""
    ranges: list[list[int]] = []
    for number in missing:
        if ranges and number == ranges[-1][0] + ranges[-1][1]:
            ranges[-1][1] += 1
        elif len(ranges) == RANGES_MAX:
            break
        else:
            ranges.append([number, 1])
    said = _ASK.pack(_MARK, tag_of(key), len(ranges)) + b"".join(_RANGE.pack(*each) for each in ranges)
    return said + hmac.digest(key, said, "sha256")[:_MAC_BYTES]


def is_ask(data: bytes) -> bool:
    """Whether it could be a question."""
    return data.startswith(_MARK)


def asked(key: bytes, data: bytes) -> Sequence[range]:
    """The sequence numbers that are asked for. Raises BadPacket."""
    said, seal = data[:-_MAC_BYTES], data[-_MAC_BYTES:]
    right = len(said) >= _ASK.size and hmac.compare_digest(
        seal, hmac.digest(key, said, "sha256")[:_MAC_BYTES]
    )
    if not right:
        raise BadPacket("question for repeats", "it is not sealed with this stream's key")
    mark, tag, count = _ASK.unpack_from(said)
    if mark != _MARK or tag != tag_of(key) or len(said) != _ASK.size + count * _RANGE.size:
        raise BadPacket("question for repeats", "it is none of this stream")
    return [range(first, first + many) for first, many in _RANGE.iter_unpack(said[_ASK.size :])]
