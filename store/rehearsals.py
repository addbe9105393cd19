"""Rehearsals: the frames of a stream plan sent to an endpoint, and what became of them. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store import fields
from store.histogram import Delays
from store.records import Document, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedSecond:
    """A second in which something was amiss, by when frames were due, counted from the first.

    `dropped`, `waited`, `lost`, `late` and `unseen` are frames as `Rehearsed` has them, `worst_ms` the
    largest delay of one that arrived, over the least of the rehearsal, `buffer_ms` the most that stood in the
    buffer.
    """

    at_s: int
    dropped: int = 0
    waited: int = 0
    lost: int = 0
    late: int = 0
    unseen: int = 0
    worst_ms: int = 0
    buffer_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """One destination. Of its `frames` the send buffer had no room for `dropped`, and `waited` were left out
    until the next keyframe; `sent` were sent, of which `lost` never arrived whole and `late` arrived more
    than `buffer_ms` later than they would at best. `unseen` is what nobody could be shown: frames that were
    not there (ARQ: not in time), and those that build on them.

    `buffer_high_ms` and `buffer_high_bytes` are the most that stood in the buffer. `repeats_refused` were
    asked for and beyond the ceiling or too old. `seconds` has those in which something was amiss and no
    others.
    """

    name: str
    transport: str
    video_bps: int
    audio_bps: int
    frames_per_second: float
    keyframe_ms: int
    buffer_ms: int
    frames: int
    sent: int
    dropped: int
    waited: int
    lost: int
    late: int
    unseen: int
    buffer_high_ms: int
    buffer_high_bytes: int
    packets: int = 0
    repeats: int = 0
    repeats_refused: int = 0
    paused_ms: int = 0
    delay_us: Delays | None = None
    seconds: tuple[RehearsedSecond, ...] = ()

    @property
    def dropped_s(self) -> float:
        """What did not fit the buffer, as time."""
        return self.dropped / self.frames_per_second

    @property
    def unseen_s(self) -> float:
        """What nobody could be shown, as time."""
        return self.unseen / self.frames_per_second


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal(Document):
    """A stream plan as it would go, all destinations at once to one endpoint."""

    kind: ClassVar[str] = "rehearsal"
    meaning: ClassVar[str] = "A stream plan's frames, sent to an endpoint, and which came late or never."
    plan: Annotated[str, Says(meaning="name of the stream plan")]
    seconds: Annotated[float, Says(meaning="how long it was to send", unit="s")]
    demand_bps: Annotated[
        int, Says(meaning="what the plan needs by its sums, all destinations", unit="bit/s", layer="IP")
    ]
    ip_version: fields.IpVersion
    dropped_s: Annotated[
        float, Says(meaning="frames that did not fit the send buffer, of the worst destination", unit="s")
    ]
    unseen_s: Annotated[
        float, Says(meaning="picture that nobody could be shown, of the worst destination", unit="s")
    ]
    destinations: Annotated[
        tuple[Rehearsed, ...],
        Says(meaning="each destination: its frames, its buffer, the seconds in which something was amiss"),
    ]
    spent_bytes: fields.SpentBytes
    circumstances: fields.Around
