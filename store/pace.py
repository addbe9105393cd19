"""What a light run asks for at most, as a rate of TCP payload each way.

A light run takes a share of a line and leaves the rest alone: it shows that the line carries that much, and
nothing of what it carries at most. The sender's kernel holds it to its rate, and counts TCP payload there.
A contract counts at a layer of its own, so a share of its rate is turned into payload by what full packets
of 1500 bytes carry over IPv6, the least that an ordinary line has: over IPv4 a run then stays 1.4 % below
its share, and never goes above. Where the card names no layer the lowest counts, for the same reason.
Pure. Imports layers, records and site's values.
"""

from __future__ import annotations

from dataclasses import dataclass

from store.layers import Layer, tcp_framing
from store.records import Direction
from store.site import Card

FLOW_BPS_MIN = 50_000
"""What one flow is held to at least. The kernel sends two segments at a time; below this they lie half a
second apart and more, and a run's steps of 100 ms tell nothing."""

_PACKETS = tcp_framing(payload_bytes=1428, ip_version=6, timestamps=True).rates(1428)
_BOTH_WAYS = (Direction.UP, Direction.DOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """The most that is asked for, in bit/s of TCP payload, all flows of a direction together.

    None is all that the line gives. Truth is that any direction is held.
    """

    up_bps: int | None = None
    down_bps: int | None = None

    def __bool__(self) -> bool:
        return self != FULL


FULL = Pace()


def each_way(direction: Direction, at_most_bps: int | None) -> Pace:
    """The same rate for every direction of a run."""
    up, down = (at_most_bps if direction in (one, Direction.BOTH) else None for one in _BOTH_WAYS)
    return Pace(up_bps=up, down_bps=down)


def share_of(card: Card, ratio: float, direction: Direction) -> Pace:
    """A share of the card's rate for every direction of a run; the whole of it (1) holds nothing back.

    Raises KeyError with the site file's key of a rate that the card does not state.
    """
    if ratio >= 1:
        return FULL
    up, down = (
        _payload_bps(card, ratio, one) if direction in (one, Direction.BOTH) else None for one in _BOTH_WAYS
    )
    return Pace(up_bps=up, down_bps=down)


def too_little(pace: Pace, *, flows: int) -> str | None:
    """The sentence when so many flows cannot be held to so little, else None."""
    least_bps = FLOW_BPS_MIN * flows
    for direction, bps in ((Direction.UP, pace.up_bps), (Direction.DOWN, pace.down_bps)):
        if bps is not None and bps < least_bps:
            count = "one flow" if flows == 1 else f"{flows} flows"
            fewer = "" if flows == 1 else ", or fewer flows"
            return (
                f"{bps / 1000:g} kb/s of payload {direction} are too little to hold {count} to; "
                f"expected {least_bps / 1000:g} kb/s or more{fewer}"
            )
    return None


def _payload_bps(card: Card, ratio: float, direction: Direction) -> int:
    rate_bps = card.rate_bps(direction)
    if rate_bps is None:
        raise KeyError(f"rate_{direction}")
    counted = Layer.WIRE if card.layer is Layer.NOT_STATED else card.layer
    return round(rate_bps * ratio * _PACKETS.goodput_bps / _PACKETS.at(counted))
