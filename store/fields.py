"""Fields that several kinds of record have, each said once. Imports records and histograms."""

from __future__ import annotations

from typing import Annotated

from store.histogram import Histogram
from store.records import Circumstances, Direction, Says, Stamps

IpVersion = Annotated[int, Says(meaning="4 or 6", unit="version")]
SpentBytes = Annotated[
    int, Says(meaning="what it moved, for the test allowance", unit="bytes", layer="payload")
]
Around = Annotated[Circumstances, Says(meaning="what else was true while it ran")]
Way = Annotated[Direction, Says(meaning="way of the packets: up or down")]
PacketPayload = Annotated[int, Says(meaning="UDP payload of each packet", unit="bytes", layer="payload")]
DroppedSocket = Annotated[
    int,
    Says(
        meaning="packets that arrived and found the receiver's buffer full: no loss of the line",
        unit="packets",
    ),
]
StampsFrom = Annotated[Stamps, Says(meaning="where the moments of arrival come from: kernel or clock")]
Sent = Annotated[
    int,
    Says(meaning="packets sent; where the sender's count was lost, the largest number seen", unit="packets"),
]
Received = Annotated[int, Says(meaning="packets that arrived, copies left out", unit="packets")]
Lost = Annotated[
    int,
    Says(
        meaning="packets that did not arrive, those dropped at the receiver's socket left out", unit="packets"
    ),
]
Duplicated = Annotated[int, Says(meaning="copies of packets", unit="packets", source="RFC 5560")]
Reordered = Annotated[
    int, Says(meaning="packets after one that was sent later", unit="packets", source="RFC 4737 section 3")
]
Late = Annotated[
    int, Says(meaning="packets too late to tell from copies; they count as lost", unit="packets")
]
DroppedHost = Annotated[
    int,
    Says(
        meaning="packets of any kind that the receiver's processors had no room for meanwhile", unit="packets"
    ),
]
Unsent = Annotated[
    int | None, Says(meaning="packets that were due and that the sender could not send", unit="packets")
]
PausedMs = Annotated[
    int | None, Says(meaning="time without sending, as the receiver was not heard", unit="ms")
]
Pdv = Annotated[
    Histogram,
    Says(meaning="delay over the least of its 100 ms bin", unit="us", source="RFC 5481 section 4.2"),
]
BufferBytes = Annotated[
    int, Says(meaning="receive buffer as its kernel counts", unit="bytes", layer="socket buffer")
]
