"""Capacity runs: what a line carries at most, searched for and never told, by RFC 9097. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store import fields
from store.layers import LayerRates
from store.paced import PacedBin
from store.records import Document, Limit, Says

SECONDS = (2, 60)  # shortest and longest; the standard's test interval is 10 s
PAYLOAD_BYTES = (64, 1_472)  # so that the slowest rate of the table still sends every 50 ms
STANDARD_PAYLOAD_BYTES = (
    1_220  # ss of section 4, tested up to 1222; the multiple of 4 below; 1248 octets of IPv4
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SubInterval:
    """One dt of the test interval (RFC 9097 section 4), by the receiver's clock from the first arrival on.

    `sent_bps` and `unsent` are of the same time by the sender's clock, None without its report. Delays are
    over the least of the run. `counts` says whether it kept to the loss that a capacity may have.
    """

    start_ms: int
    ip_bps: int
    lost: int
    loss_ratio: float
    counts: bool
    sent_bps: int | None = None
    unsent: int | None = None
    delay_low_us: int | None = None
    delay_high_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchStep:
    """A report that came to the sender, or None twice for one that was missed, and the rate from then on."""

    at_ms: int
    rate_bps: int
    sequence_errors: int | None = None
    delay_range_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityRun(Document):
    """A capacity run in one direction. `rates` are those of the sub-interval that held the maximum."""

    kind: ClassVar[str] = "capacity"
    meaning: ClassVar[str] = "The most that a line carried in any second of a search over UDP."
    direction: fields.Way
    seconds: Annotated[float, Says(meaning="test interval", unit="s", source="RFC 9097 section 4, I")]
    ip_version: fields.IpVersion
    payload_bytes: fields.PacketPayload
    ip_capacity_bps: Annotated[
        int,
        Says(
            meaning="the most that arrived in any sub-interval that kept to the loss bound",
            unit="bit/s",
            layer="IP",
            source="RFC 9097 section 6",
        ),
    ]
    rates: Annotated[
        LayerRates, Says(meaning="the same sub-interval at each layer, copies left out", unit="bit/s")
    ]
    maximum_from_ms: Annotated[int, Says(meaning="start of that sub-interval", unit="ms")]
    maximum_loss_ratio: Annotated[
        float, Says(meaning="lost / sent in that sub-interval", unit="ratio", source="RFC 7680 section 4.1")
    ]
    sub_interval_ms: Annotated[
        int, Says(meaning="length of a sub-interval", unit="ms", source="RFC 9097 section 4, dt")
    ]
    sub_intervals: Annotated[
        tuple[SubInterval, ...], Says(meaning="what arrived, was lost and was sent in each sub-interval")
    ]
    loss_ratio_bound: Annotated[
        float,
        Says(
            meaning="loss up to which a sub-interval counts",
            unit="ratio",
            source="common practice, no source",
        ),
    ]
    lost_bound: Annotated[
        int,
        Says(
            meaning="packets lost up to which it counts whatever their share: what the search takes as clean",
            unit="packets",
            source="common practice, no source",
        ),
    ]
    most_bps: Annotated[
        int, Says(meaning="highest rate that the endpoint let it offer", unit="bit/s", layer="IP")
    ]
    top_bps: Annotated[
        int | None, Says(meaning="highest rate that the search came to", unit="bit/s", layer="IP")
    ] = None
    congested: Annotated[
        bool | None, Says(meaning="whether the search met congestion: three bad reports in a row")
    ] = None
    feedback_ms: Annotated[
        int, Says(meaning="between two reports", unit="ms", source="RFC 9097 section 4, FT")
    ]
    sequence_errors_bound: Annotated[
        int,
        Says(
            meaning="more of them make a report bad",
            unit="packets",
            source="RFC 9097 section 8.1 and Appendix A",
        ),
    ]
    delay_range_low_us: Annotated[
        int, Says(meaning="below it a report is clean", unit="us", source="RFC 9097 section 8.1")
    ]
    delay_range_high_us: Annotated[
        int, Says(meaning="above it a report is bad", unit="us", source="RFC 9097 section 8.1")
    ]
    sent: fields.Sent
    received: fields.Received
    lost: fields.Lost
    loss_ratio: Annotated[
        float, Says(meaning="lost / sent over the whole run", unit="ratio", source="RFC 7680 section 4.1")
    ]
    duplicated: fields.Duplicated
    reordered: fields.Reordered
    late: fields.Late
    dropped_socket: fields.DroppedSocket
    dropped_host: fields.DroppedHost
    burst_bytes: Annotated[
        int | None,
        Says(meaning="largest excess over the rate of the moment in any stretch", unit="bytes", layer="IP"),
    ] = None
    unsent: fields.Unsent = None
    paused_ms: fields.PausedMs = None
    pdv_us: fields.Pdv
    timestamps: fields.StampsFrom
    buffer_bytes: fields.BufferBytes
    limited_by: Annotated[
        Limit, Says(meaning="what ended the rise: path, port, probe, endpoint, or undecided")
    ]
    spent_bytes: fields.SpentBytes
    bins: Annotated[tuple[PacedBin, ...], Says(meaning="what arrived in each 100 ms, and its delay")]
    steps: Annotated[
        tuple[SearchStep, ...],
        Says(meaning="every report and the rate that followed from it", source="RFC 9097 section 8.1"),
    ] = ()
    circumstances: fields.Around
