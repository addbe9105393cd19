"""On which part of the way a train's stall was: house, provider or beyond, by who answered meanwhile.

Joins a stall with what the hops answered in the same second and with the handoff's other trains, and asks
the rule for every placing (`dashboard.judge.placing`). One stall has few witnesses, so each is counted.
Pure. Imports placing, witnesses and store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from dashboard.judge import placing, witnesses
from dashboard.judge.placing import Hop, Outside, State
from dashboard.judge.witnesses import MARGIN_MS, Answers, Window
from store.records import Owner, Stall
from store.segments import Seen, Witnesses
from store.site import Where

_SAME = 0.5  # of the shorter of two stalls lies within the other: they are the same


class Part(StrEnum):
    """The part of the way; UNDECIDED where its witnesses do not say."""

    HOUSE = "house"
    PROVIDER = "provider"
    BEYOND = "beyond"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Other:
    """Another train of the handoff at the time of a stall. `clear` is None where it cannot say."""

    endpoint: str
    where: Where
    stalls: tuple[Stall, ...]
    clear: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StallPlace:
    """Where a stall was, and how many spoke: trains and hops that were clear, and those that were hit.

    The train that stalled is not counted. `because` names them.
    """

    part: Part
    owner: Owner | None
    clear: int
    hit: int
    because: str


def place(
    stall: Stall, found: Witnesses | None, others: Sequence[Other], *, where: Where, house_hops: int
) -> StallPlace:
    """The place of a stall of the train to an endpoint that stands `where`."""
    states = {one.endpoint: _train(stall, one) for one in others}
    asked = [] if found is None else hops(stall, found)
    own = Outside(name=stall.endpoint, state=State.HIT)
    outside = [
        Outside(name=one.endpoint, state=states[one.endpoint]) for one in others if one.where is Where.OUTSIDE
    ]
    houses = [states[one.endpoint] for one in others if one.where is Where.HOUSE]
    house = State.HIT if where is Where.HOUSE else next(iter(houses), State.NOTHING)
    said = placing.place(
        house=house,
        hops=asked,
        # one that cannot say is no witness here, as there will be no longer look
        outside=[
            *([own] if where is Where.OUTSIDE else []),
            *(one for one in outside if one.state is not State.NOTHING),
        ],
        house_hops=house_hops,
    )
    spoken = [*states.values(), *(hop.state for hop in asked)]
    return StallPlace(
        part=Part.UNDECIDED if said is None else _part(said.owner),
        owner=None if said is None else said.owner,
        clear=spoken.count(State.CLEAR),
        hit=spoken.count(State.HIT),
        because="" if said is None else said.because,
    )


def _part(owner: Owner | None) -> Part:
    match owner:
        case Owner.HOUSE:
            return Part.HOUSE
        case Owner.PROVIDER:
            return Part.PROVIDER
        case None:
            return Part.UNDECIDED
        case _:
            return Part.BEYOND


def _train(stall: Stall, other: Other) -> State:
    """Hit when it stalled as well; one that stalled a little of the time is no witness."""
    start_us, end_us = _ends_us(stall)
    clear = other.clear
    for one in other.stalls:
        from_us, to_us = _ends_us(one)
        common_us = min(end_us, to_us) - max(start_us, from_us)
        if common_us >= _SAME * min(stall.duration_us, one.duration_us):
            return State.HIT
        clear = clear and common_us <= 0
    return State.CLEAR if clear else State.NOTHING


def _ends_us(stall: Stall) -> tuple[int, int]:
    start_us = stall.started_unix_ns // 1000
    return start_us, start_us + stall.duration_us


def hops(stall: Stall, found: Witnesses) -> list[Hop]:
    """What each router that was asked around a stall says of it, in the order of the way."""
    inner = MARGIN_MS, stall.duration_us // 1000 - MARGIN_MS
    return [
        _hop(seen, inner, Answers(good=answered, bad=sent - answered))
        for seen, sent, answered in zip(found.seen, found.sent_before, found.answered_before, strict=True)
    ]


def _hop(seen: Seen, inner: Window, before: Answers) -> Hop:
    return Hop(
        ttl=seen.ttl or 0,
        name=seen.name or f"at TTL {seen.ttl}",
        state=witnesses.state(witnesses.within(seen, inner), otherwise=before),
        speaks=witnesses.speaks(before),
    )
