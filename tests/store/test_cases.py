"""Cases: which events belong together, by examples and by what must hold for any events."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from store.cases import Case, Subject, cases, subject_of, unended
from store.events import Event, EventKind
from store.records import Owner

S = 10**9
MIN = 60 * S
GAP_S = 600.0
LATE = 1 << 60


def event(
    at_min: float,
    what: EventKind = EventKind.STALL,
    *,
    handoff: str = "A",
    endpoint: str = "",
    seconds: float | None = None,
    owner: Owner = Owner.UNKNOWN,
) -> Event:
    return Event(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=round(at_min * MIN),
        what=what,
        says="x",
        owner=owner,
        seconds=seconds,
    )


def joined(*events: Event, now_ns: int = LATE) -> tuple[Case, ...]:
    return cases(events, gap_s=GAP_S, now_ns=now_ns)


def sizes(*events: Event) -> list[int]:
    return [len(case.events) for case in joined(*events)]


def test_events_within_the_gap_are_one_case_and_a_later_one_begins_another() -> None:
    assert sizes(event(0), event(9), event(18)) == [3]
    assert sizes(event(0), event(10), event(20.1)) == [2, 1]


def test_the_gap_counts_from_the_end_of_what_lasted() -> None:
    assert sizes(event(0, seconds=120.0), event(11.9)) == [2]
    assert sizes(event(0, seconds=0.5), event(11.9)) == [1, 1]


def test_handoffs_are_apart_and_what_concerns_all_joins_what_is_open() -> None:
    assert sizes(event(0), event(1, handoff="B")) == [1, 1]
    clock = event(5, EventKind.CLOCK, handoff="")
    assert sizes(event(0, EventKind.CEILING), clock) == [2]
    assert [case.handoff for case in joined(clock, event(6, EventKind.CEILING))] == ["A"]


def test_the_line_and_measuring_it_are_never_one_case() -> None:
    found = joined(event(0), event(1, EventKind.ALLOWANCE))
    assert [case.subject for case in found] == [Subject.LINE, Subject.MEASURING]


def test_an_outage_keeps_its_case_open_however_long() -> None:
    start, end = (
        event(0, EventKind.OUTAGE_START, endpoint="n"),
        event(500, EventKind.OUTAGE_END, endpoint="n"),
    )
    assert sizes(start, event(300), end, event(509)) == [4]
    (case,) = joined(start, now_ns=400 * MIN)
    assert (case.under_way, case.ended_unix_ns) == (True, None)


def test_a_case_is_open_until_the_gap_has_passed() -> None:
    (case,) = joined(event(0), now_ns=10 * MIN)
    assert (case.under_way, case.ended_unix_ns) == (False, None)
    (case,) = joined(event(0), now_ns=10 * MIN + 1)
    assert case.ended_unix_ns == 0


def test_one_reply_parts_two_outages() -> None:
    """The end of the first and the beginning of the second bear the same moment; one lasts."""
    first = event(0, EventKind.OUTAGE_START, endpoint="n")
    end, second = event(5, EventKind.OUTAGE_END, endpoint="n"), event(5, EventKind.OUTAGE_START, endpoint="n")
    (case,) = joined(first, end, second, now_ns=600 * MIN)
    assert case.under_way
    assert list(unended([second, end, first]).values()) == [second]


def test_the_owner_is_whoever_all_that_name_somebody_name() -> None:
    house, far = event(1, owner=Owner.HOUSE), event(2, owner=Owner.ENDPOINT)
    assert joined(event(0), house)[0].owner is Owner.HOUSE
    assert joined(event(0), house, far)[0].owner is Owner.UNKNOWN


drawn = st.lists(
    st.builds(
        event,
        st.integers(0, 300),
        st.sampled_from(EventKind),
        handoff=st.sampled_from(["A", "B", ""]),
        endpoint=st.sampled_from(["n", "s"]),
        seconds=st.none() | st.floats(0, 900),
    ),
    max_size=25,
)


@given(drawn)
def test_every_event_is_in_exactly_one_case(events: list[Event]) -> None:
    found = [one for case in joined(*events) for one in case.events]
    assert sorted(map(repr, found)) == sorted(map(repr, events))


@given(drawn, st.randoms(use_true_random=False))
def test_the_order_in_which_events_come_does_not_matter(events: list[Event], draw: random.Random) -> None:
    mixed = list(events)
    draw.shuffle(mixed)
    assert joined(*mixed) == joined(*events)


@given(drawn)
def test_a_case_has_one_subject_and_one_handoff_beside_all(events: list[Event]) -> None:
    for case in joined(*events):
        assert {one.handoff for one in case.events} <= {case.handoff, ""}
        assert {subject_of(one.what) for one in case.events} == {case.subject}


@given(drawn)
def test_a_longer_gap_never_makes_more_cases(events: list[Event]) -> None:
    """Counted handoff by handoff, without those of all, which go to whichever case is open."""
    own = [one for one in events if one.handoff == "A"]
    counts = [len(cases(own, gap_s=gap_s, now_ns=LATE)) for gap_s in (60, 600, 3600)]
    assert counts == sorted(counts, reverse=True)


@given(drawn, st.integers(0, 400))
def test_what_is_over_stays_as_it_was_whatever_comes_later(events: list[Event], now_min: int) -> None:
    """A case that was over at a moment is the same at any later one."""
    known = [one for one in events if one.started_unix_ns <= now_min * MIN]
    then = [one for one in joined(*known, now_ns=now_min * MIN) if one.ended_unix_ns is not None]
    later = [one for one in events if one.started_unix_ns > now_min * MIN]
    assert set(map(repr, then)) <= set(map(repr, joined(*known, *later)))
