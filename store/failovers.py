"""Failover exercises: somebody breaks the main uplink, and a stopwatch tells when the other carries.

Moments are milliseconds from the record's start by the probe's monotonic clock; None for what did not happen
or was not seen. A moment told by packets is known to the time between two of them (`1 / per_second`).
Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store import fields
from store.records import Document, Says

EGRESS_EVERY_MS = 500  # how often the endpoint is asked where packets come from


class Failure(StrEnum):
    """How the main uplink failed."""

    NONE = "none"
    CLEAN = "clean"  # the port lost its carrier in the same second
    SILENT = "silent"  # the carrier stays, and nothing passes in either direction
    HALF_DEAD = "half-dead"  # one direction passes, or a part of both
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """A stretch in which a train's packets did not come back, or too many did not.

    `from_ms` is when the first of them left or was due, `last_ms` when the reply before it had come, None
    where there was none; `until_ms` when the first reply after it came, None where there was none.
    `due` packets fell into it, of which `unsent` this host's kernel would not take.
    """

    from_ms: int
    last_ms: int | None = None
    until_ms: int | None = None
    due: int
    lost_up: int = 0
    lost_down: int = 0
    lost_unattributed: int = 0
    unsent: int = 0

    @property
    def missing(self) -> int:
        return self.lost_up + self.lost_down + self.lost_unattributed + self.unsent


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One train. `egress_address` is where its packets came from at first, as the endpoint saw it."""

    egress_address: str | None = None
    due: int
    lost_up: int = 0
    lost_down: int = 0
    lost_unattributed: int = 0
    unsent: int = 0
    rtt_p50_us: int | None = None
    breaks: tuple[Break, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Failover(Document):
    """One exercise; `handoff` is the main uplink."""

    kind: ClassVar[str] = "failover"
    meaning: ClassVar[str] = (
        "A failover exercise: three trains while somebody breaks the main uplink, and a stopwatch."
    )
    backup: Annotated[str, Says(meaning="the handoff that is to take over")]
    seconds: Annotated[float, Says(meaning="how long it watched", unit="s")]
    per_second: Annotated[float, Says(meaning="packets of each train", unit="packets/s")]
    ip_version: fields.IpVersion
    failure: Annotated[
        Failure, Says(meaning="how the main uplink failed: none, clean, silent, half-dead, undecided")
    ]
    because: Annotated[str, Says(meaning="the sentence that says why it is taken for that")]
    switched: Annotated[
        bool | None,
        Says(meaning="whether traffic went on by the other uplink before the main one was whole again"),
    ] = None
    failed_ms: Annotated[
        int | None,
        Says(meaning="when the first packet without a reply was due on the main uplink", unit="ms"),
    ] = None
    carrier_lost_ms: Annotated[
        int | None, Says(meaning="when the main uplink's port had no carrier", unit="ms")
    ] = None
    carrier_back_ms: Annotated[int | None, Says(meaning="when it had one again", unit="ms")] = None
    knocks: Annotated[
        int, Says(meaning="packets that the endpoint sent down the silent main uplink", unit="packets")
    ] = 0
    knocks_heard: Annotated[int, Says(meaning="of these, those that arrived", unit="packets")] = 0
    last_ms: Annotated[
        int | None, Says(meaning="when the last reply came to traffic that goes by the routes", unit="ms")
    ] = None
    route_moved_ms: Annotated[
        int | None,
        Says(meaning="when this host's own route led elsewhere; None where a router decides", unit="ms"),
    ] = None
    first_ms: Annotated[
        int | None, Says(meaning="when the first reply came again to that traffic", unit="ms")
    ] = None
    without_ms: Annotated[
        int | None, Says(meaning="time without anything: from that last reply to that first", unit="ms")
    ] = None
    lost_switching: Annotated[
        int | None, Says(meaning="packets of that traffic missing meanwhile", unit="packets")
    ] = None
    egress_before: Annotated[str | None, Says(meaning="where that traffic came from at first")] = None
    egress_after: Annotated[str | None, Says(meaning="where it came from once it went on")] = None
    main_back_ms: Annotated[
        int | None, Says(meaning="when the main uplink was whole again, by its first reply", unit="ms")
    ] = None
    returned_ms: Annotated[
        int | None,
        Says(meaning="when that traffic was seen to come from the main uplink again, to 500 ms", unit="ms"),
    ] = None
    lost_returning: Annotated[
        int | None,
        Says(meaning="packets of that traffic missing within 2 s of its return", unit="packets"),
    ] = None
    main: Annotated[Watched, Says(meaning="the train bound to the main uplink")]
    other: Annotated[Watched, Says(meaning="the train bound to the uplink that is to take over")]
    routed: Annotated[Watched, Says(meaning="the train that goes by the routes, as everything else does")]
    spent_bytes: Annotated[int, Says(meaning="what all three moved, both ways", unit="bytes", layer="IP")]

    @property
    def moving_ms(self) -> int | None:
        """From the failure to the first reply by the other uplink: detection, switch and first packet."""
        if self.failed_ms is None or self.first_ms is None or not self.switched:
            return None
        return self.first_ms - self.failed_ms
