"""Datagrams of a paced run as bytes: how one is opened, kept alive, and what its payload begins with.

Opening, over UDP from the address that payload will come from or go to, with a key that control handed
out for this run alone::

    probe                            endpoint
    HELLO      nonce p            ->
                                  <- CHALLENGE  nonce e, echo p
    PROOF      nonce p, echo e    ->
                                  <- READY      nonce e, echo p
    payload, or ALIVE             ->  (which opens a translator on the way as well)

Each of these has 80 octets, so an answer is never larger than its question, and ends with an HMAC-SHA-256 of
all before it; what is not sealed so gets no answer. Nothing but a CHALLENGE goes to an address before the
nonce in it came back from there. The receiver of payload repeats ALIVE, with a number that grows.

In a capacity run it says STATUS instead, every 50 ms in which payload arrived: the same growing number, and
where others echo, four numbers of 32 bits in network order (`Status`). It is a sign of life as well.

Payload datagrams are all of one size, a multiple of 2. They begin with three numbers of 32 bits in network
order: the run's tag, the sequence number from 0, and the moment of sending in microseconds of the sender's
monotonic clock since its first; random octets follow. Pure: no socket, no clock.
"""

from __future__ import annotations

import hashlib
import hmac
import struct
from dataclasses import dataclass
from enum import IntEnum

from store.errors import BadPacket

CONTROL_BYTES = 80
KEY_BYTES = 32
NONCE_BYTES = 16
TAG_BYTES = 4
HEAD_BYTES = 12
STEP_BYTES = 2  # sizes are multiples of it, as those of 128 to 1518 octets of Ethernet need
PAYLOAD_BYTES = (60, 8_972)  # smallest and largest payload; 9000-octet packets are the largest in use
SEQUENCES = 1 << 32
SECONDS_MAX = 4_294  # moments are microseconds in 32 bits
BURST_PACKETS_MAX = 1 << 15  # each of which is told one by one: 48 MB of full packets

_MAGIC = b"LBpu"
_CONTROL = struct.Struct("!4sB3x4s4x16s16s")
_STATUS = struct.Struct("!4I")
_NUMBER_MAX = (1 << 32) - 1
_MAC_BYTES = 32


class Word(IntEnum):
    """What a control datagram says."""

    HELLO = 1
    CHALLENGE = 2
    PROOF = 3
    READY = 4
    ALIVE = 5
    STATUS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """What a receiver counted since its last STATUS: the feedback of RFC 9097 section 8.1.

    `sequence_errors` are packets lost, reordered or duplicated, `delay_range_us` the largest one-way delay
    less the smallest, `packets` what arrived, `covers_us` the time that it speaks of.
    """

    sequence_errors: int
    delay_range_us: int
    packets: int
    covers_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A control datagram whose seal was right. In ALIVE and STATUS, `nonce` is a number that grows."""

    word: Word
    nonce: bytes
    echo: bytes = bytes(NONCE_BYTES)

    @property
    def number(self) -> int:
        return int.from_bytes(self.nonce)

    @property
    def status(self) -> Status:
        """What a STATUS says; of another word it means nothing."""
        errors, delay_range_us, packets, covers_us = _STATUS.unpack(self.echo)
        return Status(
            sequence_errors=errors, delay_range_us=delay_range_us, packets=packets, covers_us=covers_us
        )


def tag_of(key: bytes) -> bytes:
    """The four octets by which a run is known in each datagram; they say nothing of its key."""
    return hashlib.sha256(b"linebook paced run" + key).digest()[:TAG_BYTES]


def pack(key: bytes, word: Word, *, nonce: bytes, echo: bytes = bytes(NONCE_BYTES)) -> bytes:
    """A control datagram."""
    said = _CONTROL.pack(_MAGIC, word, tag_of(key), nonce, echo)
    return said + hmac.digest(key, said, "sha256")


def alive(key: bytes, number: int) -> bytes:
    """The sign of life with this number."""
    return pack(key, Word.ALIVE, nonce=number.to_bytes(NONCE_BYTES))


def status(key: bytes, number: int, found: Status) -> bytes:
    """The STATUS with this number; what no 32 bits hold is said as their largest number."""
    counts = found.sequence_errors, found.delay_range_us, found.packets, found.covers_us
    echo = _STATUS.pack(*(min(_NUMBER_MAX, count) for count in counts))
    return pack(key, Word.STATUS, nonce=number.to_bytes(NONCE_BYTES), echo=echo)


def ready(key: bytes, proof: Said) -> bytes:
    """The answer to a PROOF, as often as it comes: an answer may be lost."""
    return pack(key, Word.READY, nonce=proof.echo, echo=proof.nonce)


def tag_in(data: bytes) -> bytes | None:
    """The tag of what could be a control datagram, None for anything else."""
    return data[8:12] if len(data) == CONTROL_BYTES and data.startswith(_MAGIC) else None


def unpack(key: bytes, data: bytes) -> Said:
    """Read a control datagram. Raises BadPacket for any other octets, and for a seal by another key."""
    if tag_in(data) != tag_of(key):
        raise BadPacket("paced control datagram", "it is none of this run")
    said, seal = data[:-_MAC_BYTES], data[-_MAC_BYTES:]
    if not hmac.compare_digest(seal, hmac.digest(key, said, "sha256")):
        raise BadPacket("paced control datagram", "it is not sealed with this run's key")
    _, word, _, nonce, echo = _CONTROL.unpack(said)
    if word not in Word.__members__.values():
        raise BadPacket("paced control datagram", f"word {word} means nothing")
    return Said(word=Word(word), nonce=nonce, echo=echo)


def cookie(key: bytes, *, address: str, nonce: bytes) -> bytes:
    """The nonce that an endpoint challenges `address` with; made anew from each HELLO, so nothing is kept."""
    return hmac.digest(key, b"challenge" + nonce + address.encode(), "sha256")[:NONCE_BYTES]
