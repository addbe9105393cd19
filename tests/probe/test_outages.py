"""When a path is silent and when it answers: the judge alone, against sums made by hand."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from probe.answering import Answering
from probe.outages import Back, Path, Silent, owner_of
from store.records import Owner

S = 10**9


def word(since_s: float, heard_s: float) -> Answering:
    return Answering(handoff="A", endpoint="north", since_ns=round(since_s * S), heard_ns=round(heard_s * S))


def none() -> Answering:
    return Answering(handoff="A", endpoint="north", since_ns=None, heard_ns=None)


def test_eleven_seconds_of_silence_begin_an_outage_once() -> None:
    path = Path(heard_ns=0)
    assert path.word(word(0.5, 5.0), now_ns=5 * S) == []
    assert path.word(word(0.5, 5.0), now_ns=15 * S) == []
    assert path.word(word(0.5, 5.0), now_ns=15 * S + 1) == [Silent(since_ns=5 * S)]
    assert path.word(word(0.5, 5.0), now_ns=60 * S) == []


def test_the_first_reply_ends_it_from_the_last_one_before() -> None:
    path = Path(heard_ns=0)
    path.word(word(0.5, 5.0), now_ns=16 * S)
    assert path.word(word(20.5, 20.9), now_ns=21 * S) == [Back(since_ns=5 * S, at_ns=round(20.5 * S))]
    assert path.word(word(20.5, 22.0), now_ns=22 * S) == []


def test_an_outage_that_nobody_saw_in_time_is_told_whole() -> None:
    """The word was late, as it is while the endpoint is asked: beginning and end come together."""
    path = Path(heard_ns=0)
    path.word(word(0.5, 1.0), now_ns=1 * S)
    assert path.word(word(12.0, 12.5), now_ns=13 * S) == [
        Silent(since_ns=1 * S),
        Back(since_ns=1 * S, at_ns=12 * S),
    ]


def test_a_new_session_that_answers_within_ten_seconds_is_no_outage() -> None:
    path = Path(heard_ns=0)
    path.word(word(0.5, 1.0), now_ns=1 * S)
    assert path.word(none(), now_ns=8 * S) == []
    assert path.word(word(9.0, 9.5), now_ns=10 * S) == []


def test_a_train_that_never_answered_is_silent_since_it_was_watched() -> None:
    path = Path(heard_ns=3 * S)
    assert path.tick(13 * S) == []
    assert path.tick(14 * S) == [Silent(since_ns=3 * S)]


def test_what_a_pause_covers_is_no_outage() -> None:
    """All tests were stopped for an hour."""
    path = Path(heard_ns=0)
    path.word(word(0.5, 1.0), now_ns=2 * S)
    path.pause()
    assert path.silent_s(3600 * S) is None
    assert path.word(none(), now_ns=3600 * S) == []
    assert path.word(word(3601.0, 3601.5), now_ns=3602 * S) == []


def test_an_outage_with_a_pause_in_it_ends_with_an_unknown_length() -> None:
    path = Path(heard_ns=0)
    assert path.tick(11 * S) == [Silent(since_ns=0)]
    path.pause()
    assert path.word(word(100.0, 100.5), now_ns=101 * S) == [Back(since_ns=None, at_ns=100 * S)]


def test_one_from_before_a_restart_ends_with_an_unknown_length() -> None:
    path = Path(heard_ns=0, out=True, unsure=True)
    assert path.tick(50 * S) == []
    assert path.word(word(60.0, 60.5), now_ns=61 * S) == [Back(since_ns=None, at_ns=60 * S)]


@given(st.lists(st.floats(0.05, 40), min_size=1, max_size=30), st.floats(0.2, 3))
def test_every_break_of_more_than_ten_seconds_is_one_outage(gaps_s: list[float], beat_s: float) -> None:
    """Replies at any moments, a word a beat: an outage for each break, as long as it was, and no other."""
    replies, now = [0], 0
    for gap_s in gaps_s:
        now += round(gap_s * S)
        replies.append(now)
    path, found = Path(heard_ns=0), list[Silent | Back]()
    beat_ns = round(beat_s * S)
    since = replies[0]
    for at in range(beat_ns, replies[-1] + 2 * beat_ns, beat_ns):
        heard = [one for one in replies if one <= at]
        for before, after in pairwise(heard):
            since = after if after - before > 10 * S else since
        found += path.word(
            Answering(handoff="A", endpoint="north", since_ns=since, heard_ns=heard[-1]), now_ns=at
        )
    breaks = [(one, two) for one, two in pairwise(replies) if two - one > 10 * S]
    began = [one.since_ns for one in found if isinstance(one, Silent)]
    ended = [(one.since_ns, one.at_ns) for one in found if isinstance(one, Back)]
    assert began == [one for one, _ in breaks]
    assert ended == breaks


class TestOwner:
    """The table of segments (common practice, no source): S1 is the house endpoint, S4 and S5 outside."""

    def test_s1_bad_is_the_house(self) -> None:
        found = owner_of("north", {"north": 11.0, "lan": 10.9, "south": 10.9}, house={"lan"})
        assert found == (Owner.HOUSE, "the house endpoint lan is silent too")

    def test_the_house_endpoint_itself(self) -> None:
        assert owner_of("lan", {"lan": 11.0, "north": 0.1}, house={"lan"})[0] is Owner.HOUSE

    def test_s4_bad_and_s5_ok_is_the_endpoint_or_its_path(self) -> None:
        found = owner_of("north", {"north": 11.0, "lan": 0.1, "south": 0.1}, house={"lan"})
        assert found == (Owner.ENDPOINT, "south answers meanwhile")

    def test_all_outside_bad_and_s1_ok_cannot_be_told_apart(self) -> None:
        """Router, access and what lies beyond are one here: S2 and S3 are not measured."""
        found = owner_of("north", {"north": 11.0, "lan": 0.1, "south": 10.5}, house={"lan"})
        assert found == (Owner.UNKNOWN, "the house endpoint lan answers meanwhile")

    def test_nothing_to_compare_with(self) -> None:
        assert owner_of("north", {"north": 11.0, "lan": None}, house={"lan"}) == (Owner.UNKNOWN, "")
