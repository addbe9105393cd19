"""Paced runs: packets offered at a fixed rate, and what became of them. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store import fields
from store.histogram import Delays
from store.layers import LayerRates
from store.records import Direction, Document, Limit, Says

PART_S = 10  # usual length of a size or a step
PART_AROUND_S = 3  # what opening each takes, and hearing of it
OFFERED_BPS = (100_000, 10_000_000_000)  # what a paced run may offer, at the IP layer


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedBin:
    """Payload that arrived in the 100 ms from `start_ms` on, by the receiver's clock, and its delay.

    `base_us` is the bin's least delay over the least of the run: what stands in queues, and what the two
    clocks drift apart. PDV is delay over the bin's own least. None where nothing arrived.
    """

    start_ms: int
    bytes: int
    base_us: int | None = None
    pdv_p99_us: int | None = None
    pdv_max_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedPart:
    """A paced run that is part of another record, such as one size or one step, without its bins.

    Fields are those of `PacedRun`. `error_ratio` is the standard error of the rate over it, by the scatter of
    its bins; `queue_us` the largest of their least delays over the least of all: what stood in queues.
    """

    direction: Direction
    started_unix_ns: int
    payload_bytes: int
    offered_bps: int
    sent_bps: int | None = None
    rates: LayerRates
    error_ratio: float
    sent: int
    received: int
    lost: int
    loss_ratio: float
    reordered: int
    unsent: int | None = None
    dropped_socket: int
    queue_us: int
    pdv_us: Delays | None = None
    limited_by: Limit | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedRun(Document):
    """A paced run in one direction. `rates` covers `steady_from_ms` to `steady_to_ms` as received."""

    kind: ClassVar[str] = "paced"
    meaning: ClassVar[str] = "Packets offered at a fixed rate over UDP, and what arrived of them."
    direction: fields.Way
    seconds: Annotated[float, Says(meaning="how long it was to send", unit="s")]
    ip_version: fields.IpVersion
    payload_bytes: fields.PacketPayload
    offered_bps: Annotated[int, Says(meaning="rate that was asked", unit="bit/s", layer="IP")]
    sent_bps: Annotated[
        int | None,
        Says(meaning="rate that the sender gave its kernel over the run", unit="bit/s", layer="IP"),
    ] = None
    rates: Annotated[
        LayerRates, Says(meaning="rate that arrived in the steady window, copies left out", unit="bit/s")
    ]
    steady_from_ms: Annotated[int, Says(meaning="start of the steady window", unit="ms")]
    steady_to_ms: Annotated[int, Says(meaning="end of the steady window", unit="ms")]
    sent: fields.Sent
    received: fields.Received
    lost: fields.Lost
    loss_ratio: Annotated[float, Says(meaning="lost / sent", unit="ratio", source="RFC 7680 section 4.1")]
    duplicated: fields.Duplicated
    reordered: fields.Reordered
    late: fields.Late
    dropped_socket: fields.DroppedSocket
    dropped_host: fields.DroppedHost
    burst_us: Annotated[
        int | None,
        Says(meaning="largest excess over the offered rate in any stretch, as time at that rate", unit="us"),
    ] = None
    burst_bytes: Annotated[int | None, Says(meaning="the same burst in bytes", unit="bytes", layer="IP")] = (
        None
    )
    segments: Annotated[
        int | None, Says(meaning="packets that one call sent back to back", unit="packets")
    ] = None
    unsent: fields.Unsent = None
    paused_ms: fields.PausedMs = None
    pdv_us: fields.Pdv
    timestamps: fields.StampsFrom
    buffer_bytes: fields.BufferBytes
    limited_by: Annotated[
        Limit | None, Says(meaning="what held packets back: path, probe, endpoint, port; none if all arrived")
    ] = None
    spent_bytes: fields.SpentBytes
    bins: Annotated[tuple[PacedBin, ...], Says(meaning="what arrived in each 100 ms, and its delay")]
    circumstances: fields.Around
