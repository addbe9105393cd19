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
from store.quantities import grouped
from store.records import Direction, Stall, Standing, TrainSpan
from store.rollup import Rolled, speaks

_MINUTE_NS = 60 * NS_PER_S


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

    `stall_free_ratio` is the share of the watched minutes in which no stall began or went on, None too
    where there are only sums.
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
    kept = [span for span in found if speaks(span)]
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


def summary_of_sums(sums: Iterable[Rolled]) -> TrainSummary:
    """The same from sums of spans (`store.rollup`), in which stalls stand by number and length only."""
    found = list(sums)
    sent = sum(one.sent for one in found)
    lost_up = sum(one.lost_up for one in found)
    lost_unknown = sum(one.lost_unattributed for one in found)
    return TrainSummary(
        spans=sum(one.spans for one in found),
        left_out=sum(one.left_out for one in found),
        seconds=sum(one.seconds for one in found),
        sent=sent,
        received=sum(one.received for one in found),
        rtt=_delays_of_sums(found, "rtt"),
        pdv_up=_delays_of_sums(found, "pdv_up"),
        pdv_down=_delays_of_sums(found, "pdv_down"),
        loss_up=loss(lost_up, sent),
        loss_down=loss(sum(one.lost_down for one in found), sent - lost_up - lost_unknown),
        loss_unattributed=loss(lost_unknown, sent),
        held_up=sum(one.held_up for one in found),
        held_down=sum(one.held_down for one in found),
        reordered=sum(one.reordered_up + one.reordered_down for one in found),
        duplicated=sum(one.duplicated_up + one.duplicated_down for one in found),
        stalls=_stalls_of_sums(found),
    )


def _delays_of_sums(sums: Sequence[Rolled], name: str) -> Delays | None:
    if len(sums) == 1:
        return sums[0].delays[name]
    return _pooled(getattr(one, name) for one in sums)


def _stalls_of_sums(sums: Sequence[Rolled]) -> Stalls:
    count, seconds = sum(one.stalls for one in sums), sum(one.seconds for one in sums)
    return Stalls(
        count=count,
        seconds=sum(one.stalled_us for one in sums) / 1e6,
        longest_s=max((one.longest_stall_us for one in sums), default=0) / 1e6,
        per_hour=count * 3600 / seconds if seconds else None,
        stall_free_ratio=None,
        lost=sum(one.stalls_lost for one in sums),
        held=sum(one.stalls_held for one in sums),
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
        because = (
            f"{grouped(lost)} of {grouped(sent)} packets were lost, {supports} at 95 % confidence each way."
        )
    else:
        because = (
            f"None of {grouped(sent)} packets was lost, which supports a loss below {_ratio(high)} (3 in "
            f"{grouped(sent)})."
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


def _pooled(histograms: Iterable[Histogram]) -> Delays | None:
    found = list(histograms)
    if len(found) == 1:
        return found[0].delays()
    pooled = Histogram()
    for histogram in found:
        pooled.merge(histogram)
    return pooled.delays()


def _minutes(started_unix_ns: int, seconds: float) -> range:
    """The numbers of the clock minutes that a span touches, its end left out."""
    last_ns = started_unix_ns + max(1, int(seconds * NS_PER_S)) - 1
    return range(started_unix_ns // _MINUTE_NS, last_ns // _MINUTE_NS + 1)


def _ratio(ratio: float) -> str:
    """A small ratio in percent with two significant digits."""
    return f"{ratio * 100:.2g} %"
