"""The search for a path MTU, against every limit there can be: it must end exactly there."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from probe.mtu_search import Search


def searched(limit: int, *, top: int, told: int | None = None) -> tuple[int, int]:
    """Where the search ends on a way that carries up to `limit`, and after how many sizes."""
    search, tries = Search(passes=1200, fails=top + 1), 0
    while (size := search.next()) is not None:
        tries += 1
        assert search.passes < size < search.fails
        if size <= limit:
            search.passed(size)
        else:
            search.failed(size, told=told)
    return search.passes, tries


@given(st.integers(1200, 9000), st.integers(1200, 9000), st.none() | st.integers(0, 10_000))
def test_it_ends_at_the_limit(limit: int, top: int, told: int | None) -> None:
    """Whatever a router says, true or not: 7801 sizes are bisected in 13 steps, its word costs a few more."""
    found, tries = searched(min(limit, top), top=top, told=told)
    assert found == min(limit, top)
    assert tries <= 13 + 4


def test_a_way_that_carries_all_costs_one_size() -> None:
    assert searched(1500, top=1500) == (1500, 1)


def test_a_router_that_is_right_saves_the_bisection() -> None:
    """RFC 8899 section 4.6.2: the size it tells is verified, and one octet more."""
    assert searched(1400, top=1500, told=1400) == (1400, 3)
