"""Queries of the domain name system and their answers, as bytes and back: RFC 1035 section 4.

Only what timing a lookup needs: a question for a name's IPv4 addresses, and of the answer whether it is that
question's, its code and its lowest TTL. No socket, no clock.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from store.errors import BadPacket

_HEADER = struct.Struct("!HHHHHH")  # number, flags, counts of questions, answers, authorities, additional
_QUESTION = struct.Struct("!HH")  # type, class
_RECORD = struct.Struct("!HHIH")  # type, class, TTL, length of what follows
_RECURSE, _ANSWER, _CODE = 0x0100, 0x8000, 0x000F
_TYPE_A, _CLASS_IN = 1, 1
_POINTER = 0xC0  # of two octets, to a name that stands earlier: section 4.1.4
_LABEL_BYTES, _NAME_BYTES = 63, 255
_TTL_MOST = 0x7FFF_FFFF  # RFC 2181 section 8: a TTL above is read as 0
NO_SUCH_NAME = 3
_CODES = {1: "format error", 2: "server failure", 3: "no such name", 4: "not implemented", 5: "refused"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """An answer. `ttl_s` is the lowest of its records', None for none."""

    code: int
    ttl_s: int | None

    @property
    def word(self) -> str:
        """Its code as the standard has it: ``server failure``; empty for 0."""
        return _CODES.get(self.code, f"code {self.code}") if self.code else ""


def encode_query(number: int, name: str) -> bytes:
    """A query for the IPv4 addresses of `name` that asks for recursion. ValueError for what is no name."""
    question = encode_name(name) + _QUESTION.pack(_TYPE_A, _CLASS_IN)
    return _HEADER.pack(number, _RECURSE, 1, 0, 0, 0) + question


def encode_name(name: str) -> bytes:
    """A name as labels, each behind its length. ValueError for what is no name."""
    try:
        labels = [label.encode("idna") for label in name.removesuffix(".").split(".")]
    except UnicodeError:
        raise ValueError(f"{name!r} is no host name") from None
    found = b"".join(bytes((len(label),)) + label for label in labels) + b"\0"
    if not all(0 < len(label) <= _LABEL_BYTES for label in labels) or len(found) > _NAME_BYTES:
        raise ValueError(f"{name!r} is no host name")
    return found


def decode_reply(data: bytes, *, query: bytes) -> Reply | None:
    """The answer to `query`; None for a message that is none. Raises BadPacket where it breaks off."""
    if len(data) < _HEADER.size:
        raise BadPacket("DNS", f"{len(data)} octets, a header has {_HEADER.size}")
    number, flags, questions, answers, _, _ = _HEADER.unpack_from(data)
    question = query[_HEADER.size :]
    asked = data[_HEADER.size : _HEADER.size + len(question)]
    if number != _HEADER.unpack_from(query)[0] or not flags & _ANSWER:
        return None
    if questions == 0 and flags & _CODE:  # a server that could not read the question need not repeat it
        return Reply(code=flags & _CODE, ttl_s=None)
    if questions != 1 or asked.lower() != question.lower():
        return None
    at, ttls = _HEADER.size + len(question), []
    for _ in range(answers):
        at = _past_name(data, at)
        if at + _RECORD.size > len(data):
            raise BadPacket("DNS", "an answer breaks off")
        _, _, ttl_s, length = _RECORD.unpack_from(data, at)
        at += _RECORD.size + length
        if at > len(data):
            raise BadPacket("DNS", "an answer breaks off")
        ttls.append(ttl_s if ttl_s <= _TTL_MOST else 0)
    return Reply(code=flags & _CODE, ttl_s=min(ttls, default=None))


def _past_name(data: bytes, at: int) -> int:
    while at < len(data):
        length = data[at]
        if length & _POINTER == _POINTER:
            return at + 2
        if length > _LABEL_BYTES:
            raise BadPacket("DNS", f"a label of type {length >> 6}, which the standard has not")
        at += 1 + length
        if not length:
            return at
    raise BadPacket("DNS", "a name breaks off")
