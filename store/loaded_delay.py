"""Loaded-delay runs: one train before, during and after TCP loads, and what the loads did to its delay.

Imports records, histogram.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.histogram import Histogram
from store.records import Circumstances, Direction, Document, Limit, Says, Stamps

SERIES = (Direction.UP, Direction.DOWN, Direction.BOTH)  # the loads of a run that names none, in their order
IDLE_S, AFTER_S = 5, 5  # the train alone before the first load, and after each
LOAD_S_MIN = 4  # of which 2 are start-up
DRAFT = "draft-ietf-ippm-responsiveness-09"
RESPONSIVENESS = (
    f"{DRAFT}, foreign probes only; its combined figure is not given, since this load has no HTTP connection "
    "that could carry the draft's self probes"
)
_OPENING_S = 2  # what opening a load takes at most on most lines


def lasts_s(loads: Sequence[Direction], seconds: int) -> int:
    """How long a run with these loads of `seconds` each keeps a line busy, about."""
    return IDLE_S + len(loads) * (seconds + AFTER_S + _OPENING_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreign:
    """Foreign probes of a part of a run: each a new connection that asks the endpoint one question.

    Trimmed means (what is above the 95th percentile left out) of the times that TCP, TLS 1.3 and one HTTP
    question took; `foreign_rpm` is the draft's 60000 ms over the mean of the three. `failed` had no answer,
    and no figure here counts them.
    """

    count: int
    failed: int
    tcp_us: int
    tls_us: int
    http_us: int
    foreign_rpm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartDelay:
    """The train in one part of a run. PDV is one-way delay over the least of the whole train, this clock's
    drift against the endpoint's taken out; None where that clock was set. What is lost has no delay.
    """

    seconds: float
    sent: int
    lost_up: int
    lost_down: int
    lost_unattributed: int
    rtt_us: Histogram
    pdv_up_us: Histogram | None = None
    pdv_down_us: Histogram | None = None
    foreign: Foreign | None = None

    @property
    def lost(self) -> int:
        return self.lost_up + self.lost_down + self.lost_unattributed


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What a load added to a delay: its p50 and p95 less those of the idle part, of exact samples."""

    p50_us: int
    p95_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderLoad:
    """One load, `started_ms` after the run's start, and the delay in its steady part.

    `up_goodput_bps` and `down_goodput_bps` are TCP payload as it arrived. `buffer_delay_ratio` is that of RFC
    6349 section 4.3 over the whole load: the mean of its seconds' mean RTTs over the least idle RTT, less 1.
    `back_ms` is how long after its end the RTT was back at the idle p95; None when it was not by the end of
    the part after it, which lasted `after_s`.
    """

    direction: Direction
    started_ms: int
    seconds: float
    after_s: float
    up_goodput_bps: int | None = None
    down_goodput_bps: int | None = None
    up_limited_by: Limit | None = None
    down_limited_by: Limit | None = None
    delay: PartDelay
    added_rtt: Added | None = None
    added_up: Added | None = None
    added_down: Added | None = None
    buffer_delay_ratio: float | None = None
    back_ms: int | None = None
    circumstances: Circumstances


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedDelayRun(Document):
    """A loaded-delay run: the idle part, and each load with what it added."""

    kind: ClassVar[str] = "loaded delay"
    meaning: ClassVar[str] = "Delay of one train before, during and after TCP loads."
    seconds: Annotated[float, Says(meaning="how long each load was to last", unit="s")]
    flows: Annotated[int, Says(meaning="connections in each direction of a load", unit="connections")]
    per_second: Annotated[float, Says(meaning="packets of the train", unit="packets/s")]
    packet_bytes: Annotated[
        int, Says(meaning="UDP payload of a packet of the train", unit="bytes", layer="payload")
    ]
    timestamps: Annotated[Stamps, Says(meaning="where the train's moments come from: kernel or clock")]
    clock_drift_ppm: Annotated[
        float | None,
        Says(
            meaning="drift of the endpoint's clock against the probe's, taken out of PDV; none if not seen",
            unit="ppm",
        ),
    ] = None
    idle: Annotated[
        PartDelay, Says(meaning="the train before the first load", source="RFC 9318 section 4.2.1")
    ]
    loads: Annotated[
        tuple[UnderLoad, ...],
        Says(
            meaning="each load, the delay under it and what it added",
            source="RFC 5481 section 4.2, RFC 6349 section 4.3",
        ),
    ]
    responsiveness: Annotated[
        str, Says(meaning="by which text the foreign probes' figures are made", source=DRAFT)
    ] = RESPONSIVENESS
    spent_bytes: Annotated[
        int,
        Says(
            meaning="what it moved, for the test allowance, foreign probes at 5000 each",
            unit="bytes",
            layer="payload",
        ),
    ]
    circumstances: Annotated[
        Circumstances, Says(meaning="what else was true during the last load; each load has its own")
    ]
