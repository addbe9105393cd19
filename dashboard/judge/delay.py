"""Delay, loss and stalls over any number of train spans, from merged histograms and summed counts.

A percentile of a month comes from the month's samples, never from averaging percentiles (RFC 2330
11.3 gives the rule for one). Loss has a direction and an exact bound; lost packets have no delay, so
loss stands beside it. Bounds take packets as independent, and bursts make them look surer than they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboard.judge import sampling
from dashboard.judge.evidence import Watched
from store.clock import NS_PER_S
from store.histogram import Delays, Histogram
from store.records import Direction, Stall, Standing, TrainSpan

_MINUTE_NS = 60 * NS_PER_S
_ONE_WAY_ONLY = frozenset({"clock_step"})  # spoils one-way delay, and neither round trips nor counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """Packets lost of packets sent one way, with exact one-sided 95 % bounds of the ratio.

    `ratio` is None when nothing was sent. `because` is a sentence.
    """

    lost: int
    sent: int
    ratio: float | None
    bound_low: float
    bound_high: float
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stalls:
    """Stalls seen in spans that count; ratios of no time are None.

    `stall_free_ratio` is the share of the watched minutes in which no stall began or went on.
    """

    count: int
    seconds: float
    longest_s: float
    per_hour: float | None
    stall_free_ratio: float | None
    lost: int  # of these, how many lost all their packets; the rest held some or all
    held: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainSummary:
    """Spans that count, pooled. The delays are None where nothing was received.

    `spans` counted and `left_out` did not. Loss down is of the packets that had reached the far end;
    that of unknown direction is of all sent, and belongs to up or down.
    """

    spans: int
    left_out: int
    seconds: float
    sent: int
    received: int
    rtt: Delays | None
    pdv_up: Delays | None
    pdv_down: Delays | None
    loss_up: Loss
    loss_down: Loss
    loss_unattributed: Loss
    held_up: int
    held_down: int
    reordered: int
    duplicated: int
    stalls: Stalls


def summary(
    spans: Iterable[TrainSpan], stalls: Iterable[Stall] = (), *, direction: Direction | None = None
) -> TrainSummary:
    """Everything that one handoff's spans to one endpoint say together.

    `direction` (UP or DOWN) leaves out stalls that were surely the other way.
    """
    found = list(spans)
    kept = [span for span in found if _counts(span)]
    one_way = [span for span in kept if span.standing is Standing.VALID]
    sent = sum(span.sent for span in kept)
    lost_up = sum(span.lost_up for span in kept)
    lost_unknown = sum(span.lost_unattributed for span in kept)
    return TrainSummary(
        spans=len(kept),
        left_out=len(found) - len(kept),
        seconds=sum(span.seconds for span in kept),
        sent=sent,
        received=sum(span.received for span in kept),
        rtt=_pooled(span.rtt for span in kept),
        pdv_up=_pooled(span.pdv_up for span in one_way),
        pdv_down=_pooled(span.pdv_down for span in one_way),
        loss_up=loss(lost_up, sent),
        loss_down=loss(sum(span.lost_down for span in kept), sent - lost_up - lost_unknown),
        loss_unattributed=loss(lost_unknown, sent),
        held_up=sum(span.held_up for span in kept),
        held_down=sum(span.held_down for span in kept),
        reordered=sum(span.reordered for span in kept),
        duplicated=sum(span.duplicated for span in kept),
        stalls=stalls_of(kept, stalls, direction=direction),
    )


def loss(lost: int, sent: int) -> Loss:
    """The loss ratio of `lost` in `sent` packets, with its bounds and a sentence."""
    if sent <= 0:
        return Loss(
            lost=lost,
            sent=0,
            ratio=None,
            bound_low=0.0,
            bound_high=1.0,
            because="Nothing was sent, so nothing can be said of loss.",
        )
    low, high = sampling.lower_bound(lost, sent), sampling.upper_bound(lost, sent)
    if lost:
        supports = f"which is {_ratio(lost / sent)}, between {_ratio(low)} and {_ratio(high)}"
        because = f"{lost} of {sent} packets were lost, {supports} at 95 % confidence each way."
    else:
        because = (
            f"None of {sent} packets was lost, which supports a loss below {_ratio(high)} (3 in {sent})."
        )
    return Loss(lost=lost, sent=sent, ratio=lost / sent, bound_low=low, bound_high=high, because=because)


def stalls_of(
    spans: Sequence[TrainSpan], stalls: Iterable[Stall], *, direction: Direction | None = None
) -> Stalls:
    """The stalls that began within these spans, over the time that the spans watched."""
    other = {Direction.UP: Direction.DOWN, Direction.DOWN: Direction.UP}.get(direction) if direction else None
    watched = Watched(spans)
    found = [stall for stall in stalls if stall.direction is not other and stall in watched]
    seconds = sum(span.seconds for span in spans)
    minutes = {minute for span in spans for minute in _minutes(span.started_unix_ns, span.seconds)}
    stalled = {minute for stall in found for minute in _minutes(stall.started_unix_ns, stall.seconds)}
    return Stalls(
        count=len(found),
        seconds=sum(stall.seconds for stall in found),
        longest_s=max((stall.seconds for stall in found), default=0.0),
        per_hour=len(found) * 3600 / seconds if seconds else None,
        stall_free_ratio=1 - len(stalled & minutes) / len(minutes) if minutes else None,
        lost=sum(stall.how == "lost" for stall in found),
        held=sum(stall.how == "held" for stall in found),
    )


def _counts(span: TrainSpan) -> bool:
    """Whether round trips and counts of a span may speak."""
    return span.standing is Standing.VALID or _ONE_WAY_ONLY.issuperset(span.reasons)


def _pooled(histograms: Iterable[Histogram]) -> Delays | None:
    pooled = Histogram()
    for histogram in histograms:
        pooled.merge(histogram)
    return pooled.delays()


def _minutes(started_unix_ns: int, seconds: float) -> range:
    """The numbers of the clock minutes that a span touches, its end left out."""
    last_ns = started_unix_ns + max(1, int(seconds * NS_PER_S)) - 1
    return range(started_unix_ns // _MINUTE_NS, last_ns // _MINUTE_NS + 1)


def _ratio(ratio: float) -> str:
    """A small ratio in percent with two significant digits."""
    return f"{ratio * 100:.2g} %"
