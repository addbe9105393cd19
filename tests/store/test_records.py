"""What a record may say of the line, and how long silences are called."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.records import REASONS, Direction, RateRun, Stall, StallClass, Standing, TrainSpan, standing_of
from tests import strategies

WORSE = [Standing.VALID, Standing.EXCLUDED, Standing.VOID]


@given(strategies.reasons)
def test_standing_is_the_worst_that_any_reason_brings(reasons: tuple[str, ...]) -> None:
    expected = max((WORSE.index(REASONS[reason][0]) for reason in reasons), default=0)
    assert standing_of(reasons) is WORSE[expected]


@given(strategies.reasons, st.sampled_from(sorted(REASONS)))
def test_one_more_reason_never_makes_a_record_better(reasons: tuple[str, ...], more: str) -> None:
    assert WORSE.index(standing_of((*reasons, more))) >= WORSE.index(standing_of(reasons))


def test_unknown_codes_are_our_own_mistake() -> None:
    with pytest.raises(KeyError):
        standing_of(("rain",))


# Silences by length: 0.5 to 3 s, 3 to 10 s, over 10 s (common practice, no source)
@pytest.mark.parametrize(
    ("milliseconds", "expected"),
    [
        (500, StallClass.STALL),
        (2_999, StallClass.STALL),
        (3_000, StallClass.LONG_STALL),
        (10_000, StallClass.LONG_STALL),
        (10_001, StallClass.OUTAGE),
    ],
)
def test_classes_of_stalls(milliseconds: int, expected: StallClass) -> None:
    stall = Stall(
        handoff="A",
        endpoint="north",
        started_unix_ns=0,
        duration_us=milliseconds * 1000,
        direction=Direction.UP,
        how="lost",
        lost=1,
        held=0,
    )
    assert (stall.class_, stall.seconds) == (expected, milliseconds / 1000)


@given(strategies.rate_runs)
def test_a_run_has_the_sides_that_were_asked(run: RateRun) -> None:
    asked = {Direction.UP, Direction.DOWN} if run.direction is Direction.BOTH else {run.direction}
    assert set(run.sides()) == asked


@given(strategies.train_spans)
def test_losses_of_a_train_add_up(span: TrainSpan) -> None:
    assert span.lost == span.lost_up + span.lost_down + span.lost_unattributed
    assert span.duplicated == span.duplicated_up + span.duplicated_down
    assert span.reordered == span.reordered_up + span.reordered_down


@given(strategies.stalls)
def test_nobody_changes_a_record(stall: Stall) -> None:
    with pytest.raises(FrozenInstanceError):
        stall.lost = 0  # type: ignore[misc]
