"""Events: one thing that went wrong, or changed, at one moment.

An event is what somebody may have to act on. It is written when it is noticed and never changed: an outage
that ends is an event of its own. The stalls of a minute are one event, since each has a record of its own
beside it. `says` is a clause, without a capital and a full stop. Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.records import Document, Owner, Says


class EventKind(StrEnum):
    """What can happen to a line, a port or this host."""

    PORT = "port"  # rate or duplex of the interface changed
    CARRIER_LOST = "carrier lost"
    CARRIER_BACK = "carrier back"
    PATH_STEP = "path step"  # the least delay moved to another value and stayed
    STALL = "stall"
    OUTAGE_START = "outage start"
    OUTAGE_END = "outage end"
    OPTIC = "optic drift"
    CEILING = "ceiling"  # a run at the limit of this host or of an endpoint
    ALLOWANCE = "allowance"  # 80 % of the month's test allowance
    CLOCK = "clock"  # the wall clock was set, or stood still with the whole host


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(Document):
    """Something that happened at `started_unix_ns`; what lasted has `seconds`."""

    kind: ClassVar[str] = "event"
    meaning: ClassVar[str] = "One thing that went wrong or changed, when it was noticed."
    what: Annotated[EventKind, Says(meaning="what happened")]
    says: Annotated[str, Says(meaning="what happened, one sentence")]
    owner: Annotated[Owner, Says(meaning="who must act: house, provider, endpoint, unknown")]
    seconds: Annotated[
        float | None, Says(meaning="how long it lasted, once it is over; of several the longest", unit="s")
    ] = None
    count: Annotated[
        int | None,
        Says(meaning="how many it stands for; silences at the same time count once", unit="stalls"),
    ] = None
    before: Annotated[str | None, Says(meaning="how it was before")] = None
    after: Annotated[str | None, Says(meaning="how it is since")] = None
