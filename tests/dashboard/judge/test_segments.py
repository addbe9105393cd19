"""What a split says, on made records in which each station's answers are known to the millisecond."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import segments
from dashboard.judge.segments import Judged, Word
from store.histogram import Histogram
from store.records import Circumstances, Direction, Owner
from store.segments import Seen, Silent, Split, Station

SECONDS = 45
STALL = (20_000, 21_500)
RTT_US = 8_000


def train(
    name: str, *, lost: Sequence[int] = (), late: Sequence[int] = (), stalls: Sequence[tuple[int, int]] = ()
) -> Seen:
    """Twenty packets a second; those due within `stalls` are lost too."""
    sent_ms = range(0, SECONDS * 1000, 50)
    missed = sorted({*lost, *(one for one in sent_ms if any(low < one < high for low, high in stalls))})
    return Seen(
        station=Station.HOUSE if name == "lan" else Station.OUTSIDE,
        name=name,
        per_second=20.0,
        sent=len(sent_ms),
        lost=len(missed),
        rtt_us=Histogram([RTT_US]).delays(),
        stalls=tuple(
            Silent(start_ms=low, duration_ms=high - low, direction=Direction.UP, how="lost")
            for low, high in stalls
        ),
        missed_ms=tuple(missed),
        late_ms=tuple(late),
    )


def hop(
    ttl: int,
    *,
    silent_in: Sequence[tuple[int, int]] = (),
    misses_each: int = 0,
    slow_us: int = 0,
    shared: bool | None = True,
) -> Seen:
    """Asked once a second; misses each so-many-th, and all within `silent_in`."""
    sent_ms = range(100 * ttl, SECONDS * 1000, 1000)
    missed = [
        one
        for nth, one in enumerate(sent_ms)
        if any(low <= one <= high for low, high in silent_in) or (misses_each and nth % misses_each == 0)
    ]
    answered = [one for one in sent_ms if one not in missed]
    rtts_us = [RTT_US // 4 + (slow_us if nth % 3 == 0 else 0) for nth, _ in enumerate(answered)]
    return Seen(
        station=Station.HOP,
        name=f"198.51.100.{ttl}",
        ttl=ttl,
        shared=shared,
        sent=len(sent_ms),
        lost=len(missed),
        rtt_us=Histogram(rtts_us).delays(),
        answered_ms=tuple(answered),
        rtts_us=tuple(rtts_us),
        missed_ms=tuple(missed),
    )


def judged(
    *seen: Seen,
    house_hops: int = 1,
    before: frozenset[int] = frozenset(),
    around: Circumstances | None = None,
) -> Judged:
    split = Split(
        handoff="A",
        started_unix_ns=0,
        seconds=SECONDS,
        ip_version=4,
        house_hops=house_hops,
        seen=seen,
        spent_bytes=0,
        circumstances=around,
    )
    return segments.judge(split, answered_before=before)


def every(n: int, share: float) -> list[int]:
    """Packets lost evenly over the time, this share of those of a train; `n` shifts which."""
    step = round(50 / share)
    return list(range(n * 50, SECONDS * 1000, step // 50 * 50))


def test_all_is_well() -> None:
    found = judged(train("lan"), hop(1), hop(2), train("north"), train("south"))
    assert (found.word, found.owner, found.findings) == (Word.CLEAR, None, ())
    assert "900 of 900 packets to north" in found.because
    assert [one.segment for one in found.segments] == ["S1", "S2", "S3", "S4", "S5"]


def test_another_way_than_the_handoffs_blames_nobody() -> None:
    """However clear the fault: it is not known to be this handoff's."""
    stalled = (
        train("lan"),
        hop(1),
        hop(2, silent_in=[STALL]),
        *(train(n, stalls=[STALL]) for n in ("north", "south")),
    )
    assert judged(*stalled, around=Circumstances(interface="eth1")).owner is Owner.PROVIDER
    found = judged(*stalled, around=Circumstances(left_elsewhere="the kernel sends by eth0, not by eth1"))
    assert (found.word, found.owner, found.findings) == (Word.UNDECIDED, None, ())
    assert "eth0, not by eth1" in found.because
    assert len(found.segments) == 5


@pytest.mark.parametrize(
    ("hit", "owner"),
    [
        ({"lan", 1, 2, 3, "north", "south"}, Owner.HOUSE),
        ({1, 2, 3, "north", "south"}, Owner.HOUSE),
        ({2, 3, "north", "south"}, Owner.PROVIDER),
        ({3, "north", "south"}, Owner.PROVIDER),
        ({"north", "south"}, Owner.UNKNOWN),
        ({"north"}, Owner.ENDPOINT),
        ({"lan"}, Owner.HOUSE),
    ],
)
def test_one_stall_is_placed_by_who_answered_within_it(hit: set[str | int], owner: Owner) -> None:
    """Hops are asked once a second, so a stall of 1.5 s has one or two witnesses a hop."""

    def of(name: str) -> Seen:
        return train(name, stalls=[STALL] if name in hit else [])

    hops = [hop(ttl, silent_in=[STALL] if ttl in hit else []) for ttl in (1, 2, 3)]
    found = judged(of("lan"), *hops, of("north"), of("south"))
    assert (found.word, found.owner) == (Word.DECIDED, owner), found.because


def test_a_hop_that_misses_answers_anyway_places_no_stall() -> None:
    """One that leaves out each third is missing in a stall by its limit as likely as by the stall."""
    found = judged(
        train("lan"),
        hop(1),
        hop(2, silent_in=[STALL], misses_each=3),
        train("north", stalls=[STALL]),
        train("south", stalls=[STALL]),
    )
    assert (found.word, found.owner) == (Word.UNDECIDED, None)
    assert found.decides


def test_a_hop_that_never_answers_is_no_evidence() -> None:
    silent = hop(2, silent_in=[(0, SECONDS * 1000)])
    ends = [train(name, stalls=[STALL]) for name in ("north", "south")]
    found = judged(train("lan"), hop(1), silent, *ends)
    assert found.word is Word.UNDECIDED
    assert "no evidence" in found.segments[2].note


def test_a_hop_that_answers_slowly_is_no_evidence() -> None:
    """Each third answer 300 ms late, and all else as it should be."""
    found = judged(
        train("lan"), hop(1, slow_us=300_000), hop(2, slow_us=300_000), train("north"), train("south")
    )
    assert found.word is Word.CLEAR


def test_stalls_in_two_places_are_not_blamed_on_one() -> None:
    other = (30_000, 31_500)
    found = judged(
        train("lan", stalls=[other]),
        hop(1, silent_in=[other]),
        hop(2, silent_in=[STALL, other]),
        train("north", stalls=[STALL, other]),
        train("south", stalls=[STALL, other]),
    )
    assert (found.word, found.owner) == (Word.UNDECIDED, None)
    assert "1 house" in found.because
    assert "1 provider" in found.because


def test_what_is_missing_at_a_hop_and_not_beyond_is_its_limit() -> None:
    found = judged(train("lan"), hop(1), hop(2, misses_each=2), train("north"), train("south"))
    assert found.word is Word.CLEAR
    assert "its limit" in found.segments[2].note


@pytest.mark.parametrize(
    ("house", "near", "far", "owner"),
    [
        (0.2, 5, 5, Owner.HOUSE),
        (0.0, 5, 5, Owner.HOUSE),  # the router loses as much as all beyond
        (0.0, 0, 5, Owner.PROVIDER),
        (0.0, 0, 0, Owner.UNKNOWN),
    ],
)
def test_loss_is_placed_by_who_has_less_of_it(house: float, near: int, far: int, owner: Owner) -> None:
    """A fifth is lost on the way to both endpoints; `near` and `far` are what the routers miss, each nth."""
    found = judged(
        train("lan", lost=every(1, house) if house else []),
        hop(1, misses_each=near),
        hop(2, misses_each=far),
        train("north", lost=every(2, 0.2)),
        train("south", lost=every(3, 0.2)),
    )
    assert (found.word, found.owner) == (Word.DECIDED, owner), found.because


def test_little_loss_leaves_routers_with_nothing_to_say() -> None:
    """1 % of 900 packets is seen by trains; 45 answers of a router cannot show that it has less."""
    ends = [train(name, lost=every(nth, 0.01)) for nth, name in enumerate(("north", "south"))]
    found = judged(train("lan"), hop(1), hop(2), *ends)
    assert (found.word, found.owner) == (Word.UNDECIDED, None)
    assert "longer split" in found.decides


def test_loss_to_one_endpoint_only() -> None:
    found = judged(train("lan"), hop(1), hop(2), train("north", lost=every(0, 0.05)), train("south"))
    assert (found.word, found.owner, found.findings[0].where) == (
        Word.DECIDED,
        Owner.ENDPOINT,
        "endpoint north",
    )


def test_a_train_that_had_ended_is_no_witness() -> None:
    """One begins a second before the other and is over when the last stall begins."""
    last = (44_600, 45_600)
    early, late = train("south", stalls=[STALL]), train("north", stalls=[STALL, last])
    late = replace(late, first_ms=1_000, missed_ms=(*late.missed_ms, *range(45_000, 45_600, 50)))
    found = judged(train("lan"), hop(1), hop(2, silent_in=[STALL]), late, early)
    assert (found.word, found.owner) == (Word.DECIDED, Owner.PROVIDER), found.because


def test_a_silence_too_short_for_a_stall_is_no_scattered_loss() -> None:
    """Eight packets in a row on the way to one endpoint, as when a stall is cut off by the split's end."""
    found = judged(train("lan"), hop(1), hop(2), train("north", lost=range(9_000, 9_400, 50)), train("south"))
    assert (found.word, found.owner) == (Word.UNDECIDED, None)
    assert "bursts" in found.because
    both = judged(
        train("lan"),
        hop(1),
        hop(2, silent_in=[STALL]),
        train("north", stalls=[STALL], lost=range(9_000, 9_400, 50)),
        train("south", stalls=[STALL]),
    )
    assert (both.word, both.owner) == (Word.DECIDED, Owner.PROVIDER)


def gone(name: str, whose: Owner = Owner.UNKNOWN) -> Seen:
    station = Station.HOUSE if name == "lan" else Station.OUTSIDE
    return Seen(station=station, name=name, failed="did not answer in time", whose=whose)


def test_an_outage_is_placed_by_hops_that_are_known_to_answer() -> None:
    """While nothing comes through, a hop that answered before shows that it does not now."""
    dead = hop(2, silent_in=[(0, SECONDS * 1000)])
    without = judged(train("lan"), hop(1), dead, gone("north"), gone("south"))
    assert without.word is Word.UNDECIDED
    found = judged(train("lan"), hop(1), dead, gone("north"), gone("south"), before=frozenset({1, 2}))
    assert (found.word, found.owner) == (Word.DECIDED, Owner.PROVIDER)


def test_a_probe_that_is_cut_off_from_everything_is_the_house() -> None:
    dead = [hop(ttl, silent_in=[(0, SECONDS * 1000)]) for ttl in (1, 2)]
    found = judged(gone("lan"), *dead, gone("north"), gone("south"))
    assert (found.word, found.owner) == (Word.DECIDED, Owner.HOUSE)


def test_a_house_endpoint_that_is_off_leaves_the_router_to_speak() -> None:
    dead = hop(2, silent_in=[(0, SECONDS * 1000)])
    found = judged(gone("lan"), hop(1), dead, gone("north"), gone("south"), before=frozenset({2}))
    assert (found.word, found.owner) == (Word.DECIDED, Owner.PROVIDER)


def test_an_endpoint_that_refuses_is_no_witness_of_the_line() -> None:
    found = judged(train("lan"), hop(1), hop(2), gone("north", Owner.ENDPOINT), train("south"))
    assert found.word is Word.CLEAR
    assert "did not answer in time" in found.segments[3].note


def test_without_an_endpoint_outside_nothing_is_said() -> None:
    ends = [gone(name, Owner.ENDPOINT) for name in ("north", "south")]
    found = judged(train("lan"), hop(1), hop(2), *ends)
    assert (found.word, found.owner) == (Word.UNDECIDED, None)
    assert found.decides


def test_a_hop_on_the_way_to_one_endpoint_only_says_nothing_of_both() -> None:
    """The routers part behind hop 2, so hop 3 of the first way is clear for that way alone."""
    ends = [train(name, stalls=[STALL]) for name in ("north", "south")]
    found = judged(train("lan"), hop(1), hop(2, silent_in=[STALL]), hop(3, shared=False), *ends)
    assert found.owner is Owner.PROVIDER


@given(st.integers(0, 200), st.integers(0, 45))
def test_more_missing_at_a_hop_never_makes_a_clear_line_bad(lost: int, each: int) -> None:
    """Whatever routers leave unanswered, a line that delivers is clear."""
    found = judged(
        train("lan"), hop(1, misses_each=each), hop(2, misses_each=lost), train("north"), train("south")
    )
    assert found.word is Word.CLEAR
