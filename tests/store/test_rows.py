"""A record as rows, and what no column can hold."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.errors import BadMessage
from store.records import Bin, Failed, Owner, Stall, TrainSpan
from store.rows import pack_bins, row_of, unpack_bins
from tests import strategies

FAILED = Failed(what="run rate", why="no answer", whose=Owner.ENDPOINT)

any_bins = st.lists(
    st.builds(Bin, start_ms=st.integers(0, 2**40), bytes=st.integers(0, 2**50)), max_size=20
).map(tuple)


@given(strategies.bins | any_bins)
def test_bins_round_trip(bins: tuple[Bin, ...]) -> None:
    """Every 100 ms or in any other order, bins come back as they were."""
    assert unpack_bins(pack_bins(bins)) == bins


@given(st.binary(max_size=40))
def test_any_bytes_are_bins_or_refused(packed: bytes) -> None:
    with contextlib.suppress(BadMessage):
        assert pack_bins(unpack_bins(packed)) == packed


def test_a_second_of_bins_takes_little_room() -> None:
    """At 1 Gb/s a bin holds 12.5 MB, a number of 24 bits: four bytes, and one for its start (arithmetic)."""
    bins = tuple(Bin(start_ms=100 * nth, bytes=12_500_000) for nth in range(10))
    assert len(pack_bins(bins)) == 50


@given(strategies.stalls, st.sampled_from([2**63, -(2**63) - 1]))
def test_refuses_integers_beyond_64_bits(stall: Stall, beyond: int) -> None:
    with pytest.raises(ValueError, match="64 bits"):
        row_of(replace(stall, lost=beyond))


@given(strategies.train_spans, st.sampled_from([float("nan"), float("inf"), float("-inf")]))
def test_refuses_floats_that_are_no_number(span: TrainSpan, value: float) -> None:
    """Neither JSON nor a strict column knows them."""
    with pytest.raises(ValueError, match="no number"):
        row_of(replace(span, jitter_up_us=value))


def test_lone_surrogates_become_question_marks() -> None:
    """What a system call said in no known encoding does not cost the record."""
    assert row_of(replace(FAILED, why="cannot open \udcff")).values["why"] == "cannot open ?"
