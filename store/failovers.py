"""A failover as the stopwatch saw it: one uplink fails, traffic that is bound to none moves to the other.

Moments are milliseconds from the record's start, when the first packet of a train left. Each is one packet
spacing coarse (`per_second`), and a packet that was under way when the line broke makes it early by at most
its round trip. Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.records import Circumstances, Document, Says


class Failure(StrEnum):
    """How the main uplink failed."""

    NONE = "none"
    CLEAN = "clean"  # its interface lost the carrier in the same second
    SILENT = "silent"  # the carrier stays, and nothing comes back
    HALF_DEAD = "half-dead"  # one direction, or a part of the packets
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failover(Document):
    """Three trains at once to `endpoint`: by the main uplink (`handoff`), by the backup, bound to neither."""

    kind: ClassVar[str] = "failover"
    meaning: ClassVar[str] = (
        "Trains on two uplinks and one bound to neither while the main uplink fails: what broke, how long "
        "the unbound one had nothing, and when the main uplink came back."
    )
    backup: Annotated[str, Says(meaning="the handoff that is to take over")]
    seconds: Annotated[float, Says(meaning="how long the trains ran", unit="s")]
    per_second: Annotated[
        float,
        Says(meaning="packets a second of each train; moments are one spacing coarse", unit="packets/s"),
    ]
    failure: Annotated[
        Failure, Says(meaning="how the main uplink failed: none, clean, silent, half-dead or undecided")
    ]
    because: Annotated[str, Says(meaning="why it is called so, as a sentence")]
    failed_at_ms: Annotated[
        int | None, Says(meaning="when the main uplink's first packet that did not come back left", unit="ms")
    ] = None
    carrier_lost_at_ms: Annotated[
        int | None, Says(meaning="when the main uplink's interface lost its carrier", unit="ms")
    ] = None
    silent_at_ms: Annotated[
        int | None,
        Says(meaning="when the unbound train's first packet that did not come back left", unit="ms"),
    ] = None
    switched_at_ms: Annotated[
        int | None,
        Says(
            meaning="when the unbound train's first packet that came back again left, the main uplink still "
            "failing; missing where it came back only with the main uplink, or not at all",
            unit="ms",
        ),
    ] = None
    without_ms: Annotated[
        int | None, Says(meaning="how long the unbound train had nothing: detection and switch", unit="ms")
    ] = None
    without_packets: Annotated[
        int | None,
        Says(
            meaning="packets that the unbound train lost, or could not send, while the main uplink failed "
            "and until it was itself back",
            unit="packets",
        ),
    ] = None
    returned_at_ms: Annotated[
        int | None, Says(meaning="when the main uplink's first packet that came back again left", unit="ms")
    ] = None
    lost_after_return: Annotated[
        int | None, Says(meaning="packets that the unbound train lost after both were back", unit="packets")
    ] = None
    further: Annotated[int, Says(meaning="times that the main uplink failed after that", unit="times")] = 0
    main_lost_up: Annotated[
        int, Says(meaning="packets of the main uplink's train lost on the way there", unit="packets")
    ]
    main_lost_down: Annotated[int, Says(meaning="of it, lost on the way back", unit="packets")]
    main_lost_somewhere: Annotated[
        int, Says(meaning="of it, lost in a direction that is not known", unit="packets")
    ]
    backup_lost: Annotated[int, Says(meaning="packets of the backup's train lost", unit="packets")]
    main_address: Annotated[
        str | None, Says(meaning="the main train's address as the endpoint saw it at the start")
    ] = None
    backup_address: Annotated[str | None, Says(meaning="the backup train's, likewise")] = None
    unbound_address: Annotated[str | None, Says(meaning="the unbound train's, likewise")] = None
    unbound_address_after: Annotated[
        str | None, Says(meaning="what the endpoint saw unbound traffic come from at the end")
    ] = None
    spent_bytes: Annotated[
        int,
        Says(
            meaning="what the main and the unbound train moved",
            unit="bytes",
            layer="IP",
            source="estimated by packets",
        ),
    ]
    backup_spent_bytes: Annotated[
        int,
        Says(meaning="what the backup train moved", unit="bytes", layer="IP", source="estimated by packets"),
    ]
    circumstances: Annotated[
        Circumstances | None, Says(meaning="what else was true of the main uplink while it ran")
    ] = None
