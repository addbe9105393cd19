"""Who is let out when strangers crowd the door."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.crowd import Crowd, Stranger, network_of


def come(crowd: Crowd, networks: str, ended: list[str]) -> None:
    for number, network in enumerate(networks):
        name = f"{network}{number}"
        crowd.come(Stranger(network=network, end=lambda name=name: ended.append(name)))


def test_the_oldest_of_the_largest_network_goes() -> None:
    ended: list[str] = []
    come(Crowd(4), "abbbbab", ended)
    assert ended == ["b1", "b2", "b3"]


@given(networks=st.text(alphabet="xxxy", max_size=60), most=st.integers(2, 9))
def test_a_flood_from_one_network_never_ends_the_only_one_of_another(networks: str, most: int) -> None:
    ended: list[str] = []
    crowd = Crowd(most)
    come(crowd, "q" + networks.replace("y", "x"), ended)
    assert not any(name.startswith("q") for name in ended)
    assert len(crowd) == min(most, 1 + len(networks))


def test_who_went_is_not_ended() -> None:
    ended: list[str] = []
    crowd = Crowd(1)
    first = Stranger(network="a", end=lambda: ended.append("first"))
    crowd.come(first)
    crowd.go(first)
    crowd.go(first)
    come(crowd, "a", ended)
    assert (ended, len(crowd)) == ([], 1)
    crowd.end_one()
    crowd.end_one()
    assert (ended, len(crowd)) == (["a0"], 0)


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3::4", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
    ],
)
def test_networks(address: str, network: str) -> None:
    assert network_of(address) == network
