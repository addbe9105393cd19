"""Which records may speak of a line, and of one direction."""

from __future__ import annotations

from dashboard.judge import evidence
from store.clock import NS_PER_S
from store.records import Direction, Failed, Owner
from tests.dashboard.judge.made import NOON, run, site, span, stall


def test_a_house_endpoint_says_nothing_of_the_line() -> None:
    """Nor does another handoff; a failure without an endpoint concerns every line."""
    outside, house = run(15_000_000), run(900_000_000, endpoint="lan")
    failed = Failed(what="run rate", why="no answer", whose=Owner.UNKNOWN)
    assert evidence.of_line(site(), "old", [outside, house, failed]) == [outside, failed]
    assert evidence.of_line(site(), "new", [outside, house, failed]) == [failed]


def test_runs_alone_come_before_runs_both_ways() -> None:
    """With any run alone, those both at once are left out; without one, they speak."""
    alone = run(15_000_000)
    both = run(9_000_000, down_bps=260_000_000)
    kept, others = evidence.counted([both, alone], Direction.UP)
    assert ([found for found, _ in kept], others) == ([alone], [both])
    kept, others = evidence.counted([both], Direction.UP)
    assert ([found for found, _ in kept], others) == ([both], [])


def test_a_direction_that_was_not_asked_is_neither_kept_nor_left_out() -> None:
    """A run down says nothing of up."""
    assert evidence.counted([run(down_bps=260_000_000)], Direction.UP) == ([], [])


def test_runs_that_somebody_asked_for_are_in_no_sample() -> None:
    """They are valid, left out by a rule of their own, and enter where it is ignored."""
    drawn, chosen = run(15_000_000), run(2_000_000, reasons=("asked",))
    assert evidence.counted([drawn, chosen], Direction.UP) == (
        [(drawn, drawn.sides()[Direction.UP])],
        [chosen],
    )
    assert evidence.why_left_out(chosen) == ("asked",)
    kept, _ = evidence.counted([drawn, chosen], Direction.UP, ignoring=("asked",))
    assert [found for found, _ in kept] == [drawn, chosen]


def test_runs_are_in_order_of_time() -> None:
    """Whatever order they come in: likeness is of neighbours."""
    later, earlier = run(1, started_unix_ns=NOON + 1), run(1, started_unix_ns=NOON)
    assert [found for found, _ in evidence.counted([later, earlier], Direction.UP)[0]] == [earlier, later]


def test_watched_time() -> None:
    """A stall counts where a span of its own endpoint was open when it began."""
    minute = 60 * NS_PER_S
    watched = evidence.Watched([span(NOON + minute), span(NOON + 3 * minute)])
    assert stall(NOON + minute) in watched
    assert stall(NOON + 2 * minute - 1) in watched
    assert stall(NOON + 2 * minute) not in watched
    assert stall(NOON) not in watched
    assert stall(NOON + minute, endpoint="south") not in watched
