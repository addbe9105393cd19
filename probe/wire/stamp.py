"""STAMP test packets as bytes: RFC 8762 with the SSID of RFC 8972, both layouts.

The unauthenticated base packet has 44 octets, the authenticated one 112, the last 16 of them an
HMAC-SHA-256 over octets 0 to 95 cut to 16 (RFC 8762 section 4.4). Whatever follows the base packet is
padding, which a reflector copies (section 4.3), or TLVs (`probe.wire.stamp_tlv`). Timestamps are 64-bit NTP
(RFC 5905 section 6), error estimates those of RFC 4656 section 4.1.2 with the Z bit of RFC 8186. A `key` of
None means the unauthenticated layout. Packets are named tuples, which are made in a third of the time that
a frozen dataclass takes: an endpoint makes two for each it answers. Pure: no socket, no clock.
"""

from __future__ import annotations

import hmac
import struct
from typing import NamedTuple

from store.clock import NS_PER_S
from store.errors import BadPacket

UNAUTHENTICATED_BYTES = 44
AUTHENTICATED_BYTES = 112
SENT_TTL = 255  # RFC 4656 section 4.1.2, for senders and reflectors alike

_MAC_BYTES = 16
_COVERED_BYTES = AUTHENTICATED_BYTES - _MAC_BYTES
_ERA = 1 << 32  # seconds in one NTP era
_ERA_NS = _ERA * NS_PER_S
_NTP_EPOCH_S = 2_208_988_800  # NTP second of Unix second 0; RFC 5905, figure 4
_SCALE_MAX, _MULTIPLIER_MAX = 63, 255  # six bits and eight

_OPEN_SENDER = struct.Struct("!IQHH28x")
_OPEN_REFLECTOR = struct.Struct("!IQHHQIQH2xB3x")
_SEALED_SENDER = struct.Struct("!I12xQHH68x")
_SEALED_REFLECTOR = struct.Struct("!I12xQHH4xQ8xI12xQH6xB15x")
_SSID = struct.Struct("!H")


class SenderPacket(NamedTuple):
    """What a session-sender says. `sent_ntp` and `error_estimate` are raw fields; an `ssid` of 0 is none."""

    sequence: int
    sent_ntp: int
    error_estimate: int
    ssid: int


class ReflectorPacket(NamedTuple):
    """What a session-reflector answers: its own fields, then the sender's as it received them."""

    sequence: int
    sent_ntp: int
    error_estimate: int
    ssid: int
    received_ntp: int
    sender_sequence: int
    sender_ntp: int
    sender_error_estimate: int
    sender_ttl: int


KNOCK_SEQUENCE = (1 << 32) - 1
"""The sender's sequence number in a reflector's packet that answers none: it tries the way down alone.

No train of a failover exercise gets there; one of years that does takes a reply for a knock once.
"""


def peek_ssid(data: bytes, *, authenticated: bool = True) -> int:
    """The SSID field, unverified, to find the session's key by. Raises BadPacket when it is not there."""
    offset, base_bytes = (26, AUTHENTICATED_BYTES) if authenticated else (14, UNAUTHENTICATED_BYTES)
    if len(data) < base_bytes:
        raise BadPacket("STAMP packet", f"{len(data)} octets, expected at least {base_bytes}")
    (ssid,) = _SSID.unpack_from(data, offset)
    return int(ssid)


def encode_sender(packet: SenderPacket, *, key: bytes | None, size: int, tail: bytes = b"") -> bytes:
    """The packet in `size` octets of UDP payload, `tail` and zeros behind the base packet.

    Raises ValueError for a size below these; struct.error for a field out of its range.
    """
    layout = _OPEN_SENDER if key is None else _SEALED_SENDER
    fields = layout.pack(packet.sequence, packet.sent_ntp, packet.error_estimate, packet.ssid)
    base = fields if key is None else fields + _mac(key, fields)
    if size < len(base) + len(tail):
        raise ValueError(f"a packet of {size} octets cannot hold the {len(base) + len(tail)} that it needs")
    return base + tail + bytes(size - len(base) - len(tail))


def decode_sender(data: bytes, *, key: bytes | None) -> SenderPacket:
    """Read a sender's packet. Raises BadPacket for a short one, a wrong HMAC or an illegal error estimate."""
    layout = _OPEN_SENDER if key is None else _SEALED_SENDER
    _verify(data, key)
    sequence, sent_ntp, error_estimate, ssid = layout.unpack_from(data)
    _check_estimate(error_estimate)
    return SenderPacket(sequence=sequence, sent_ntp=sent_ntp, error_estimate=error_estimate, ssid=ssid)


def encode_reflector(packet: ReflectorPacket, *, key: bytes | None, tail: bytes = b"") -> bytes:
    """The reply, `tail` (the octets that followed the sender's base packet) copied behind it."""
    layout = _OPEN_REFLECTOR if key is None else _SEALED_REFLECTOR
    fields = layout.pack(
        packet.sequence,
        packet.sent_ntp,
        packet.error_estimate,
        packet.ssid,
        packet.received_ntp,
        packet.sender_sequence,
        packet.sender_ntp,
        packet.sender_error_estimate,
        packet.sender_ttl,
    )
    return fields + tail if key is None else fields + _mac(key, fields) + tail


def decode_reflector(data: bytes, *, key: bytes | None) -> ReflectorPacket:
    """Read a reply. Raises BadPacket for a short one, a wrong HMAC or an illegal error estimate."""
    layout = _OPEN_REFLECTOR if key is None else _SEALED_REFLECTOR
    _verify(data, key)
    found = layout.unpack_from(data)
    _check_estimate(found[2])
    return ReflectorPacket(
        sequence=found[0],
        sent_ntp=found[1],
        error_estimate=found[2],
        ssid=found[3],
        received_ntp=found[4],
        sender_sequence=found[5],
        sender_ntp=found[6],
        sender_error_estimate=found[7],
        sender_ttl=found[8],
    )


def ntp_of(unix_ns: int) -> int:
    """Unix nanoseconds as a 64-bit NTP timestamp, rounded to nearest, in whichever era it falls.

    Zero means "unknown" (RFC 5905 section 6), so the one instant of an era that would be zero is sent as 1.
    """
    seconds, rest_ns = divmod(unix_ns, NS_PER_S)
    ntp = (((seconds + _NTP_EPOCH_S) << 32) + ((rest_ns << 32) + NS_PER_S // 2) // NS_PER_S) % (_ERA << 32)
    return ntp or 1


def unix_ns_of(ntp: int, *, near_unix_ns: int) -> int:
    """The NTP timestamp as Unix nanoseconds, in the era that lies within 68 years of `near_unix_ns`.

    With `ntp_of`, every nanosecond survives the round trip.
    """
    in_era_ns = ((ntp >> 32) - _NTP_EPOCH_S) * NS_PER_S + (((ntp & 0xFFFFFFFF) * NS_PER_S + (1 << 31)) >> 32)
    return in_era_ns + (near_unix_ns - in_era_ns + _ERA_NS // 2) // _ERA_NS * _ERA_NS


def error_estimate(synchronised: bool, error_ns: int) -> int:
    """The error estimate field for an NTP-format clock that may be `error_ns` off.

    The smallest that is not below the error: the least scale whose multiplier fits, rounded up.
    """
    scale = 0
    while (multiplier := -(-(error_ns << 32) // (NS_PER_S << scale))) > _MULTIPLIER_MAX:
        scale += 1
    if scale > _SCALE_MAX:
        raise ValueError(f"an error of {error_ns} ns does not fit the field")
    return synchronised << 15 | scale << 8 | max(1, multiplier)


def read_error_estimate(field: int) -> tuple[bool, float]:
    """(synchronised to UTC, error in seconds) of an error estimate. Raises BadPacket for multiplier 0."""
    _check_estimate(field)
    return bool(field >> 15), (field & 0xFF) * 2.0 ** ((field >> 8 & _SCALE_MAX) - 32)


def _mac(key: bytes, fields: bytes) -> bytes:
    return hmac.digest(key, fields, "sha256")[:_MAC_BYTES]


def _verify(data: bytes, key: bytes | None) -> None:
    base_bytes = UNAUTHENTICATED_BYTES if key is None else AUTHENTICATED_BYTES
    if len(data) < base_bytes:
        raise BadPacket("STAMP packet", f"{len(data)} octets, expected at least {base_bytes}")
    if key is not None and not hmac.compare_digest(
        data[_COVERED_BYTES:AUTHENTICATED_BYTES], _mac(key, data[:_COVERED_BYTES])
    ):
        raise BadPacket("STAMP packet", "its HMAC does not fit")


def _check_estimate(field: int) -> None:
    if not field & 0xFF:
        raise BadPacket("STAMP packet", "an error estimate with multiplier 0")
