"""Minutes with stalls: what is one silence, what is one event, who must act."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from probe.stall_minutes import StallMinutes
from store.events import Event
from store.records import Direction, Owner, Stall

S = 10**9
BASE = 1_780_000_000 * S


def stall(
    at_s: float, seconds: float = 1.0, *, endpoint: str = "north", direction: Direction = Direction.UP
) -> Stall:
    return Stall(
        handoff="A",
        endpoint=endpoint,
        started_unix_ns=BASE + round(at_s * S),
        duration_us=round(seconds * 1e6),
        direction=direction,
        how="lost",
        lost=20,
        held=0,
    )


def minute(*stalls: Stall, going: tuple[str, ...] = ("north",)) -> Event:
    minutes = StallMinutes(handoff="A", house={"lan"})
    for one in stalls:
        minutes.take(one)
    made = minutes.make(going=going)
    assert made is not None
    return made


def test_both_directions_and_two_trains_at_the_same_time_are_one_silence() -> None:
    made = minute(
        stall(0), stall(0.2, 1.4, direction=Direction.DOWN), stall(0.1, endpoint="south"), stall(30)
    )
    assert (made.count, made.seconds, made.endpoint) == (2, 1.4, "")
    assert made.says == (
        "2 stalls in a minute, the longest 1.4 s down, every packet lost (train to north and south)"
    )


def test_one_stall_is_said_as_one() -> None:
    made = minute(stall(0, 0.9))
    assert (made.count, made.seconds, made.endpoint) == (1, 0.9, "north")
    assert made.says == "no delivery for 0.9 s up, every packet lost (train to north)"


def test_a_minute_lasts_a_minute() -> None:
    """A stall 61 s after the first belongs to the next event."""
    minutes = StallMinutes(handoff="A", house=())
    for one in (stall(0), stall(59), stall(61)):
        minutes.take(one)
    assert minutes.due_unix_ns == BASE + 75 * S
    first = minutes.make(going=(), until_ns=minutes.minute_ends_ns)
    second = minutes.make(going=(), until_ns=minutes.minute_ends_ns)
    assert first is not None
    assert second is not None
    assert (first.count, second.count, second.started_unix_ns) == (2, 1, BASE + 61 * S)
    assert minutes.due_unix_ns is None
    assert minutes.make(going=()) is None


def test_a_silence_that_the_house_endpoint_saw_is_the_houses() -> None:
    assert minute(stall(0), stall(0.1, endpoint="lan"), going=("north", "lan")).owner is Owner.HOUSE


def test_a_silence_that_another_endpoint_did_not_see_is_the_endpoints() -> None:
    assert minute(stall(0), going=("north", "south", "lan")).owner is Owner.ENDPOINT


def test_a_silence_that_all_outside_saw_has_no_known_owner() -> None:
    going = ("north", "south", "lan")
    assert minute(stall(0), stall(0.1, endpoint="south"), going=going).owner is Owner.UNKNOWN


def test_silences_with_different_owners_leave_it_unknown() -> None:
    going = ("north", "south", "lan")
    both = (stall(30), stall(30.1, endpoint="lan"))
    assert minute(stall(0), *both, going=going).owner is Owner.UNKNOWN


@given(st.lists(st.tuples(st.floats(0, 7200), st.floats(0.5, 10), st.sampled_from(["north", "lan"]))))
def test_every_stall_is_in_one_event_and_there_are_few_of_them(
    drawn: list[tuple[float, float, str]],
) -> None:
    """No stall is lost, whatever comes, and there is no more than one event a minute."""
    minutes, made = StallMinutes(handoff="A", house={"lan"}), list[Event]()
    for at_s, seconds, endpoint in sorted(drawn):
        minutes.take(stall(at_s, seconds, endpoint=endpoint))
    while minutes.due_unix_ns is not None:
        event = minutes.make(going=("north", "lan"), until_ns=minutes.minute_ends_ns)
        assert event is not None
        made.append(event)
    starts = [event.started_unix_ns for event in made]
    assert all(later - earlier >= 60 * S for earlier, later in pairwise(starts))
    assert sum(event.count or 0 for event in made) <= len(drawn)
    longest = max((round(seconds * 1e6) for _, seconds, _ in drawn), default=0)
    assert max((round((event.seconds or 0) * 1e6) for event in made), default=0) == longest
