"""Size sweeps: at which layer a limit counts, by what it lets pass of frames of several sizes.

Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store import fields
from store.paced import PacedPart
from store.records import Circumstances, Document, Says

FRAMES_BYTES = (128, 256, 512, 1024, 1280, 1518)  # addresses to FCS, untagged (the trade's acceptance A10)


class Counted(StrEnum):
    """What a limit counts of each packet."""

    IP_PAYLOAD = "IP payload"
    IP = "IP"
    NO_FCS = "Ethernet without FCS"
    ETHERNET = "Ethernet"  # layer 2: addresses to FCS
    WIRE = "wire"  # layer 1: with preamble and gap
    OTHER = "other"  # none of these
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """What passed of frames of one size; `used` where the limit showed and nothing else held them back."""

    frame_bytes: int
    used: bool
    part: PacedPart


@dataclass(frozen=True, slots=True, kw_only=True)
class SizesRun(Document):
    """Paced runs in one direction, frame size by frame size, and the layer that the limit counts."""

    kind: ClassVar[str] = "sizes"
    meaning: ClassVar[str] = "Frames of growing size at one offered rate: which layer the limit counts."
    direction: fields.Way
    seconds: Annotated[float, Says(meaning="how long each size was to be sent", unit="s")]
    ip_version: fields.IpVersion
    offered_bps: Annotated[int, Says(meaning="rate that was asked, of each size", unit="bit/s", layer="IP")]
    counted: Annotated[Counted, Says(meaning="layer that the limit counts, or other, or undecided")]
    because: Annotated[str, Says(meaning="why it is that")]
    overhead_bytes: Annotated[
        float | None,
        Says(
            meaning="what the limit counts beside each IP packet; less than 0: not all of it",
            unit="bytes",
            layer="as counted",
        ),
    ] = None
    bound_bytes: Annotated[
        float | None,
        Says(
            meaning="how far off that may be, either way, with 95 % confidence",
            unit="bytes",
            layer="as counted",
        ),
    ] = None
    limit_bps: Annotated[
        int | None, Says(meaning="the limit, counted as it counts", unit="bit/s", layer="as counted")
    ] = None
    sizes: Annotated[tuple[Size, ...], Says(meaning="what passed of each size")]
    spent_bytes: fields.SpentBytes
    circumstances: Annotated[Circumstances, Says(meaning="what else was true while the last size ran")]
