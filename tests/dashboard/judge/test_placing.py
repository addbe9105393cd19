"""Where a trouble lies. The table is that of the trade for an endpoint in the house, the router, the
provider's first hop and two endpoints outside (common practice, no source)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import placing
from dashboard.judge.placing import Hop, Outside, Placed, State
from store.records import Owner

CLEAR, HIT, NOTHING = State.CLEAR, State.HIT, State.NOTHING
STATES = st.sampled_from(State)


def place(house: State, hops: list[State], outside: list[State], *, house_hops: int = 1) -> Placed | None:
    return placing.place(
        house=house,
        hops=[Hop(ttl=nth + 1, name=f"192.0.2.{nth + 1}", state=state) for nth, state in enumerate(hops)],
        outside=[Outside(name=name, state=state) for name, state in zip("XY", outside, strict=False)],
        house_hops=house_hops,
    )


@pytest.mark.parametrize(
    ("states", "owner"),
    [
        ("HHHHH", Owner.HOUSE),  # S1 bad: house network, lead, switch or probe host
        ("H..HH", Owner.HOUSE),
        ("CHHHH", Owner.HOUSE),  # S1 ok, the rest bad: the router
        ("CCHHH", Owner.PROVIDER),  # the access circuit
        ("CCCHH", Owner.UNKNOWN),  # the backbone or both endpoints
        ("CCCHC", Owner.ENDPOINT),  # endpoint X or its path
        ("CC.HH", None),  # not separable
    ],
)
def test_the_table_of_the_trade(states: str, owner: Owner | None) -> None:
    house, router, hop, *ends = ({"C": CLEAR, "H": HIT, ".": NOTHING}[letter] for letter in states)
    found = place(house, [router, hop], ends)
    assert found is not None
    assert found.owner is owner
    assert bool(found.decides) is (owner in (None, Owner.UNKNOWN))


@given(STATES, STATES, st.lists(STATES, max_size=4))
def test_a_hop_that_answers_badly_is_no_fault(house: State, router: State, hops: list[State]) -> None:
    """While both endpoints outside are clear, no router is ever blamed."""
    found = place(house, [router, *hops], [CLEAR, CLEAR])
    assert (found is None) is (house is not HIT)
    assert found is None or found.where == "house endpoint"


@given(
    st.lists(STATES, max_size=3), st.lists(STATES, min_size=3, max_size=3), st.sampled_from([HIT, NOTHING])
)
def test_what_stands_before_a_clear_hop_says_nothing(
    beyond: list[State], before: list[State], other: State
) -> None:
    """Its missing answers are its own: packets came through it to a hop that is clear."""
    one, two = place(NOTHING, [*before, CLEAR, *beyond], [HIT, HIT]), None
    for nth in range(len(before)):
        changed = [*before[:nth], other, *before[nth + 1 :]]
        two = place(NOTHING, [*changed, CLEAR, *beyond], [HIT, HIT])
        assert one == two


@given(STATES, st.lists(STATES, max_size=4), st.lists(STATES, min_size=1, max_size=2), st.integers(0, 2))
def test_the_house_is_never_blamed_when_it_is_clear(
    house: State, hops: list[State], outside: list[State], house_hops: int
) -> None:
    """Beyond a provider's hop that is clear lies nothing of the house."""
    found = place(house, hops, outside, house_hops=house_hops)
    provider_clear = CLEAR in hops[house_hops:] and HIT in outside
    if provider_clear and house is not HIT:
        assert found is not None
        assert found.owner is not Owner.HOUSE


@given(STATES, st.lists(STATES, max_size=4), st.integers(0, 2))
def test_the_provider_is_blamed_between_clear_and_hit_only(
    house: State, hops: list[State], house_hops: int
) -> None:
    found = place(house, hops, [HIT, HIT], house_hops=house_hops)
    assert found is not None
    if found.owner is Owner.PROVIDER:
        before = [house, *hops]
        far = max(nth for nth, state in enumerate(before) if state is CLEAR)
        assert far >= house_hops
        assert HIT in before[far + 1 :]


@pytest.mark.parametrize(("speaks", "owner"), [(True, None), (False, Owner.UNKNOWN)])
def test_a_hop_between_clear_and_hit_that_may_still_speak(speaks: bool, owner: Owner | None) -> None:
    """As long as it could be what is hit, nothing is said of what lies beyond it."""
    hops = [
        Hop(ttl=1, name="a", state=CLEAR),
        Hop(ttl=2, name="b", state=CLEAR),
        Hop(ttl=3, name="c", state=NOTHING, speaks=speaks),
    ]
    ends = [Outside(name=name, state=HIT) for name in "XY"]
    found = placing.place(house=CLEAR, hops=hops, outside=ends, house_hops=1)
    assert found is not None
    assert found.owner is owner


def test_nothing_is_known_of_a_way_that_nobody_answers_on() -> None:
    found = place(NOTHING, [NOTHING, NOTHING], [HIT, HIT])
    assert found is not None
    assert (found.owner, found.decides) == (None, "a house endpoint")


def test_one_endpoint_alone_never_decides_what_lies_beyond_the_access() -> None:
    found = place(CLEAR, [CLEAR, CLEAR, HIT], [HIT])
    assert found is not None
    assert (found.owner, found.decides) == (None, "a second endpoint outside, in another network")


def test_a_probe_at_the_handoff_has_no_router_of_the_house() -> None:
    found = place(CLEAR, [HIT, HIT], [HIT, HIT], house_hops=0)
    assert found is not None
    assert found.owner is Owner.PROVIDER


def test_a_second_endpoint_with_too_little_to_say() -> None:
    found = place(CLEAR, [CLEAR, CLEAR], [HIT, NOTHING])
    assert found is not None
    assert (found.owner, found.decides) == (None, "a longer split")
