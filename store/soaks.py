"""Soaks: a train over a long time, gaps and all, as the sum of the spans that were kept of it.

Whoever kept the spans (a file, the database) hands them in; what no span covers is a gap, neither good nor
bad. Spans that may not speak about the line are left out, and said. Imports records.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.clock import NS_PER_S
from store.histogram import Histogram
from store.records import Direction, Document, Gap, Says, Stall, Stamps, Standing, TrainSpan

SOAK_S = 60, 30 * 86_400  # least and most that a scheduled one may take
COUNTED_RATIO = 0.95  # of the time that was asked for, so that it is a soak; common practice, no source

_NOTHING_KEPT = "nothing was kept of this time"
_SEAM_NS = NS_PER_S // 10  # between two spans: their lengths are kept to the millisecond
_GAP_NS = NS_PER_S  # a shorter one, as opening a train takes, is missing in the sums and not told by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakGap:
    """A part of the time that was not watched, and why."""

    started_unix_ns: int
    ended_unix_ns: int
    why: str

    @property
    def seconds(self) -> float:
        return (self.ended_unix_ns - self.started_unix_ns) / NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakStall:
    """A stall of 0.5 s or more within a span that counts."""

    started_unix_ns: int
    duration_us: int
    direction: Direction
    how: str
    lost: int
    held: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Spans that a reason kept from counting; one with two reasons stands under both."""

    reason: str
    spans: int
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakBegun(Document):
    """From its start on, the spans of a train are a soak's, whatever they will show."""

    kind: ClassVar[str] = "soak begun"
    meaning: ClassVar[str] = "A soak began: from then on its train's minutes count, until an end fixed here."
    ends_unix_ns: Annotated[int, Says(meaning="when it is to end", unit="ns since 1970, UTC")]
    per_second: Annotated[float, Says(meaning="packets a second of its train", unit="1/s")]
    span_s: Annotated[int, Says(meaning="length of the train's spans", unit="s")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Soak(Document):
    """What a train lost over a long time. Counts are of the spans that count, and of no others."""

    kind: ClassVar[str] = "soak"
    meaning: ClassVar[str] = "A train over a long time: what it lost, its delays, and when nobody watched."
    seconds: Annotated[float, Says(meaning="how long it was to last", unit="s")]
    per_second: Annotated[float, Says(meaning="packets a second", unit="1/s")]
    watched_s: Annotated[float, Says(meaning="of that, what spans cover", unit="s")]
    counted_s: Annotated[float, Says(meaning="of that, what spans cover that count", unit="s")]
    spans: Annotated[int, Says(meaning="spans that count", unit="spans")]
    sent: Annotated[int, Says(meaning="packets sent in them", unit="packets")]
    received: Annotated[int, Says(meaning="of these, those whose reply came in time", unit="packets")]
    lost_up: Annotated[int, Says(meaning="packets lost on the way up", unit="packets")]
    lost_down: Annotated[int, Says(meaning="packets whose reply was lost on the way down", unit="packets")]
    lost_unattributed: Annotated[int, Says(meaning="packets lost on either way", unit="packets")]
    held_up: Annotated[int, Says(meaning="packets that a silence held on the way up", unit="packets")]
    held_down: Annotated[int, Says(meaning="packets that a silence held on the way down", unit="packets")]
    duplicated: Annotated[int, Says(meaning="copies that came, both ways", unit="packets")]
    reordered: Annotated[int, Says(meaning="packets overtaken, both ways", unit="packets", source="RFC 4737")]
    blips: Annotated[int, Says(meaning="silences of 0.2 to 0.5 s, either direction", unit="silences")]
    rtt_us: Annotated[Histogram, Says(meaning="round-trip times", unit="us")]
    pdv_up_us: Annotated[
        Histogram, Says(meaning="delay up over the least of its own span", unit="us", source="RFC 5481")
    ]
    pdv_down_us: Annotated[
        Histogram, Says(meaning="delay down over the least of its own span", unit="us", source="RFC 5481")
    ]
    timestamps: Annotated[Stamps, Says(meaning="kernel where all spans that count had the kernel's stamps")]
    stalls: Annotated[tuple[SoakStall, ...], Says(meaning="silences of 0.5 s or more in spans that count")]
    gaps: Annotated[tuple[SoakGap, ...], Says(meaning="when nobody watched for 1 s or more, and why")]
    left_out: Annotated[tuple[LeftOut, ...], Says(meaning="spans that do not count, by reason")]

    @property
    def lost(self) -> int:
        return self.lost_up + self.lost_down + self.lost_unattributed


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What was kept of a train in a soak's time: its spans, their stalls, and times known as gaps."""

    spans: tuple[TrainSpan, ...]
    stalls: tuple[Stall, ...]
    gaps: tuple[Gap, ...]

    def reaches(self, unix_ns: int) -> bool:
        """Whether a span or a gap lasts until then, give or take how exactly spans are told."""
        ends = [_time(span)[1] for span in self.spans] + [gap.ended_unix_ns for gap in self.gaps]
        return max(ends, default=0) > unix_ns - NS_PER_S


def soak_of(begun: SoakBegun, kept: Kept) -> Soak:
    """The soak that began so, of what was kept of it. Spans that began within its time belong to it."""
    start_ns, end_ns = begun.started_unix_ns, begun.ends_unix_ns
    own = [span for span in kept.spans if start_ns <= span.started_unix_ns < end_ns]
    counted = [span for span in own if span.standing is Standing.VALID]
    watched = _joined(_time(span) for span in own)
    seconds = (end_ns - start_ns) / NS_PER_S
    counted_s = _covered_s(_joined(_time(span) for span in counted), start_ns, end_ns)
    total = Counter[str]()
    for span in counted:
        total.update({name: getattr(span, name) for name in _SUMS})
    return Soak(
        handoff=begun.handoff,
        endpoint=begun.endpoint,
        started_unix_ns=start_ns,
        seconds=seconds,
        per_second=begun.per_second,
        watched_s=_covered_s(watched, start_ns, end_ns),
        counted_s=counted_s,
        spans=len(counted),
        **{name: total[name] for name in _SUMS},
        rtt_us=_pooled(span.rtt for span in counted),
        pdv_up_us=_pooled(span.pdv_up for span in counted),
        pdv_down_us=_pooled(span.pdv_down for span in counted),
        timestamps=_stamps(counted),
        stalls=_stalls(kept.stalls, [_time(span) for span in counted]),
        gaps=_gaps(watched, kept.gaps, start_ns, end_ns),
        left_out=_left_out(own),
        reasons=() if counted_s >= COUNTED_RATIO * seconds else ("thin_watch",),
    )


_SUMS = (
    *("sent", "received", "lost_up", "lost_down", "lost_unattributed"),
    *("held_up", "held_down", "duplicated", "reordered", "blips"),
)
_Times = list[tuple[int, int]]


def _time(span: TrainSpan) -> tuple[int, int]:
    return span.started_unix_ns, span.started_unix_ns + round(span.seconds * NS_PER_S)


def _joined(times: Iterable[tuple[int, int]]) -> _Times:
    """These stretches of time apart and in order, those that touch or overlap made one."""
    found: _Times = []
    for from_ns, to_ns in sorted(times):
        if found and from_ns - found[-1][1] <= _SEAM_NS:
            found[-1] = found[-1][0], max(found[-1][1], to_ns)
        else:
            found.append((from_ns, to_ns))
    return found


def _covered_s(times: _Times, start_ns: int, end_ns: int) -> float:
    parts = (max(0, min(to_ns, end_ns) - max(from_ns, start_ns)) for from_ns, to_ns in times)
    return round(sum(parts) / NS_PER_S, 3)


def _pooled(histograms: Iterable[Histogram]) -> Histogram:
    pooled = Histogram()
    for each in histograms:
        pooled.merge(each)
    return pooled


def _stamps(spans: Sequence[TrainSpan]) -> Stamps:
    kernel = bool(spans) and all(span.timestamps is Stamps.KERNEL for span in spans)
    return Stamps.KERNEL if kernel else Stamps.CLOCK


def _stalls(stalls: Iterable[Stall], times: _Times) -> tuple[SoakStall, ...]:
    """Those that began in a span that counts; one record that came twice is one stall."""
    found = {
        SoakStall(
            started_unix_ns=one.started_unix_ns,
            duration_us=one.duration_us,
            direction=one.direction,
            how=one.how,
            lost=one.lost,
            held=one.held,
        )
        for one in stalls
        if any(from_ns <= one.started_unix_ns < to_ns for from_ns, to_ns in times)
    }
    return tuple(sorted(found, key=lambda one: (one.started_unix_ns, one.direction)))


def _gaps(watched: _Times, known: Sequence[Gap], start_ns: int, end_ns: int) -> tuple[SoakGap, ...]:
    """What is not watched, each with the reasons of the known gaps that reach into it."""
    edges = [start_ns, *(edge for time in watched for edge in time), end_ns]
    found = []
    for from_ns, to_ns in zip(edges[::2], edges[1::2], strict=True):
        to_ns = min(to_ns, end_ns)
        if to_ns - from_ns < _GAP_NS:
            continue
        whys = [one.why for one in known if one.started_unix_ns < to_ns and from_ns < one.ended_unix_ns]
        why = "; ".join(dict.fromkeys(whys)) or _NOTHING_KEPT
        found.append(SoakGap(started_unix_ns=from_ns, ended_unix_ns=to_ns, why=why))
    return tuple(found)


def _left_out(spans: Iterable[TrainSpan]) -> tuple[LeftOut, ...]:
    counts, seconds = Counter[str](), Counter[str]()
    for span in spans:
        if span.standing is not Standing.VALID:
            counts.update(span.reasons)
            seconds.update({reason: span.seconds for reason in span.reasons})
    return tuple(
        LeftOut(reason=reason, spans=spans_, seconds=round(seconds[reason], 3))
        for reason, spans_ in sorted(counts.items())
    )
