"""Do this host and the endpoints carry enough for what the contract states? Pure.

What is wanted is `ceiling_factor` times the higher of the stated rates (1.2 unless the site file says
otherwise: common practice, no source), taken as payload, which is a little more than the line can show. Asked
for every endpoint and number of flows that runs over TCP have, since fewer flows carry less.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from store.ceilings import Ceiling, CeilingOf, Key, keys, newest, valid
from store.records import Direction
from store.site import Handoff, Site


class Enough(StrEnum):
    """Whether a ceiling leaves enough room."""

    ENOUGH = "enough"
    TOO_LITTLE = "too little"
    NOT_MEASURED = "not measured"
    NOT_STATED = "no rate stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """One machine and number of flows. `ceiling` is None where none is on record that still counts."""

    of: CeilingOf
    endpoint: str
    flows: int
    ceiling: Ceiling | None
    wanted_bps: int | None
    word: Enough


def judge(found: Iterable[Ceiling], *, site: Site, handoff: Handoff, now_ns: int) -> tuple[Room, ...]:
    """The host's first, then the endpoints'; none where no such run is planned."""
    known = newest(found)
    card = handoff.card_at(now_ns)
    stated_bps = max((card.rate_bps(way) or 0 for way in (Direction.UP, Direction.DOWN)), default=0)
    wanted_bps = round(stated_bps * site.rules.evidence.ceiling_factor) or None
    asked: dict[Key, None] = {}
    for plan in (*site.runs, *(campaign.run for campaign in site.campaigns)):
        if plan.handoff == handoff.name and plan.method.by_tcp:
            asked |= dict.fromkeys(keys(plan.endpoint, plan.flows))
    in_order = sorted(asked, key=lambda key: (key[0] is not CeilingOf.HOST, key))
    return tuple(_room(key, valid(known.get(key), now_ns=now_ns), wanted_bps) for key in in_order)


def _room(key: Key, ceiling: Ceiling | None, wanted_bps: int | None) -> Room:
    of, endpoint, flows = key
    if ceiling is None:
        word = Enough.NOT_MEASURED
    elif wanted_bps is None:
        word = Enough.NOT_STATED
    else:
        word = Enough.ENOUGH if ceiling.carries_bps >= wanted_bps else Enough.TOO_LITTLE
    return Room(of=of, endpoint=endpoint, flows=flows, ceiling=ceiling, wanted_bps=wanted_bps, word=word)
