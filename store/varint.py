"""Variable-length integers: seven bits a byte, the lowest first (LEB128, DWARF 4 section 7.6).

Packs what is mostly small. Stands beside errors at the bottom of store.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from store.errors import BadMessage

_BITS_MAX = 64


def pack(numbers: Iterable[int]) -> bytes:
    """The numbers (each from 0 to 2**64 - 1; ValueError otherwise), one after the other."""
    packed = bytearray()
    for number in numbers:
        if number < 0 or number >> _BITS_MAX:
            raise ValueError(f"{number} does not fit into 64 bits without a sign")
        while number > 0x7F:
            packed.append(number & 0x7F | 0x80)
            number >>= 7
        packed.append(number)
    return bytes(packed)


def unpack(packed: bytes, what: str) -> Iterator[int]:
    """Undo `pack`. Raises BadMessage about `what` for bytes that it cannot have made."""
    position = 0
    while position < len(packed):
        number, position = read(packed, position, what)
        yield number


def read(packed: bytes, position: int, what: str) -> tuple[int, int]:
    """The number that starts at `position`, and where the next one starts. Raises BadMessage."""
    number = shift = 0
    while position < len(packed):
        byte = packed[position]
        position += 1
        number |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            if number >> _BITS_MAX or (byte == 0 and shift > 7):
                break
            return number, position
        if shift > _BITS_MAX:
            break
    raise BadMessage(what, f"no integer of at most 64 bits ends before byte {position}")
