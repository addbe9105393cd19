"""The packets of a burst as bytes and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import arrival_log
from probe.wire.arrival_log import Together
from store.errors import BadMessage

_NUMBERS = st.integers(0, 2**32)
LOGS = st.lists(st.builds(Together, _NUMBERS, _NUMBERS, _NUMBERS, st.integers(-(2**40), 2**40)))


@given(LOGS)
def test_there_and_back(log: list[Together]) -> None:
    assert tuple(log) == arrival_log.unpack(arrival_log.pack(log))


@given(st.binary(max_size=64))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        found = arrival_log.unpack(data)
    except BadMessage:
        return
    assert arrival_log.unpack(arrival_log.pack(found)) == found


def test_half_an_entry() -> None:
    with pytest.raises(BadMessage, match="multiple of 4"):
        arrival_log.unpack(b"\1\2\3")
