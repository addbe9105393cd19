"""Where a stall was, on made answers: house, provider or beyond, and how many spoke."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from dashboard.judge import stall_places
from dashboard.judge.stall_places import Other, Part, StallPlace
from store.records import Direction, Stall
from store.segments import Seen, Station, Witnesses
from store.site import Where

START_NS, DURATION_US = 1_000_000_000_000, 1_400_000


def stall(endpoint: str = "north", *, start_ns: int = START_NS, duration_us: int = DURATION_US) -> Stall:
    return Stall(
        handoff="A",
        endpoint=endpoint,
        started_unix_ns=start_ns,
        duration_us=duration_us,
        direction=Direction.UP,
        how="lost",
        lost=28,
        held=0,
    )


def hop(ttl: int, word: str) -> Seen:
    """Asked each 1.25 s; within the stall at 0.6 s ``clear``, ``hit``, ``held`` or not asked (``""``)."""
    usual = range(-15_000, -1_000, 1_250)
    late = {"clear": 2_000, "held": 700_000}.get(word)
    return Seen(
        station=Station.HOP,
        name=f"198.51.100.{ttl}",
        ttl=ttl,
        sent=len(usual) + 1,
        answered_ms=(*usual, *([600] if late else [])),
        rtts_us=(*(2_000 for _ in usual), *([late] if late else [])),
        missed_ms=(600,) if word == "hit" else (),
    )


def placed(
    words: Sequence[str],
    others: Sequence[Other] = (),
    *,
    answered: int = 200,
    where: Where = Where.OUTSIDE,
    house_hops: int = 1,
) -> StallPlace:
    found = Witnesses(
        handoff="A",
        endpoint="north",
        started_unix_ns=START_NS,
        duration_us=DURATION_US,
        house_hops=house_hops,
        seen=tuple(hop(nth + 1, word) for nth, word in enumerate(words)),
        sent_before=tuple(200 for _ in words),
        answered_before=tuple(answered for _ in words),
    )
    return stall_places.place(stall(), found, others, where=where, house_hops=house_hops)


def other(endpoint: str, *, hit: bool | None) -> Other:
    """A train that stalled as well, went on, or of which nothing is known."""
    return Other(
        endpoint=endpoint,
        where=Where.HOUSE if endpoint == "lan" else Where.OUTSIDE,
        stalls=(stall(endpoint, start_ns=START_NS + 50_000_000),) if hit else (),
        clear=None if hit is None else not hit,
    )


@pytest.mark.parametrize(
    ("lan", "hops", "south", "part", "witnesses"),
    [
        (True, ["hit", "hit", "hit"], True, Part.HOUSE, 5),
        (False, ["hit", "hit", "hit"], True, Part.HOUSE, 5),
        (False, ["clear", "hit", "hit"], True, Part.PROVIDER, 5),
        (False, ["clear", "clear", "held"], True, Part.PROVIDER, 5),
        (False, ["clear", "clear", "clear"], True, Part.BEYOND, 5),
        (False, ["clear", "clear", "clear"], False, Part.BEYOND, 5),
        (None, ["clear", "hit", ""], None, Part.PROVIDER, 2),
        (None, ["", "", ""], None, Part.UNDECIDED, 0),
        (False, ["", "hit", "hit"], True, Part.UNDECIDED, 4),
    ],
)
def test_parts(lan: bool | None, hops: list[str], south: bool | None, part: Part, witnesses: int) -> None:
    found = placed(hops, [other("lan", hit=lan), other("south", hit=south)])
    assert (found.part, found.clear + found.hit) == (part, witnesses), found.because


def test_a_router_that_often_misses_is_no_witness() -> None:
    """Half of its answers are missing anyway, so one more says nothing."""
    assert placed(["clear", "hit"], [other("south", hit=True)], answered=100).part is Part.UNDECIDED


def test_without_answers_of_hops_other_trains_still_speak() -> None:
    """A house that stalled in the same second is the house's, whatever the hops."""
    found = stall_places.place(
        stall(), None, [other("lan", hit=True), other("south", hit=True)], where=Where.OUTSIDE, house_hops=1
    )
    assert (found.part, found.clear, found.hit) == (Part.HOUSE, 0, 2)


def test_a_stall_of_the_house_endpoint_alone_is_the_house() -> None:
    """Seen from the train in the house: everything outside went on."""
    found = stall_places.place(
        stall("lan"), None, [other("north", hit=False)], where=Where.HOUSE, house_hops=1
    )
    assert found.part is Part.HOUSE


def test_a_stall_at_another_time_is_another_stall() -> None:
    elsewhen = Other(
        endpoint="lan",
        where=Where.HOUSE,
        stalls=(stall("lan", start_ns=START_NS + 1_200_000_000),),
        clear=True,
    )
    found = placed(["clear", "hit"], [elsewhen])
    assert found.part is Part.PROVIDER
