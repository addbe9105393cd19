"""The packets of a burst one by one, as bytes and back: which arrived, and when.

A burst is short, and what a limit does to it shows in the moments of its packets. Each entry is packets that
arrived together with numbers in a row: four integers of `store.varint`, three as differences to the entry
before. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from store import varint
from store.errors import BadMessage

_WHAT = "an arrival log"


class Together(NamedTuple):
    """`packets` numbered from `first`, sent and arrived at these moments; two clocks, each its own."""

    first: int
    packets: int
    sent_us: int
    arrived_us: int


def pack(log: Iterable[Together]) -> bytes:
    """The log in the order of arrival."""
    numbers: list[int] = []
    before = Together(0, 0, 0, 0)
    for one in log:
        steps = (
            one.first - before.first,
            one.sent_us - before.sent_us,
            one.arrived_us - before.arrived_us,
        )
        numbers += (one.packets, *map(_unsigned, steps))
        before = one
    return varint.pack(numbers)


def unpack(packed: bytes) -> tuple[Together, ...]:
    """Undo `pack`. Raises BadMessage for bytes that it cannot have made."""
    numbers = list(varint.unpack(packed, _WHAT))
    if len(numbers) % 4:
        raise BadMessage(_WHAT, f"it has {len(numbers)} numbers, no multiple of 4")
    found = []
    first = sent_us = arrived_us = 0
    for at in range(0, len(numbers), 4):
        packets, *steps = numbers[at : at + 4]
        first += _signed(steps[0])
        sent_us += _signed(steps[1])
        arrived_us += _signed(steps[2])
        found.append(Together(first, packets, sent_us, arrived_us))
    return tuple(found)


def _unsigned(number: int) -> int:
    return number * 2 if number >= 0 else -number * 2 - 1


def _signed(number: int) -> int:
    return -(number + 1) // 2 if number % 2 else number // 2
