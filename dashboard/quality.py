"""Delay, its variation and loss of one handoff over a time, endpoint by endpoint, against its card.

Outages are left out: what they cost is availability's, and a percentile of a month should not hang on how
many packets a dead line lost. Percentiles come from the pooled histograms of whole hours and days and, around
outages, of single minutes. Reads with a `Reader`, so it runs in that reader's thread. Imports store, judge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from dashboard.judge import loss_shape, outages, promises
from dashboard.judge.evidence import Span
from dashboard.judge.loss_shape import BurstGap
from dashboard.judge.outages import Spans
from dashboard.judge.promises import DelayPromise, IntervalLoss, LossPromise, LossyMinute, Promise
from dashboard.judge.verdict import Word
from store.card import Card
from store.cells import Length
from store.clock import NS_PER_S
from store.histogram import Histogram
from store.reader import Reader
from store.records import TrainSpan
from store.rollup import speaks
from store.samples import unpacked
from store.site import Handoff, Site, Where

_MOST_PACKETS = 100_000  # kept one by one that a shape of loss is worked out from; the newest
_SEAM_S = 0.2  # between two records of packets in a row


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Bursts and gaps among the packets that are on record one by one, which are those around stalls.

    `packets` in `stretches`, each a run without a hole; by what was lost either way.
    """

    packets: int
    stretches: int
    spacing_s: float
    bursts: BurstGap
    periods: int
    longest_period: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """One endpoint's figures of a time and what they say of the card's promises.

    `classes` are those of ITU-T Y.1541 that the figures meet, for information, None where too little came
    back. `left_out_s` was outage.
    """

    endpoint: str
    seconds: float
    left_out_s: float
    rtt: DelayPromise
    pdv: tuple[DelayPromise, ...]
    loss: tuple[LossPromise, ...]
    intervals: tuple[IntervalLoss, ...]
    shape: Shape | None
    classes: tuple[int, ...] | None
    note: str

    @property
    def promises(self) -> tuple[Promise, ...]:
        """All of them, in the order in which a person reads them."""
        return (self.rtt, *self.pdv, *self.loss, *self.intervals)


def read(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    from_s: int,
    until_s: int,
    without: Spans,
    ignoring: Collection[str] = (),
) -> tuple[Quality, ...]:
    """What each endpoint outside shows between the two, but for minutes that the times `without` touch.

    Rules in `ignoring`, by their codes, leave no minute out: to show what they do.
    """
    outside = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
    measured = {endpoint for owner, endpoint in reader.paths() if owner == handoff.name}
    span_s = max((train.span_s for train in site.trains if train.handoff == handoff.name), default=60)
    out = outages.merged((low - span_s, high) for low, high in without)  # a minute is where it began
    kept = outages.without((float(from_s), float(until_s)), out)
    found = (
        _quality(reader, handoff, endpoint, kept, from_s=from_s, until_s=until_s, ignoring=ignoring)
        for endpoint in outside
        if endpoint in measured
    )
    return tuple(one for one in found if one is not None)


def _quality(
    reader: Reader,
    handoff: Handoff,
    endpoint: str,
    kept: Spans,
    *,
    from_s: int,
    until_s: int,
    ignoring: Collection[str],
) -> Quality | None:
    sums: list[Span] = [
        one
        for low, high in kept
        for one in reader.train_sums(
            handoff=handoff.name,
            endpoint=endpoint,
            since_ns=round(low * NS_PER_S),
            until_ns=round(high * NS_PER_S),
            longest=Length.DAY,
        )
    ]
    if ignoring:
        sums += _not_left_out(reader, handoff.name, endpoint, kept, ignoring)
    seconds = sum(one.seconds for one in sums)
    if not seconds:
        return None
    lossy = [
        span
        for low, high in kept
        for span in reader.train_spans(
            handoff=handoff.name,
            endpoint=endpoint,
            since_ns=round(low * NS_PER_S),
            until_ns=round(high * NS_PER_S),
            histograms=False,
            lossy=True,
        )
        if speaks(span, ignoring=ignoring)
    ]
    card = handoff.card
    rtt, up, down = (_pooled(sums, name) for name in ("rtt", "pdv_up", "pdv_down"))
    lost = sum(one.lost_up + one.lost_down + one.lost_unattributed for one in sums)
    losses = _losses(sums, lossy, card)
    return Quality(
        endpoint=endpoint,
        seconds=seconds,
        left_out_s=until_s - from_s - outages.total_s(kept),
        rtt=promises.delay("RTT p95", rtt, share=0.95, limit_us=card.rtt_p95_us, lost=lost),
        pdv=tuple(
            promises.delay(f"PDV p99 {way}", histogram, share=0.99, limit_us=card.pdv_p99_us, lost=gone)
            for way, histogram, gone in (
                ("up", up, sum(one.lost_up for one in sums)),
                ("down", down, sum(one.lost_down for one in sums)),
            )
        ),
        loss=losses,
        intervals=_intervals(lossy, card, seconds),
        shape=_shape(reader, handoff.name, endpoint, kept),
        classes=_classes(rtt, (up, down), losses),
        note=_note(card, endpoint),
    )


def _not_left_out(
    reader: Reader, handoff: str, endpoint: str, kept: Spans, ignoring: Collection[str]
) -> Iterator[TrainSpan]:
    """Minutes that no sum has and that may speak once the rules `ignoring` are gone."""
    for low, high in kept:
        for span in reader.train_spans(
            handoff=handoff,
            endpoint=endpoint,
            since_ns=round(low * NS_PER_S),
            until_ns=round(high * NS_PER_S),
            with_reasons=True,
        ):
            if speaks(span, ignoring=ignoring) and not speaks(span):
                yield span


def _pooled(sums: Sequence[Span], name: str) -> Histogram:
    pooled = Histogram()
    for one in sums:
        pooled.merge(getattr(one, name))
    return pooled


def _losses(sums: Sequence[Span], lossy: Sequence[TrainSpan], card: Card) -> tuple[LossPromise, ...]:
    """Each way; what was lost in a direction that nobody knows is counted with up."""
    sent = sum(one.sent for one in sums)
    up = sum(one.lost_up + one.lost_unattributed for one in sums)
    down = sum(one.lost_down for one in sums)
    return tuple(
        promises.loss(f"Loss {way}", lost=lost, sent=of, events=events, limit_ratio=card.loss_ratio)
        for way, lost, of, events in (
            ("up", up, sent, sum(bool(one.lost_up + one.lost_unattributed) for one in lossy)),
            ("down", down, sent - up, sum(bool(one.lost_down) for one in lossy)),
        )
    )


def _intervals(lossy: Sequence[TrainSpan], card: Card, seconds: float) -> tuple[IntervalLoss, ...]:
    terms = card.loss_interval
    if terms is None:
        return ()
    ways = (
        ("up", [(one, one.sent, one.lost_up + one.lost_unattributed) for one in lossy]),
        ("down", [(one, one.sent - one.lost_up - one.lost_unattributed, one.lost_down) for one in lossy]),
    )
    return tuple(
        promises.intervals(
            f"Loss {way} in any interval",
            [
                LossyMinute(from_s=one.started_unix_ns / NS_PER_S, seconds=one.seconds, sent=sent, lost=lost)
                for one, sent, lost in minutes
                if lost
            ],
            interval_s=terms.every_s,
            limit_ratio=terms.loss_ratio,
            watched_s=seconds,
        )
        for way, minutes in ways
    )


def _shape(reader: Reader, handoff: str, endpoint: str, kept: Spans) -> Shape | None:
    """From the newest packets that are kept one by one; None where none are."""
    stretches: list[list[bool]] = []
    ended_s, spacing_s, packets = 0.0, 0.0, 0
    records = [
        record
        for low, high in kept
        for record in reader.samples(
            handoff, endpoint, since_ns=round(low * NS_PER_S), until_ns=round(high * NS_PER_S)
        )
    ]
    newest = []
    for record in reversed(records):
        packets += record.packets
        newest.append(record)
        if packets >= _MOST_PACKETS:
            break
    for record in reversed(newest):
        began_s = record.started_unix_ns / NS_PER_S
        if not stretches or began_s - ended_s > _SEAM_S:
            stretches.append([])
        stretches[-1] += [packet.lost is not None for packet in unpacked(record)]
        ended_s = record.ended_unix_ns / NS_PER_S
        if record.packets > 1:
            spacing_s = (ended_s - began_s) / (record.packets - 1)
    if not packets:
        return None
    apart = [loss_shape.burst_gap(each) for each in stretches]
    periods = [length for each in stretches for length in loss_shape.loss_periods(each)]
    return Shape(
        packets=packets,
        stretches=len(stretches),
        spacing_s=spacing_s,
        bursts=BurstGap(
            bursts=sum(one.bursts for one in apart),
            burst_packets=sum(one.burst_packets for one in apart),
            burst_lost=sum(one.burst_lost for one in apart),
            gap_packets=sum(one.gap_packets for one in apart),
            gap_lost=sum(one.gap_lost for one in apart),
            longest_burst_packets=max(one.longest_burst_packets for one in apart),
        ),
        periods=len(periods),
        longest_period=max(periods, default=0),
    )


def _classes(
    rtt: Histogram, pdv: Sequence[Histogram], losses: Sequence[LossPromise]
) -> tuple[int, ...] | None:
    """By half of the mean round trip, the wider 99.9 % quantile of delay over its least, the larger loss."""
    ratios = [one.ratio for one in losses if one.ratio is not None]
    variation = [each.percentile(0.999) for each in pdv if each.count]
    if rtt.mean is None or not ratios or not variation:
        return None
    return loss_shape.classes_met(
        mean_ms=rtt.mean / 2000,
        variation_ms=max(each or 0 for each in variation) / 1000,
        loss_ratio=max(ratios),
    )


def _note(card: Card, endpoint: str) -> str:
    """What to mind where the far end is not the one that the card names, whole or by its first label."""
    if card.measured_to is None or endpoint in (card.measured_to, card.measured_to.partition(".")[0]):
        return ""
    return (
        f"The card promises this to {card.measured_to}; {endpoint} lies elsewhere, so what is kept to it is "
        "kept, and what is missed may be the way beyond."
    )


def word(found: Quality, card: Card) -> Word:
    """All promises of delay, variation and loss together; a far end that was not promised convicts nobody."""
    words = [one.word for one in found.promises]
    tested = [one for one in words if one is not Word.NOT_TESTED]
    if not tested:
        return Word.NOT_TESTED
    if Word.NOT_MET in tested:
        return Word.UNDECIDED if _note(card, found.endpoint) else Word.NOT_MET
    return Word.UNDECIDED if Word.UNDECIDED in tested else Word.MET


def as_json(found: Quality, card: Card) -> dict[str, Any]:
    """One endpoint's figures as a program reads them."""
    shape = found.shape
    return {
        **asdict(found),
        "word": str(word(found, card)),
        "shape": None
        if shape is None
        else {
            **asdict(shape),
            "gmin": loss_shape.GMIN,
            "burst_density": shape.bursts.burst_density,
            "gap_density": shape.bursts.gap_density,
            "mean_burst_s": shape.bursts.mean_burst_s(shape.spacing_s),
        },
        "y1541_classes": None if found.classes is None else list(found.classes),
    }
