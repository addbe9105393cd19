"""Step runs: shares of a stated rate one after the other, and at which one packets are first lost.

Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store import fields
from store.paced import PacedPart
from store.records import Circumstances, Direction, Document, Says

PERCENTS = (25, 50, 75, 90, 100, 110, 125)  # the trade's acceptance A8 and A9


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What passed when `percent` of the stated rate was offered."""

    percent: int
    part: PacedPart


@dataclass(frozen=True, slots=True, kw_only=True)
class StepsRun(Document):
    """Paced runs at 25 to 125 % of a rate; both ways is first up, then down."""

    kind: ClassVar[str] = "steps"
    meaning: ClassVar[str] = (
        "Shares of a stated rate offered one after the other: what arrived, what was lost."
    )
    direction: Annotated[Direction, Says(meaning="way of the packets: up, down or both, one after the other")]
    seconds: Annotated[float, Says(meaning="how long each step was to send", unit="s")]
    ip_version: fields.IpVersion
    payload_bytes: fields.PacketPayload
    stated_bps: Annotated[int, Says(meaning="rate that is 100 %", unit="bit/s", layer="IP")]
    first_lost_up: Annotated[
        int | None,
        Says(meaning="lowest step at which the line lost packets up; none if no step did", unit="%"),
    ] = None
    first_lost_down: Annotated[int | None, Says(meaning="the same down", unit="%")] = None
    steps: Annotated[tuple[Step, ...], Says(meaning="what passed at each step, in order")]
    spent_bytes: fields.SpentBytes
    circumstances: Annotated[Circumstances, Says(meaning="what else was true while the last step ran")]
