"""Variable-length integers, against the table that describes them."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import varint
from store.errors import BadMessage

# DWARF Debugging Information Format, version 4, figure 22 (from memory)
DWARF = [(2, "02"), (127, "7f"), (128, "8001"), (129, "8101"), (130, "8201"), (12857, "b964")]


@pytest.mark.parametrize(("number", "packed"), DWARF)
def test_packs_as_dwarf_does(number: int, packed: str) -> None:
    """Each row of the figure, both ways."""
    assert varint.pack([number]).hex() == packed
    assert list(varint.unpack(bytes.fromhex(packed), "figure")) == [number]


@given(st.lists(st.integers(0, 2**64 - 1)))
def test_round_trip(numbers: list[int]) -> None:
    """Unpacking undoes packing."""
    assert list(varint.unpack(varint.pack(numbers), "numbers")) == numbers


@given(st.binary(max_size=40))
def test_any_bytes_are_read_or_refused(packed: bytes) -> None:
    """Any bytes are read or refused, and what is read packs into the same bytes."""
    with contextlib.suppress(BadMessage):
        assert varint.pack(varint.unpack(packed, "bytes")) == packed


@pytest.mark.parametrize("packed", ["80", "ffffffffffffffffff02", "80" * 12 + "01", "8000"])
def test_refuses(packed: str) -> None:
    """An end within a number, more than 64 bits, and a number that is longer than it need be."""
    with pytest.raises(BadMessage):
        list(varint.unpack(bytes.fromhex(packed), "bytes"))


@pytest.mark.parametrize("number", [-1, 2**64])
def test_does_not_pack_what_does_not_fit(number: int) -> None:
    with pytest.raises(ValueError, match="64 bits"):
        varint.pack([number])
