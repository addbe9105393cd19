"""Where on the way a trouble lies, from what each station says of it: clear, hit, or nothing.

One rule for everything that is placed, a loss or a stall, of a split or of the daemon's trains: a station
that is clear while everything beyond is hit clears the way up to itself; the nearest that is hit beyond it
closes the segment. An answer cannot come through a line that lets nothing through, so clear is strong; a
missing answer of a router may be its own limit, so hit counts only together with all that lies beyond, and
never before a station that is clear. Pure. Imports store.records.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from store.records import Owner


class State(StrEnum):
    """What a station says of a trouble that an endpoint outside has."""

    CLEAR = "clear"
    HIT = "hit"
    NOTHING = "nothing"  # not measured, too few packets, or answers that are missing anyway


@dataclass(frozen=True, slots=True, kw_only=True)
class Hop:
    """A router on the way that everything outside shares.

    One that says nothing but `speaks` at other times may still be what is hit.
    """

    ttl: int
    name: str
    state: State
    speaks: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """An endpoint outside that was measured."""

    name: str
    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Who must act, None for undecided; `decides` then says what would decide. `where` is the segment."""

    owner: Owner | None
    where: str
    because: str
    decides: str = ""


def place(*, house: State, hops: Sequence[Hop], outside: Sequence[Outside], house_hops: int) -> Placed | None:
    """Where it lies; None when nothing is hit. `hops` are in the order of the way.

    `house_hops` routers on the way are the house's own. `house` is NOTHING without a house endpoint.
    """
    hit = [one.name for one in outside if one.state is State.HIT]
    clear = [one.name for one in outside if one.state is State.CLEAR]
    if not hit:
        return _only_house() if house is State.HIT else None
    if house is State.HIT and not clear:
        return Placed(
            owner=Owner.HOUSE,
            where="house network",
            because="the house endpoint is hit too, before any router: the house's network, a lead, a "
            "switch or the probe's host",
        )
    if clear:
        return Placed(
            owner=Owner.ENDPOINT,
            where=f"endpoint {hit[0]}",
            because=f"{_listed(hit)} is hit and {_listed(clear)} is not, in the same seconds: the endpoint "
            "or the part of its way that it has for itself",
        )
    if len(hit) < len(outside):
        unsure = [one.name for one in outside if one.name not in hit]
        return Placed(
            owner=None,
            where="",
            because=f"{_listed(hit)} is hit; what {_listed(unsure)} shows is too little to say",
            decides="a longer split",
        )
    return _on_the_way(house, hops, house_hops=house_hops, alone=len(outside) == 1)


def _only_house() -> Placed:
    return Placed(
        owner=Owner.HOUSE,
        where="house endpoint",
        because="only the house endpoint is hit, so it is that host or its lead",
    )


def _on_the_way(house: State, hops: Sequence[Hop], *, house_hops: int, alone: bool) -> Placed:
    """All that lies outside is hit; the house endpoint is not, or was not measured."""
    far = max((nth for nth, hop in enumerate(hops) if hop.state is State.CLEAR), default=-1)
    near = next((hop for hop in hops[far + 1 :] if hop.state is State.HIT), None)
    cleared = hops[far] if far >= 0 else None
    if cleared is not None and cleared.ttl > house_hops:
        open_ = next((hop for hop in hops[far + 1 :] if hop.speaks), None)
        return _beyond(cleared, near, open_, alone=alone)
    house_is_clear = cleared is not None or (house is State.CLEAR and house_hops == 0)
    if house_is_clear and (cleared is None or cleared.ttl == house_hops):
        return _access(cleared, near)
    if near is not None and near.ttl <= house_hops:
        return Placed(
            owner=Owner.HOUSE,
            where="own router",
            because=f"the house's own router {near.name} is hit as everything beyond it is"
            + (
                ", and the house endpoint is clear"
                if house is State.CLEAR
                else "; the house's network before it was not seen to be clear"
            ),
        )
    if house is State.CLEAR:
        return Placed(
            owner=None,
            where="",
            because="the house endpoint is clear and everything outside is hit, but the house's own router "
            "does not show on which side of it",
            decides="an endpoint on the provider's side of the router, or a longer split",
        )
    return Placed(
        owner=None,
        where="",
        because="everything outside is hit, and neither a house endpoint nor the house's own router shows "
        "that the house is clear",
        decides="a house endpoint",
    )


def _access(cleared: Hop | None, near: Hop | None) -> Placed:
    """The house is clear up to its last router."""
    before = "the house endpoint" if cleared is None else f"the house's own router {cleared.name}"
    if near is not None:
        return Placed(
            owner=Owner.PROVIDER,
            where="access circuit",
            because=f"{before} is clear, the provider's hop {near.name} and everything beyond it are hit",
        )
    return Placed(
        owner=None,
        where="",
        because=f"{before} is clear and everything outside is hit, but no hop of the provider shows anything",
        decides="a reflector that the provider names, or a hop that usually answers",
    )


def _beyond(cleared: Hop, near: Hop | None, open_: Hop | None, *, alone: bool) -> Placed:
    """The access circuit is clear up to a hop of the provider."""
    if alone:
        return Placed(
            owner=None,
            where="",
            because=f"the provider's hop {cleared.name} is clear and the only endpoint outside is hit",
            decides="a second endpoint outside, in another network",
        )
    if near is not None:
        return Placed(
            owner=Owner.PROVIDER,
            where="provider's network",
            because=f"hop {cleared.name} is clear, hop {near.name} and everything beyond it are hit",
        )
    if open_ is not None:
        return Placed(
            owner=None,
            where="",
            because=f"hop {cleared.name} is clear and everything outside is hit; hop {open_.name} between "
            "them, which answers at other times, shows too little",
            decides="a longer split",
        )
    return Placed(
        owner=Owner.UNKNOWN,
        where="beyond",
        because=f"hop {cleared.name} is clear and every endpoint outside is hit: the provider's further "
        "network, or all of these endpoints",
        decides="a split from another site to the same endpoints",
    )


def _listed(names: Sequence[str]) -> str:
    return " and ".join(names)
