"""What stands behind a STAMP base packet of an authenticated session: TLVs of RFC 8972.

A sender asks for follow-up telemetry (section 4.7): when the reply before this one truly left. The kernel
says so only once it has, so it travels with the next reply. The TLVs are sealed by an HMAC TLV (section
4.8), and an Extra Padding TLV fills the rest. A reflector that knows none of this copies them with their U
flag set, and a sender passes such over. The layout of the value is from memory: sequence number of the reply
meant, its time in NTP form, the method of the stamp, three octets of zero. Pure: no socket, no clock.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass

FOLLOWED_BYTES = 40  # what asking takes behind the base packet

_UNKNOWN, _SPOILT = 0x80, 0x20  # flags U and I, section 4
_PADDING, _FOLLOW_UP, _HMAC = 1, 7, 8  # types, section 5.1
_LOCAL_STAMP = 2  # "SW Local" of the timestamping methods, section 4.3
_MAC_BYTES = 16
_HEAD = struct.Struct("!BBH")  # flags, type, octets of the value
_TOLD = struct.Struct("!IQB3x")
_NUMBER = struct.Struct("!I")
_VALUE_BYTES = _TOLD.size
_MAC_AT = _HEAD.size + _VALUE_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """When the reply of this number left, as a 64-bit NTP timestamp."""

    sequence: int
    sent_ntp: int


def asking(sequence: int, *, key: bytes, size: int) -> bytes:
    """The `size` octets behind a sender's base packet that ask; zeros where they are too few to."""
    if size < FOLLOWED_BYTES:
        return bytes(size)
    asked = _HEAD.pack(_UNKNOWN, _FOLLOW_UP, _VALUE_BYTES) + bytes(_VALUE_BYTES)
    return asked + _sealing(_UNKNOWN, sequence, asked, key) + _padding(size - FOLLOWED_BYTES)


def asks(tail: bytes) -> bool:
    """Whether what stands behind a base packet begins as `asking` has it."""
    return (
        len(tail) >= FOLLOWED_BYTES
        and _HEAD.unpack_from(tail) == (_UNKNOWN, _FOLLOW_UP, _VALUE_BYTES)
        and _HEAD.unpack_from(tail, _MAC_AT) == (_UNKNOWN, _HMAC, _MAC_BYTES)
    )


def answering(tail: bytes, *, asked_in: int, sequence: int, key: bytes, told: FollowUp | None) -> bytes:
    """What goes behind reply number `sequence` to packet `asked_in` whose `tail` asks; zeros for None.

    A tail with a wrong HMAC goes back with its I flags set (section 4.8).
    """
    asked, rest = tail[:_MAC_AT], tail[FOLLOWED_BYTES:]
    mac = tail[_MAC_AT + _HEAD.size : FOLLOWED_BYTES]
    if not hmac.compare_digest(mac, _mac(asked_in, asked, key)):
        flags = _UNKNOWN | _SPOILT
        return bytes([flags]) + asked[1:] + bytes([flags]) + tail[_MAC_AT + 1 :]
    value = bytes(_VALUE_BYTES) if told is None else _TOLD.pack(told.sequence, told.sent_ntp, _LOCAL_STAMP)
    answer = _HEAD.pack(0, _FOLLOW_UP, _VALUE_BYTES) + value
    return answer + _sealing(0, sequence, answer, key) + rest


def followed(tail: bytes, *, sequence: int, key: bytes) -> FollowUp | None:
    """What reply number `sequence` tells of the one before it; None when it tells nothing to rely on."""
    if len(tail) < FOLLOWED_BYTES or _HEAD.unpack_from(tail) != (0, _FOLLOW_UP, _VALUE_BYTES):
        return None
    if _HEAD.unpack_from(tail, _MAC_AT) != (0, _HMAC, _MAC_BYTES):
        return None
    mac = tail[_MAC_AT + _HEAD.size : FOLLOWED_BYTES]
    if not hmac.compare_digest(mac, _mac(sequence, tail[:_MAC_AT], key)):
        return None
    number, sent_ntp, _ = _TOLD.unpack_from(tail, _HEAD.size)
    return FollowUp(sequence=number, sent_ntp=sent_ntp) if sent_ntp else None


def _sealing(flags: int, sequence: int, tlvs: bytes, key: bytes) -> bytes:
    return _HEAD.pack(flags, _HMAC, _MAC_BYTES) + _mac(sequence, tlvs, key)


def _mac(sequence: int, tlvs: bytes, key: bytes) -> bytes:
    """Over the base packet's sequence number and the TLVs before it (section 4.8)."""
    return hmac.digest(key, _NUMBER.pack(sequence) + tlvs, "sha256")[:_MAC_BYTES]


def _padding(size: int) -> bytes:
    if size < _HEAD.size:
        return bytes(size)
    return _HEAD.pack(_UNKNOWN, _PADDING, size - _HEAD.size) + bytes(size - _HEAD.size)
