"""Frames within a stream: the same however it is cut, and nothing else is taken for one."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import push
from probe.wire.push import Frames
from store.errors import BadPacket

frames = st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(1, 300)), max_size=8)


def stream_of(found: list[tuple[int, int]]) -> bytes:
    return b"".join(push.head(frame, size) + bytes(size) for frame, size in found)


@given(frames, st.lists(st.integers(1, 50), max_size=200))
def test_however_it_is_cut(found: list[tuple[int, int]], cuts: list[int]) -> None:
    """In pieces of any size, and whole."""
    data, reader, read = memoryview(stream_of(found)), Frames(), []
    for cut in cuts:
        read += reader.feed(data[:cut])
        data = data[cut:]
    read += reader.feed(data)
    assert read == [frame for frame, _ in found]


def test_a_frame_is_whole_with_its_last_octet() -> None:
    data = memoryview(stream_of([(7, 3)]))
    reader = Frames()
    assert [reader.feed(data[at : at + 1]) for at in range(len(data))] == [[]] * 10 + [[7]]


@pytest.mark.parametrize("size", [0, push.FRAME_BYTES_MAX + 1])
def test_a_body_of_no_size_or_too_much_is_refused(size: int) -> None:
    with pytest.raises(BadPacket):
        Frames().feed(memoryview(push.head(1, size)))


@given(st.binary(max_size=200))
def test_any_octets(data: bytes) -> None:
    with contextlib.suppress(BadPacket):
        Frames().feed(memoryview(data))
