"""Whose a drop was, case by case, and the score by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import after, comparable
from dashboard.judge.after import Outcome, Owner, Seen
from dashboard.judge.hours import Show
from store.clock import NS_PER_S
from store.drops import Drop
from store.records import Stall
from tests.dashboard.judge.made import NOON, ZONE, destination, plan, run, stall
from tests.store import samples

HOUR_NS = 3600 * NS_PER_S
SHOW = Show(start_unix_ns=NOON, end_unix_ns=NOON + HOUR_NS)
ONE = plan(destination(4_500_000))
TWO = plan(destination(4_500_000), destination(4_500_000, name="mirror"))
AT = NOON + 600 * NS_PER_S


def seen(*stalls: Stall, endpoint: str = "north", watched: bool = True) -> Seen:
    """A train that watched the whole show, or nothing of it."""
    spans = ((NOON - 60 * NS_PER_S, NOON + HOUR_NS + 60 * NS_PER_S),) if watched else ()
    return Seen(endpoint=endpoint, stalls=stalls, watched=spans)


def drop(destination_: str = "class", *, after_s: float = 0.0, seconds: float = 1.0) -> Drop:
    return Drop(at_unix_ns=AT + round(after_s * NS_PER_S), seconds=seconds, destination=destination_)


def found(
    *drops: Drop, line: list[Seen], house: list[Seen], made: object = ONE, known: bool = True
) -> Outcome:
    runs = [run(9_000_000, started_unix_ns=NOON - back * NS_PER_S) for back in range(60)]
    always = replace(ONE, times=replace(ONE.times, from_minute=11 * 60, to_minute=13 * 60))
    history = comparable.gather(always, runs, [], [], now_unix_ns=NOON + NS_PER_S, zone=ZONE)
    return after.outcome(
        made,  # type: ignore[arg-type]
        SHOW,
        line=line,
        house=house,
        drops=drops if known else None,
        history=history,
    )


LONG = stall(AT, seconds=2.4)
CLEAN_HOUSE = [seen(endpoint="lan")]


@pytest.mark.parametrize(
    ("line", "house", "made", "drops", "owner"),
    [
        ([seen(LONG)], CLEAN_HOUSE, ONE, [drop(after_s=1.5)], Owner.LINE),
        ([seen(LONG)], CLEAN_HOUSE, ONE, [drop(after_s=30)], Owner.UNKNOWN),  # long after: one destination
        ([seen(LONG)], [seen(stall(AT, seconds=1.0), endpoint="lan")], ONE, [drop()], Owner.HOUSE),
        ([seen(LONG)], [], ONE, [drop()], Owner.UNKNOWN),  # nobody watched the house
        ([seen(LONG), seen(endpoint="south")], CLEAN_HOUSE, ONE, [drop()], Owner.UNKNOWN),  # one of two
        ([seen(LONG), seen(LONG, endpoint="south")], CLEAN_HOUSE, ONE, [drop()], Owner.LINE),
        ([seen(LONG), seen(endpoint="south", watched=False)], CLEAN_HOUSE, ONE, [drop()], Owner.LINE),
        ([seen()], CLEAN_HOUSE, ONE, [drop()], Owner.UNKNOWN),
        ([seen()], CLEAN_HOUSE, TWO, [drop()], Owner.FAR_END),
        ([seen()], CLEAN_HOUSE, TWO, [drop(), drop("mirror", after_s=0.5)], Owner.ENCODER),
        ([seen()], CLEAN_HOUSE, TWO, [drop("")], Owner.UNKNOWN),
        ([seen(watched=False)], CLEAN_HOUSE, TWO, [drop()], Owner.UNKNOWN),
    ],
)
def test_whose_a_drop_was(
    line: list[Seen], house: list[Seen], made: object, drops: list[Drop], owner: Owner
) -> None:
    """Line, house, encoder, far end, or what nothing separates."""
    outcome = found(*drops, line=line, house=house, made=made)
    assert outcome.drops[0].owner == owner
    assert outcome.drops[0].why.endswith(".")


@pytest.mark.parametrize(
    ("drops", "known", "line", "clean"),
    [
        ([drop()], True, [seen(LONG)], False),
        ([], True, [seen(LONG)], True),  # the encoder lost nothing
        ([drop(after_s=60)], True, [seen()], None),  # encoder or far end, or the line after all
        ([], False, [seen(LONG)], False),
        ([], False, [seen(stall(AT, seconds=0.8))], True),  # the buffer outlasts it
        ([], False, [seen(watched=False)], None),
    ],
)
def test_whether_the_line_kept_it_clean(
    drops: list[Drop], known: bool, line: list[Seen], clean: bool | None
) -> None:
    """By the encoder's list where there is one, else by the trains, else nobody knows."""
    assert found(*drops, known=known, line=line, house=CLEAN_HOUSE).line_clean is clean


def test_what_was_seen_of_a_show() -> None:
    """Stalls of the train that saw most; those before it do not count."""
    outcome = found(
        line=[seen(stall(NOON - NS_PER_S, seconds=3.0), LONG, stall(AT + HOUR_NS // 2)), seen(LONG)],
        house=[],
        known=False,
    )
    assert (outcome.stalls, outcome.freezes, outcome.watched_ratio) == (2, 2, 1.0)
    assert outcome.stalled_s == pytest.approx(3.7)


@pytest.mark.parametrize(
    ("chance", "clean", "score"), [(0.9, True, 0.01), (0.9, False, 0.81), (0.5, True, 0.25), (1.0, True, 0.0)]
)
def test_brier(chance: float, clean: bool, score: float) -> None:
    """(p - o) squared, by hand."""
    assert after.brier(chance, clean) == pytest.approx(score)


@given(st.floats(0, 1), st.floats(0, 1))
def test_the_score_is_proper(truth: float, said: float) -> None:
    """On average nobody does better than by saying what they hold to be true."""

    def expected(told: float) -> float:
        return truth * after.brier(told, True) + (1 - truth) * after.brier(told, False)

    assert expected(truth) <= expected(said) + 1e-12


def test_the_last_forecast_before_the_show_is_scored() -> None:
    """Not one of another show, nor one that was given when it had begun; one without a chance if there is
    none better."""
    made = samples.forecast(NOON - 2 * HOUR_NS)
    early = replace(made, show_start_unix_ns=NOON, started_unix_ns=NOON - 3 * HOUR_NS)
    late = replace(early, started_unix_ns=NOON - HOUR_NS, chance=0.7)
    mute = replace(late, started_unix_ns=NOON - 600 * NS_PER_S, chance=None)
    begun = replace(late, started_unix_ns=NOON + NS_PER_S)
    other = replace(late, show_start_unix_ns=NOON + 24 * HOUR_NS)
    assert after.scored([early, late, mute, begun, other], SHOW) == late
    assert after.scored([mute, begun], SHOW) == mute
    assert after.scored([begun, other], SHOW) is None
