"""What a receiver asks for again, and when it stops."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from probe.bulk.missing import Missing

MS = 10**6


def test_a_gap_is_asked_for_at_once_and_again_when_an_answer_would_be_there() -> None:
    """100 ms until the first answer, a quarter more and 10 ms: 135 ms."""
    missing = Missing(latency_ns=1000 * MS)
    for number in (0, 1, 4):
        missing.note(number, at_ns=0)
    assert missing.due(0) == [2, 3]
    assert missing.due(134 * MS) == []
    assert missing.due(135 * MS) == [2, 3]


def test_an_answer_ends_it() -> None:
    missing = Missing(latency_ns=1000 * MS)
    missing.note(2, at_ns=0)
    missing.due(0)
    assert missing.note(0, at_ns=20 * MS)
    assert not missing.note(0, at_ns=21 * MS)  # a copy
    assert missing.due(500 * MS) == [1]
    assert (missing.received, missing.duplicated) == (2, 1)


def test_how_long_answers_take_is_learnt() -> None:
    """Of 40 answers after 20 ms each the wait comes down to some 35 ms."""
    missing = Missing(latency_ns=1000 * MS)
    for nth in range(40):
        at_ns = nth * 200 * MS
        missing.note(2 * nth + 1, at_ns=at_ns)
        missing.due(at_ns)
        missing.note(2 * nth, at_ns=at_ns + 20 * MS)
    missing.note(100, at_ns=10**10)
    assert len(missing.due(10**10)) == 20
    assert missing.due(10**10 + 34 * MS) == []
    assert len(missing.due(10**10 + 37 * MS)) == 20


def test_what_is_too_old_is_asked_for_no_more() -> None:
    missing = Missing(latency_ns=300 * MS)
    missing.note(3, at_ns=0)
    missing.note(5, at_ns=200 * MS)
    assert missing.due(299 * MS) == [0, 1, 2, 4]
    assert missing.due(499 * MS) == [4]
    missing.forget(500 * MS)
    assert missing.due(10**10) == []


@given(st.permutations(list(range(30))))
def test_any_order_leaves_nothing_missing(order: list[int]) -> None:
    missing = Missing(latency_ns=1000 * MS)
    assert all(missing.note(number, at_ns=0) for number in order)
    assert (missing.due(0), missing.received, missing.duplicated) == ([], 30, 0)


def test_jumps_of_the_sequence_fill_no_memory() -> None:
    """Whoever jumps again and again has the newest of the gaps waited for, no more of them than of one."""
    missing, most = Missing(latency_ns=1000 * MS), 1 << 16
    for jump in range(1, 5):
        assert missing.note(jump * 100_000, at_ns=0)
        assert len(missing._lacking) == most
    assert missing.due(1) == list(range(400_000 - most, 400_000))
    assert missing.note(400_000 + 10, at_ns=2)
    assert missing.note(400_000 - 1, at_ns=3)
    assert not missing.note(400_000 - most, at_ns=4)
