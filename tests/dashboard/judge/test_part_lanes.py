"""The parts of the way over time. The table of readings is trade practice: a far part silent and a nearer one
not, in the same second, means that the trouble lies between (common practice, no source).
"""

from __future__ import annotations

import json
from datetime import UTC
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures import part_lanes as figure
from dashboard.figures.pooling import Stretch
from dashboard.judge import part_lanes
from dashboard.judge.part_lanes import bars, joined
from store.clock import NS_PER_S
from store.records import Direction, Gap, Stall
from store.segments import Seen, Silent, Split, Station, Witnesses

SILENCES = st.lists(st.tuples(st.integers(0, 10**6), st.integers(1, 500)).map(lambda one: (one[0], sum(one))))


def _stall(at_s: int, *, endpoint: str = "north", lasts_s: int = 2) -> Stall:
    return Stall(
        handoff="old",
        endpoint=endpoint,
        started_unix_ns=at_s * NS_PER_S,
        duration_us=lasts_s * 1_000_000,
        direction=Direction.UP,
        how="lost",
        lost=40,
        held=0,
    )


def _hop(ttl: int, *, answers: bool) -> Seen:
    """A router that was asked once a quarter of a second through a stall of 2 s."""
    asked = tuple(range(0, 2000, 250))
    return Seen(
        station=Station.HOP,
        name=f"192.0.2.{ttl}",
        ttl=ttl,
        sent=len(asked),
        answered_ms=asked if answers else (),
        rtts_us=(900,) * len(asked) if answers else (),
        missed_ms=() if answers else asked,
    )


def _around(stall: Stall, *, own: bool, provider: bool) -> tuple[Stall, Witnesses]:
    return stall, Witnesses(
        handoff="old",
        endpoint=stall.endpoint,
        started_unix_ns=stall.started_unix_ns,
        duration_us=stall.duration_us,
        house_hops=1,
        seen=(_hop(1, answers=own), _hop(2, answers=provider)),
        sent_before=(200, 200),
        answered_before=(200, 200),
    )


def test_what_answers_beyond_clears_what_is_nearer() -> None:
    """In the circuit only the own router answered; in the house neither; by a limit only the far one."""
    circuit = _around(_stall(100), own=True, provider=False)
    house = _around(_stall(200), own=False, provider=False)
    limit = _around(_stall(300), own=False, provider=True)
    own, provider = part_lanes.of_routers("old", [circuit, house, limit])
    assert (own.segment, provider.segment) == ("S2", "S3")
    assert [start // NS_PER_S for start, _ in own.silent] == [200]
    assert [one // NS_PER_S for one in own.clear] == [100, 300]
    assert [start // NS_PER_S for start, _ in provider.silent] == [100, 200]
    assert (own.asked, provider.asked) == (3, 3)
    assert (own.silent_s, own.longest_s) == (2.0, 2.0)
    assert part_lanes.of_routers("old", []) == ()


@given(SILENCES, st.integers(1, 10**5))
def test_nothing_is_lost_when_bars_are_joined(silent: list[tuple[int, int]], apart: int) -> None:
    """Every silence lies in a bar, they are counted once, and bars lie apart so that each can be seen."""
    found = bars(silent, apart_ns=apart)
    assert sum(one.count for one in found) == len(silent)
    for start, end in silent:
        assert any(one.start_ns <= start and end <= one.end_ns for one in found)
    assert all(later.start_ns - earlier.end_ns >= apart for earlier, later in pairwise(found))


@given(SILENCES)
def test_joined_covers_the_same_time(silent: list[tuple[int, int]]) -> None:
    """Second by second the same as the set of all seconds."""
    covered = {second for start, end in silent for second in range(start, end)}
    found = joined(silent)
    assert {second for start, end in found for second in range(start, end)} == covered
    assert len(found) == len(set(found))


def test_a_split_asks_the_routers_too() -> None:
    """Its hops stand as witnesses of its trains' stalls, each silence once, none twice."""
    silent = Silent(start_ms=20_000, duration_ms=2_000, direction=Direction.UP, how="lost")
    hops = [
        Seen(
            station=Station.HOP,
            name=f"198.51.100.{ttl}",
            ttl=ttl,
            answered_ms=tuple(at for at in range(0, 45_000, 500) if ttl == 1 or not 20_000 <= at < 22_000),
            rtts_us=tuple(2_000 for at in range(0, 45_000, 500) if ttl == 1 or not 20_000 <= at < 22_000),
            missed_ms=() if ttl == 1 else (20_500, 21_000, 21_500),
        )
        for ttl in (1, 2)
    ]
    trains = [Seen(station=Station.OUTSIDE, name=name, stalls=(silent,)) for name in ("north", "south")]
    split = Split(
        handoff="old",
        endpoint="",
        started_unix_ns=1000 * NS_PER_S,
        seconds=45.0,
        ip_version=4,
        house_hops=1,
        seen=(*hops, *trains),
        spent_bytes=0,
    )
    pairs = part_lanes.besides([], part_lanes.of_split(split))
    own, provider = part_lanes.of_routers("old", pairs)
    assert (own.segment, own.asked, own.silent) == ("S2", 1, ())
    assert provider.silent == ((1020 * NS_PER_S, 1022 * NS_PER_S),)
    known = [_around(_stall(1021), own=True, provider=False)]
    assert part_lanes.besides(known, part_lanes.of_split(split)) == []


def test_lanes_stand_from_the_house_outwards() -> None:
    """One lane each, told by sign and width; a lane that was watched and silent has both, a gap is a band."""
    stretch = Stretch(from_ns=0, to_ns=3600 * NS_PER_S, zone=UTC)
    watched = [(0, 1800 * NS_PER_S), (1800 * NS_PER_S, 3000 * NS_PER_S)]
    around = [_around(_stall(1000), own=True, provider=False)]
    lanes = [
        part_lanes.of_train("old", "S1", "lan", stalls=[], watched=watched),
        *part_lanes.of_routers("old", around),
        part_lanes.of_train("old", "S4", "north", stalls=[_stall(1000)], watched=watched),
    ]
    gap = Gap(started_unix_ns=3000 * NS_PER_S, ended_unix_ns=3600 * NS_PER_S, why="off")
    made = json.loads(figure.figure(lanes, gaps=[gap], stretch=stretch))
    assert made["layout"]["yaxis"]["ticktext"] == ["S1 house", "S2 own routers", "S3 provider", "S4 north"]
    traces = {trace["name"]: trace for trace in made["data"]}
    assert traces["watched"]["y"] == [0, 0, None, 3, 3, None]
    assert traces["silent"]["y"] == [2, 2, None, 3, 3, None]
    assert traces["answered during a stall"]["y"] == [1]
    assert [shape["name"] for shape in made["layout"]["shapes"]] == ["gap"]
    looks = {(one["mode"], one.get("marker", {}).get("symbol")) for one in made["data"]}
    assert len(looks) == 3
