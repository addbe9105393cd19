"""Which part of the way answered: a split, and the hops that are asked all the time.

Segments are counted from the house: S1 the house endpoint, S2 the house's own routers, S3 the provider's
first hops, S4 and S5 endpoints outside. A record holds what was seen, in milliseconds from its start; who
must act is judged when it is read (`dashboard.judge.segments`). Imports records and histogram.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.histogram import Delays
from store.records import Circumstances, Direction, Document, Owner, Says


class Station(StrEnum):
    """What answered: an endpoint in the house, a router on the way, an endpoint outside."""

    HOUSE = "house endpoint"
    HOP = "hop"
    OUTSIDE = "outside endpoint"


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A stall of a train, from `start_ms` of the record on."""

    start_ms: int
    duration_ms: int
    direction: Direction
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one station answered. Moments are when a packet was sent, in ms from the record's start.

    A train's packets leave `per_second`, from `first_ms` on: those that are neither in `missed_ms` nor in
    `late_ms` (held by a stall) were answered as usual. A hop is asked irregularly, so all its packets are
    listed: `answered_ms` with `rtts_us` beside, and `missed_ms`. `name` is an endpoint's name or a router's
    address, empty where none answered; `shared` whether the hop is on the way to every endpoint outside,
    None where that could not be seen. `failed` says why a train did not come about, and `whose` that is.
    """

    station: Station
    name: str
    ttl: int | None = None
    shared: bool | None = None
    per_second: float = 0.0
    first_ms: int = 0
    sent: int = 0
    lost: int = 0
    rtt_us: Delays | None = None
    stalls: tuple[Silent, ...] = ()
    answered_ms: tuple[int, ...] = ()
    rtts_us: tuple[int, ...] = ()
    missed_ms: tuple[int, ...] = ()
    late_ms: tuple[int, ...] = ()
    failed: str | None = None
    whose: Owner | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Split(Document):
    """Every segment of one handoff's way, all of them measured in the same seconds."""

    kind: ClassVar[str] = "split"
    meaning: ClassVar[str] = "Every segment of the way measured in the same seconds, to find who must act."
    seconds: Annotated[float, Says(meaning="how long every segment was measured", unit="s")]
    ip_version: Annotated[int, Says(meaning="4 or 6, of the packets that asked the hops", unit="version")]
    house_hops: Annotated[
        int, Says(meaning="how many routers on the way are the house's own, by the site file", unit="routers")
    ]
    seen: Annotated[tuple[Seen, ...], Says(meaning="what each station answered, from the house outwards")]
    spent_bytes: Annotated[
        int, Says(meaning="what it moved, both ways", unit="bytes", layer="IP", source="estimated by packets")
    ]
    circumstances: Annotated[
        Circumstances | None, Says(meaning="what else was true of the way out while it ran")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HopCount:
    """How one hop answered within a record of `Hops`, minute by minute of it."""

    ttl: int
    names: tuple[str, ...]
    sent: tuple[int, ...]
    answered: tuple[int, ...]
    p50_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hops(Document):
    """The hops that are asked all the time, in counts; `endpoint` is on whose way they lie."""

    kind: ClassVar[str] = "hops"
    meaning: ClassVar[str] = "How the first routers of the way answered over some minutes, in counts."
    minutes: Annotated[int, Says(meaning="how many minutes it counts", unit="minutes")]
    house_hops: Annotated[
        int, Says(meaning="how many routers on the way are the house's own, by the site file", unit="routers")
    ]
    counts: Annotated[tuple[HopCount, ...], Says(meaning="packets sent and answered, by hop and minute")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Witnesses(Document):
    """What the hops answered around one stall of a train; starts with the stall and has its endpoint.

    Moments in `seen` are in ms from that start, so some are negative.
    """

    kind: ClassVar[str] = "witnesses"
    meaning: ClassVar[str] = "What the first routers of the way answered around one stall of a train."
    duration_us: Annotated[int, Says(meaning="length of the stall", unit="us")]
    house_hops: Annotated[
        int, Says(meaning="how many routers on the way are the house's own, by the site file", unit="routers")
    ]
    seen: Annotated[tuple[Seen, ...], Says(meaning="what each hop answered, in the order of the way")]
    sent_before: Annotated[
        tuple[int, ...],
        Says(meaning="packets to each hop in the minutes before, outside of stalls", unit="packets"),
    ]
    answered_before: Annotated[tuple[int, ...], Says(meaning="of these, answered", unit="packets")]
