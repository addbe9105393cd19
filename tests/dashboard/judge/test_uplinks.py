"""Which uplink carries which destination: small cases by hand, and every way tried as the second route."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import uplinks
from store.demand import demand_bps
from store.site import Destination
from tests.dashboard.judge.made import destination

SMALL, MIDDLE, LARGE = (
    destination(video, name=name)
    for name, video in (("small", 2_500_000), ("middle", 6_500_000), ("large", 14_000_000))
)


def room(**floors_bps: float) -> uplinks.Judged:
    """Go within 0.7 of a floor, Tight within 0.85, else Hold; None for a floor that is not named."""

    def judged(handoff: str, among: Sequence[Destination]) -> tuple[int, float] | None:
        if handoff not in floors_bps:
            return None
        full = sum(demand_bps(one) for one in among) / floors_bps[handoff]
        return (0 if full <= 0.7 else 1 if full <= 0.85 else 2), full

    return judged


def shared(*made: Destination, **floors_bps: float) -> uplinks.Shares | None:
    others = [name for name in ("a", "b") if name in floors_bps or name == "a"]
    return uplinks.best(made, own="old", others=others, judged=room(**floors_bps))


def test_what_fits_stays() -> None:
    """Nothing moves without need, however much more another has."""
    found = shared(SMALL, MIDDLE, old=20e6, a=500e6)
    assert found is not None
    assert (found.moved, found.place) == (0, 0)
    assert "No other way" in uplinks.said(found, "Go")


def test_the_fewest_move() -> None:
    """Of 4.9 + 7 + 15 on floors of 18 and 500, the large one alone has to go."""
    found = shared(SMALL, MIDDLE, LARGE, old=18e6, a=500e6)
    assert found is not None
    assert found.carries == (("small", "old"), ("middle", "old"), ("large", "a"))
    assert (
        uplinks.said(found, "Go")
        == "Best shared out: small and middle by handoff old; large by handoff a. Together Go."
    )


def test_an_unknown_uplink_carries_nothing() -> None:
    """Where nothing is known of the other one, nothing is sent there; and none at all is no advice."""
    found = shared(LARGE, old=5e6)
    assert found is not None
    assert found.carries == (("large", "old"),)
    assert uplinks.best((LARGE,), own="old", others=["a"], judged=room()) is None


@given(
    st.lists(st.sampled_from([SMALL, MIDDLE, LARGE]), min_size=1, max_size=4),
    st.floats(3e6, 60e6),
    st.floats(3e6, 60e6),
)
def test_no_way_is_better(made: list[Destination], old_bps: float, a_bps: float) -> None:
    """The second route: the worst place of every way, one by one."""
    judged = room(old=old_bps, a=a_bps)
    worst = []
    for way in product(("old", "a"), repeat=len(made)):
        parts = [[one for one, to in zip(made, way, strict=True) if to == name] for name in ("old", "a")]
        told = [judged(name, part) for name, part in zip(("old", "a"), parts, strict=True) if part]
        worst.append(max(each[0] for each in told if each is not None))
    found = uplinks.best(made, own="old", others=["a"], judged=judged)
    assert found is not None
    assert found.place == min(worst)


def test_many_destinations_move_one_at_a_time() -> None:
    """Ten on three uplinks would be 59 049 ways."""
    found = uplinks.best([MIDDLE] * 10, own="old", others=["a", "b"], judged=room(old=80e6, a=9e6, b=500e6))
    assert found is not None
    assert found.place == 0
    assert found.carries == (("middle", "b"),) * 10
