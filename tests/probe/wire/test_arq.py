"""Parts of frames and questions for them: round trips, refusals, the seal as the standard has it."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import arq
from probe.wire.arq import Part
from probe.wire.paced import tag_of
from store.errors import BadPacket

KEY = bytes(range(32))
TAG = tag_of(KEY)
numbers = st.integers(0, 2**32 - 1)


@st.composite
def parts(draw: st.DrawFn) -> Part:
    count = draw(st.integers(1, arq.PARTS_MAX))
    return Part(
        sequence=draw(numbers),
        frame=draw(numbers),
        place=draw(st.integers(0, count - 1)),
        parts=count,
        repeat=draw(st.booleans()),
    )


@given(parts(), st.binary(max_size=40))
def test_round_trip(part: Part, body: bytes) -> None:
    data = arq.pack(TAG, part) + body
    assert arq.unpack(TAG, data) == part
    assert data[16:] == body
    assert not arq.is_ask(data)


@given(st.sets(st.integers(0, 400), max_size=120))
def test_questions(missing: set[int]) -> None:
    """Every number that is missing and no other, in as few ranges as there are gaps."""
    asked = arq.asked(KEY, arq.ask(KEY, sorted(missing)))
    assert [number for found in asked for number in found] == sorted(missing)
    assert all(before.stop < after.start for before, after in itertools.pairwise(asked))


def test_a_question_has_so_many_ranges_and_no_more() -> None:
    asked = arq.asked(KEY, arq.ask(KEY, range(0, 1000, 2)))
    assert [found.start for found in asked] == list(range(0, 2 * arq.RANGES_MAX, 2))
    assert len(arq.ask(KEY, range(0, 1000, 2))) <= 1_472  # one datagram of any way


def test_a_question_ends_with_half_the_hmac_of_all_before() -> None:
    """RFC 2104 with SHA-256, truncated as its section 5 allows, by Python's own module."""
    data = arq.ask(KEY, [3, 4, 9])
    assert arq.is_ask(data)
    assert data[-16:] == hmac.new(KEY, data[:-16], hashlib.sha256).digest()[:16]


@given(st.binary(max_size=120))
def test_any_octets_are_refused(data: bytes) -> None:
    with pytest.raises(BadPacket):
        arq.asked(KEY, data)
    with contextlib.suppress(BadPacket):
        assert arq.unpack(TAG, data).place < arq.PARTS_MAX


@given(st.integers(0, 43), st.integers(1, 255))
def test_a_changed_question_is_refused(place: int, change: int) -> None:
    data = bytearray(arq.ask(KEY, [3, 9]))
    data[place] ^= change
    with pytest.raises(BadPacket):
        arq.asked(KEY, bytes(data))


def test_a_part_of_another_stream_is_refused() -> None:
    data = arq.pack(tag_of(bytes(32)), Part(sequence=1, frame=1, place=0, parts=1, repeat=False))
    with pytest.raises(BadPacket):
        arq.unpack(TAG, data)
