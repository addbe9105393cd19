"""Findings are kept as long as they cost, and no longer."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from dashboard.kept import Kept
from store.clock import Clock


def _clock(*readings_ns: int) -> Clock:
    left: Iterator[int] = iter(readings_ns)
    return Clock(monotonic_ns=lambda: next(left), unix_ns=lambda: 0)


def test_kept_for_twenty_times_its_cost() -> None:
    """Made in 3, so kept up to 13 + 60; then made again."""
    kept = Kept(_clock(10, 13, 72, 73, 74))
    made = iter("ab")
    assert [kept.get("x", lambda: next(made)) for _ in range(3)] == ["a", "a", "b"]


def test_what_cost_nothing_is_made_again() -> None:
    """With a clock that stands still nothing is kept, so a test sees every page fresh."""
    kept = Kept(_clock(*[5] * 4))
    made = iter("ab")
    assert [kept.get("x", lambda: next(made)) for _ in range(2)] == ["a", "b"]


def test_other_questions_have_their_own_answers() -> None:
    kept = Kept(_clock(0, 1, 2, 3, 4, 5))
    assert [kept.get(asked, partial(str.upper, asked)) for asked in ("x", "y", "x")] == ["X", "Y", "X"]


def test_the_oldest_go_first() -> None:
    """A reader who tries every period of every handoff does not fill the memory."""
    readings = [reading for start in range(0, 1000, 10) for reading in (start, start + 9)]
    kept = Kept(_clock(*readings))
    for asked in range(17):
        kept.get(asked, lambda: "once")
    assert kept.get(16, lambda: "again") == "once"
    assert kept.get(0, lambda: "again") == "again"
