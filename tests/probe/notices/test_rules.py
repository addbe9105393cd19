"""What begins a notice, what is held back in a show, how long a failed try waits."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.notices import rules
from store.cases import Case, cases
from store.events import Event, EventKind
from store.notice_channels import MATTER_OF, USUAL, Channel, Command, Matter
from store.records import Opener, OpenKind, WindowOpened
from tests.store.test_cases import drawn, event

LAMP = Channel(name="lamp", way=Command(words=("/bin/true",)))


def case(*events: Event) -> Case:
    (made,) = cases(events, gap_s=600, now_ns=0)
    return made


def show(handoff: str = "A", kind: OpenKind = OpenKind.SHOW) -> WindowOpened:
    return WindowOpened(
        started_unix_ns=0, name="show", window=kind, opener=Opener.PERSON, why="a show", handoff=handoff
    )


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_of_event_is_some_matter(kind: EventKind) -> None:
    assert kind in MATTER_OF


@pytest.mark.parametrize("kind", [kind for kind in EventKind if kind is not EventKind.STALL])
def test_one_event_is_enough_where_its_matter_is_asked_for(kind: EventKind) -> None:
    assert rules.begins(case(event(0, kind)), LAMP) is (MATTER_OF[kind] in USUAL)
    alone = replace(LAMP, matters=frozenset({MATTER_OF[kind]}))
    assert rules.begins(case(event(0, kind)), alone) is True


@pytest.mark.parametrize(
    ("counts", "seconds", "begun"),
    [
        *(((1,), 2.9, False), ((1, 1), 2.9, False), ((2,), 2.9, False), ((3,), 0.6, True)),
        *(((1, 2), 0.6, True), ((1,), 3.0, False), ((1,), 3.1, True)),
    ],
)
def test_the_third_stall_or_a_long_one(counts: tuple[int, ...], seconds: float, begun: bool) -> None:
    stalls = [replace(event(nth, seconds=seconds), count=count) for nth, count in enumerate(counts)]
    assert rules.begins(case(*stalls), LAMP) is begun


def test_a_channel_for_one_handoff_hears_of_that_and_of_all() -> None:
    lamp = replace(LAMP, handoffs=("B",))
    assert not rules.begins(case(event(0, EventKind.PORT)), lamp)
    assert rules.begins(case(event(0, EventKind.PORT, handoff="B")), lamp)
    assert rules.begins(case(event(0, EventKind.CLOCK, handoff="")), lamp)


OUTAGE = event(0, EventKind.OUTAGE_START, endpoint="n")


def test_in_a_show_a_stall_waits_and_an_outage_with_another_uplink_does_not() -> None:
    stalls, outage = case(replace(event(0), count=5)), case(OUTAGE)
    assert rules.held(stalls, [show()], handoffs=["A", "B"], out=[]) is True
    assert rules.held(outage, [show()], handoffs=["A", "B"], out=["A"]) is False
    assert rules.held(outage, [show()], handoffs=["A", "B"], out=["A", "B"]) is True
    assert rules.held(outage, [show()], handoffs=["A"], out=["A"]) is True


@pytest.mark.parametrize("kind", [EventKind.CARRIER_LOST, EventKind.PORT])
def test_a_port_can_be_moved_away_from_too(kind: EventKind) -> None:
    assert rules.held(case(event(0, kind)), [show("")], handoffs=["A", "B"], out=[]) is False


def test_only_a_show_on_the_same_handoff_holds_back() -> None:
    stalls = case(replace(event(0), count=5))
    assert rules.held(stalls, [show("B")], handoffs=["A", "B"], out=[]) is False
    assert rules.held(stalls, [show(kind=OpenKind.QUIET)], handoffs=["A"], out=[]) is False
    assert rules.held(stalls, [], handoffs=["A"], out=[]) is False


@given(drawn, st.lists(st.sampled_from(["A", "B", "C"])))
def test_nothing_is_held_back_without_a_show(events: list[Event], out: list[str]) -> None:
    for one in cases(events, gap_s=600, now_ns=0):
        assert rules.held(one, [], handoffs=["A", "B"], out=out) is False


@given(drawn, drawn)
def test_a_case_that_grows_stays_worth_a_notice(events: list[Event], more: list[Event]) -> None:
    """More events never take a matter away."""
    for one in cases(events, gap_s=600, now_ns=0):
        grown = replace(one, events=(*one.events, *more))
        assert rules.matters(one) <= rules.matters(grown)


def test_pauses_grow_to_an_hour() -> None:
    pauses = [rules.pause_s(tries) for tries in range(1, 60)]
    assert pauses[:4] == [30.0, 60.0, 120.0, 240.0]
    assert all(later >= earlier for earlier, later in pairwise(pauses))
    assert max(pauses) == 3600.0


def test_the_usual_matters_leave_out_what_can_wait() -> None:
    assert set(Matter) - USUAL == {Matter.PATH, Matter.OPTIC}
