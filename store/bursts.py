"""Burst runs: what a line lets pass at once beyond its rate, and what becomes of the excess.

Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store import fields
from store.records import Document, Says

IDLE_S = 2.0  # before each burst, so that the bucket is full (trade's acceptance A11)
BURST_BYTES = (24_000, 48_000_000, 8_000_000)  # least, most and usual largest burst, at the IP layer


LASTS_S = 60  # eight bursts or so, each with its silence and what it takes to open it and to hear of it


def foreseen_bytes(most_bytes: int) -> int:
    """What a burst run sends at most: three of the largest burst, before it others of a quarter each."""
    return round(most_bytes * (3 + 1 / 3))


class Fate(StrEnum):
    """What became of the part of one burst that was more than the line lets pass at once."""

    PASSED = "passed"  # there was no such part
    DROPPED = "dropped"
    HELD = "held"
    UNCLEAR = "unclear"


class Limiter(StrEnum):
    """What limits a line: a policer drops the excess, a shaper delays it until its queue is full."""

    POLICER = "policer"
    SHAPER = "shaper"
    NONE = "none"  # up to the largest burst that was sent
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One burst. Bytes and rates are at the IP layer; None where the burst does not tell.

    `undisturbed_bytes` came before the first loss and before anything was held. `line_bps` is the rate at
    which these arrived, `rate_bps` the rate at which what followed did. `committed_bytes` is the token bucket
    of this burst, known to `bound_bytes`. `held` packets arrived at the rate before the first loss,
    `delay_us` is the largest delay over the least.
    """

    sent: int
    received: int
    lost: int
    fate: Fate
    undisturbed_bytes: int
    line_bps: int | None = None
    rate_bps: int | None = None
    committed_bytes: int | None = None
    bound_bytes: int | None = None
    held: int = 0
    delay_us: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstRun(Document):
    """Bursts of growing size in one direction, each after a silence, and what they say together."""

    kind: ClassVar[str] = "burst"
    meaning: ClassVar[str] = (
        "Bursts of growing size at the sender's line rate: committed burst size, and policer or shaper."
    )
    direction: fields.Way
    ip_version: fields.IpVersion
    payload_bytes: fields.PacketPayload
    idle_s: Annotated[float, Says(meaning="silence before each burst", unit="s")]
    most_bytes: Annotated[
        int, Says(meaning="largest burst that would have been sent", unit="bytes", layer="IP")
    ]
    limiter: Annotated[Limiter, Says(meaning="what limits the line: policer, shaper, none or undecided")]
    because: Annotated[str, Says(meaning="why it is that")]
    undisturbed_bytes: Annotated[
        int,
        Says(
            meaning="most of a burst that came without loss and unheld",
            unit="bytes",
            layer="IP",
        ),
    ]
    committed_bytes: Annotated[
        int | None,
        Says(
            meaning="committed burst size: M x (1 - rate / line rate), M what passed without loss or delay; "
            "median of the bursts that tell",
            unit="bytes",
            layer="IP",
        ),
    ] = None
    committed_ethernet_bytes: Annotated[
        int | None,
        Says(meaning="the same with Ethernet addresses, type and FCS", unit="bytes", layer="Ethernet"),
    ] = None
    bound_bytes: Annotated[
        int | None,
        Says(meaning="how far off the committed burst size may be, either way", unit="bytes", layer="IP"),
    ] = None
    rate_bps: Annotated[
        int | None, Says(meaning="rate at which the excess passed, median", unit="bit/s", layer="IP")
    ] = None
    line_bps: Annotated[
        int | None, Says(meaning="rate at which bursts arrived before that, median", unit="bit/s", layer="IP")
    ] = None
    bursts: Annotated[tuple[Burst, ...], Says(meaning="each burst, in order")]
    dropped_socket: fields.DroppedSocket
    timestamps: fields.StampsFrom
    spent_bytes: fields.SpentBytes
    circumstances: fields.Around
