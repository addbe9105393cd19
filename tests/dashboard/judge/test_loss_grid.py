"""Seconds of a train from pieces, against a walk over every single packet."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.judge import loss_grid, outages
from dashboard.judge.loss_grid import Grid, Piece, State
from dashboard.judge.outages import Spans
from store.terms import AvailabilityTerms, OutageRule

PER_SECOND = 20
RULE = outages.rules(AvailabilityTerms(rule=OutageRule.SEVERE_SECONDS))[0]
BAD, GOOD = {State.BAD}, {State.GOOD}
ALL = set(State)


def test_too_few_to_open_an_outage_are_good_wherever_they_are_read() -> None:
    """Two hours that lost 50 each may have had 4 bad seconds at their seam on either side: 8 open nothing.

    Where one of them lost 180, 15 seconds may have been bad, and that stays open.
    """
    grid = outages.grid_of(RULE, 7200, 4 * 3600)
    for lost, word in ((50, State.GOOD), (180, State.UNSURE)):
        pieces = [
            Piece(from_s=low, to_s=low + 3600, sent=20 * 3600, lost_up=lost if low == 7200 else 50)
            for low in range(0, 5 * 3600, 3600)
        ]
        seam = (10_800 - grid.from_s) // grid.interval_s
        found = loss_grid.states(pieces, grid)
        assert set(found[seam - 5 : seam]) == {word}


def lossy(seconds: int, seed: int) -> list[list[bool]]:
    """Whether each packet of each second was lost: calm, lossy and dead stretches in turn."""
    draw = random.Random(seed)
    found: list[list[bool]] = []
    while len(found) < seconds:
        chance = draw.choice((0.0, 0.0, 0.3, 0.5, 0.8, 1.0))
        for _ in range(draw.choice((3, 8, 9, 10, 11, 25, 90))):
            found.append([draw.random() < chance for _ in range(PER_SECOND)])
    return found[:seconds]


def walked(seconds: list[list[bool]]) -> list[tuple[int, int]]:
    """Y.1563 as a person would walk it: counters of severe and of other seconds in a row, no arrays."""
    found, severe, fine, since = [], 0, 0, -1
    for nth, packets in enumerate(seconds):
        if 2 * sum(packets) > len(packets):
            severe, fine = severe + 1, 0
            if severe == 10 and since < 0:
                since = nth - 9
        else:
            severe, fine = 0, fine + 1
            if fine == 10 and since >= 0:
                found.append((since, nth - 9))
                since = -1
    return found + ([(since, len(seconds))] if since >= 0 else [])


def by_second(seconds: list[list[bool]]) -> Iterator[Piece]:
    for nth, packets in enumerate(seconds):
        yield Piece(from_s=nth, to_s=nth + 1, sent=len(packets), lost_up=sum(packets))


def by_minute(seconds: list[list[bool]], offset: float = 0.0) -> Iterator[Piece]:
    for low in range(0, len(seconds), 60):
        part = seconds[low : low + 60]
        lost = sum(map(sum, part))
        yield Piece(
            from_s=low + offset, to_s=low + len(part) + offset, sent=PER_SECOND * len(part), lost_up=lost
        )


def grid(seconds: int) -> Grid:
    return Grid(from_s=0, intervals=seconds, interval_s=1, over_ratio=0.5, in_a_row=10)


def outage_spans(pieces: Iterator[Piece], length: int, *, bad: set[State], good: set[State]) -> Spans:
    over = grid(length)
    return outages.of_states(loss_grid.states(pieces, over), over, RULE, bad=bad, good=good)


@pytest.mark.parametrize("seed", range(4))
def test_every_second_known(seed: int) -> None:
    """ITU-T Y.1563 (from memory): 10 severe seconds begin it on the first of them, 10 others end it."""
    seconds = lossy(3600, seed)
    assert outage_spans(by_second(seconds), 3600, bad=BAD, good=GOOD) == walked(seconds)


@pytest.mark.parametrize("seed", range(4))
def test_minutes_alone_leave_the_truth_between_best_and_worst(seed: int) -> None:
    seconds = lossy(3600, seed)
    truth = outages.total_s(walked(seconds))
    best = outage_spans(by_minute(seconds), 3600, bad=BAD, good=ALL - BAD)
    worst = outage_spans(by_minute(seconds), 3600, bad=ALL - GOOD, good=GOOD)
    assert outages.total_s(best) <= truth <= outages.total_s(worst)
    for low, high in best:  # and every second of the best case is one of the truth
        assert outages.total_s(outages.within(walked(seconds), low, high)) == high - low


def test_a_minute_with_few_losses_hides_no_outage() -> None:
    """Of 1200 packets 109 are lost: 9 severe seconds take 9 x 11 = 99, a tenth would take 110 (by hand)."""
    one = Piece(from_s=0, to_s=60, sent=1200, lost_up=109)
    pieces = [Piece(from_s=-600, to_s=0, sent=12_000), one, Piece(from_s=60, to_s=600, sent=10_800)]
    assert grid(600).may_be_bad(one) == 9
    assert not outage_spans(iter(pieces), 600, bad=ALL - GOOD, good=GOOD)


@pytest.mark.parametrize("lost", [1, 2, 3, 4, 9])
def test_a_shortcut_for_few_losses_says_what_the_long_way_says(lost: int) -> None:
    """The same minutes beside ten seconds that lost everything, where no shortcut can be taken."""
    hours = [
        Piece(from_s=60 * n + 0.4, to_s=60 * n + 60.4, sent=1200, lost_up=lost * (n % 2), lost_down=lost)
        for n in range(20)
    ]
    dark = Piece(from_s=1300.4, to_s=1310.4, sent=200, lost_up=200)
    short = loss_grid.states(hours, grid(1200)).tolist()
    assert loss_grid.states([*hours, dark], grid(1400)).tolist()[:1200] == short


def test_what_nobody_sent_is_neither() -> None:
    found = loss_grid.states([Piece(from_s=10.0, to_s=20.4, sent=208)], grid(30))
    assert found.tolist() == [State.UNMEASURED] * 10 + [State.GOOD] * 10 + [State.UNMEASURED] * 10


def test_loss_is_counted_each_way_by_itself() -> None:
    """30 % lost up and 30 % of the rest down is 51 % there and back, and 50 % neither way."""
    both = Piece(from_s=0, to_s=1, sent=1000, lost_up=300, lost_down=210)
    down = Piece(from_s=1, to_s=2, sent=1000, lost_up=300, lost_down=351)
    assert loss_grid.states([both, down], grid(2)).tolist() == [State.GOOD, State.BAD]


@pytest.mark.parametrize(
    ("lost", "state"), [(500, State.GOOD), (501, State.UNSURE), (750, State.UNSURE), (751, State.BAD)]
)
def test_a_direction_that_nobody_knows(lost: int, state: State) -> None:
    """Up to 50 % lie within the limit either way; above 1 - 0.5 x 0.5 = 75 % one way must be over it."""
    found = loss_grid.states([Piece(from_s=0, to_s=1, sent=1000, lost_unknown=lost)], grid(1))
    assert found.tolist() == [state]


@pytest.mark.parametrize(
    ("lost", "first", "second"),
    [
        (5, State.GOOD, State.GOOD),
        (
            6,
            State.UNSURE,
            State.GOOD,
        ),  # all of them may lie in the ten packets, and are too few for the forty
        (21, State.UNSURE, State.UNSURE),
        (35, State.UNSURE, State.BAD),  # at most ten lie in the first, so 25 of 40 in the second
        (50, State.BAD, State.BAD),
    ],
)
def test_losses_that_may_lie_in_either_of_two_places(lost: int, first: State, second: State) -> None:
    pieces = [
        Piece(from_s=0, to_s=1, sent=10, lost_up=lost, elsewhere=40),
        Piece(from_s=1, to_s=2, sent=40, lost_up=lost, elsewhere=10),
    ]
    assert loss_grid.states(pieces, grid(2)).tolist() == [first, second]


@pytest.mark.parametrize(
    ("north", "south", "house", "found"),
    [  # two endpoints and the house segment decide whose it is
        (State.BAD, State.BAD, State.GOOD, State.BAD),
        (State.BAD, State.GOOD, State.GOOD, State.GOOD),
        (State.BAD, State.BAD, State.BAD, State.HOUSE),
        (State.BAD, State.BAD, State.UNMEASURED, State.UNPLACED),
        (State.BAD, State.UNMEASURED, State.GOOD, State.UNPLACED),
        (State.BAD, State.UNSURE, State.GOOD, State.UNSURE),
        (State.UNMEASURED, State.UNMEASURED, State.GOOD, State.UNMEASURED),
        (State.GOOD, State.GOOD, State.BAD, State.GOOD),
    ],
)
def test_whose_a_second_was(north: State, south: State, house: State, found: State) -> None:
    made = [np.array([each], dtype=np.uint8) for each in (north, south, house)]
    assert loss_grid.together(made[:2], made[2:]).tolist() == [found]


@pytest.mark.parametrize(
    ("over", "available"),
    [(0.20, 57), (0.75, 59)],  # 95 % at c1 = 0.20, another answer at 0.75
)
def test_y1540_sixty_minutes(over: float, available: int) -> None:
    """ITU-T Y.1540 (values from memory): 60 one-minute loss ratios, 3 of them over 0.20."""
    ratios = [0.0, 0.2, 0.05] * 19 + [0.21, 0.5, 0.9]
    pieces = [
        Piece(from_s=60 * n, to_s=60 * n + 60, sent=1200, lost_up=1200 * r) for n, r in enumerate(ratios)
    ]
    over_ = Grid(from_s=0, intervals=60, interval_s=60, over_ratio=over, in_a_row=1)
    assert (loss_grid.states(pieces, over_) == State.GOOD).sum() == available


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.integers(0, 20), min_size=30, max_size=90),
    st.integers(0, 89),
    st.integers(1, 40),
    st.sampled_from((1, 7, 30)),
)
def test_more_loss_never_makes_an_outage_shorter(
    lost: list[int], first: int, count: int, piece_s: int
) -> None:
    """Seconds, or pieces of 7 or 30 of them, that lose more: neither the best nor the worst case has less."""
    more = [20 if first <= nth < first + count else each for nth, each in enumerate(lost)]
    totals = []
    for seconds in (lost, more):
        pieces = [
            Piece(from_s=low, to_s=low + len(part), sent=20 * len(part), lost_up=sum(part))
            for low in range(0, len(seconds), piece_s)
            for part in (seconds[low : low + piece_s],)
        ]
        cases = ((BAD, ALL - BAD), (ALL - GOOD, GOOD))
        totals.append(
            [outages.total_s(outage_spans(iter(pieces), 100, bad=bad, good=good)) for bad, good in cases]
        )
    assert totals[0][0] <= totals[1][0]
    assert totals[0][1] <= totals[1][1]
