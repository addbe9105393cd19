"""A rate verdict looked at more closely: what was carried, day by day, and the busy hours apart.

An average hides an evening: a line that misses its rate in every busy hour meets it all the same in most
runs of a day. Each part is judged by the very rule of the whole (judge.contract). Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, tzinfo
from functools import cache

from dashboard.judge import hours, layers, sampling
from dashboard.judge.contract import Sample
from dashboard.judge.verdict import RateVerdict, Word
from store.card import Card
from store.layers import Layer
from store.quantities import counted, grouped
from store.site import Times

_NEAREST = 0.01  # a share nearer to the promise would take more runs than anybody makes


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What the counted runs carried: the middle one, and the one that 5 % of them stay below (nearest rank).

    At the contract's layer, None where that is not stated, and as payload.
    """

    n: int
    p50_payload_bps: int
    p5_payload_bps: int
    p50_bps: int | None
    p5_bps: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """The counted runs of one local day; so few runs seldom decide, so `word` is often Undecided."""

    day: date
    n: int
    met: int
    not_met: int
    word: Word


@dataclass(frozen=True, slots=True, kw_only=True)
class RateDetail:
    """`busy` and `rest` are the verdicts in the busy hours and outside them, beside `whole`, of all runs.

    Of the days, on `kept` the promised share of that day's runs surely reached the rate, on `short` it surely
    did not, and the rest lie between. `power_runs` is how many runs in all have a chance of 80 % to decide,
    if the share is as it looks and neighbours are as alike; None where that is decided or out of reach.
    """

    whole: RateVerdict
    busy: RateVerdict
    rest: RateVerdict
    carried: Carried | None
    days: tuple[Day, ...]
    kept: int
    short: int
    power_runs: int | None
    sentences: tuple[str, ...]

    @property
    def power_days(self) -> int | None:
        """The days that so many runs take, at as many a day as on those that had any."""
        if self.power_runs is None or not self.whole.n:
            return None
        return math.ceil(self.power_runs * self.whole.days / self.whole.n)

    @property
    def differs(self) -> bool:
        """Whether the busy hours have another verdict than all hours."""
        return self.busy.n > 0 and self.busy.word is not self.whole.word


def detail(sample: Sample, *, busy: Times, zone: tzinfo, whole: RateVerdict) -> RateDetail:
    """The parts of `whole`, which is the verdict on the same sample."""
    card, in_busy = sample.card, hours.inside(busy, zone)
    parts = sample.parted(lambda run, _: in_busy(run.started_unix_ns))
    none = Sample((), card, sample.direction)
    days = _days(sample)
    found = RateDetail(
        whole=whole,
        busy=parts.get(True, none).verdict(),
        rest=parts.get(False, none).verdict(),
        carried=_carried(sample),
        days=days,
        kept=sum(one.met >= card.met_ratio * one.n for one in days),
        short=sum(one.n - one.not_met < card.met_ratio * one.n for one in days),
        power_runs=_power_runs(whole),
        sentences=(),
    )
    return _with_sentences(found, card, busy.said())


def _days(sample: Sample) -> tuple[Day, ...]:
    """The days with a counted run, oldest first."""
    found = ((day, some.verdict()) for day, some in sample.parted(lambda _, day: day).items())
    return tuple(
        Day(day=day, n=one.n, met=one.met, not_met=one.not_met, word=one.word) for day, one in found if one.n
    )


def _carried(sample: Sample) -> Carried | None:
    card, found = sample.card, sample.counted()
    if not found:
        return None
    payload = sorted(side.rates.goodput_bps for _, side in found)
    stated = card.layer is not Layer.NOT_STATED
    at_layer = sorted(side.rates.at(card.layer) for _, side in found) if stated else None
    middle, low = (math.ceil(share * len(payload)) - 1 for share in (0.5, 0.05))
    return Carried(
        n=len(payload),
        p50_payload_bps=payload[middle],
        p5_payload_bps=payload[low],
        p50_bps=at_layer[middle] if at_layer else None,
        p5_bps=at_layer[low] if at_layer else None,
    )


def _power_runs(whole: RateVerdict) -> int | None:
    """Runs in all for a chance of 80 % to decide, if the true share is what the runs showed."""
    if whole.word is not Word.UNDECIDED or whole.share is None or whole.open_:
        return None
    independent = _power(round(whole.share, 2), whole.met_ratio)
    return None if independent is None else math.ceil(independent * whole.n / whole.effective_n)


@cache
def _power(share: float, promised: float) -> int | None:
    if abs(share - promised) < _NEAREST - 1e-9:
        return None
    look = sampling.runs_for_fault if share < promised else sampling.runs_for_compliance
    return look(share, promised)


def _with_sentences(found: RateDetail, card: Card, busy: str) -> RateDetail:
    parts = [_carried_said(found.carried, card), _busy_said(found, busy), _days_said(found, card)]
    if found.power_runs is not None:
        days = counted(found.power_days or 0, "day")
        parts.append(
            f"For an 80 % chance to decide, if the share is what they show so far, some {found.power_runs} "
            f"runs ({days} at this pace) are needed in all; fix their number before you look."
        )
    sentences = tuple(text for text in parts if text)
    return replace(found, sentences=sentences)


def _carried_said(carried: Carried | None, card: Card) -> str:
    """What was carried beside what was promised, at both layers."""
    if carried is None:
        return ""
    if carried.p50_bps is None or carried.p5_bps is None or card.layer is Layer.PAYLOAD:
        middle, low = (layers.rate_text(bps) for bps in (carried.p50_payload_bps, carried.p5_payload_bps))
        return f"The middle run carried {middle} of TCP payload, and 5 % of runs at most {low}."
    middle, low = (layers.rate_text(bps) for bps in (carried.p50_bps, carried.p5_bps))
    return (
        f"The middle run carried {middle} {layers.LAYER_WORDS[card.layer]} "
        f"({layers.rate_text(carried.p50_payload_bps)} of TCP payload), and 5 % of runs at most {low} "
        f"({layers.rate_text(carried.p5_payload_bps)})."
    )


def _busy_said(found: RateDetail, busy: str) -> str:
    if not found.whole.n:
        return ""
    if not found.busy.n:
        return f"No counted run fell into the busy hours ({busy})."
    inside = f"In the busy hours ({busy}) {_met(found.busy)}: {found.busy.word}"
    outside = (
        f"outside them {_met(found.rest)}: {found.rest.word}" if found.rest.n else "there are none outside"
    )
    if found.differs:
        return f"{inside}; {outside}. Over all hours it is {found.whole.word}, which the busy ones are not."
    return f"{inside}; {outside}."


def _days_said(found: RateDetail, card: Card) -> str:
    if not found.days:
        return ""
    share = f"{card.met_ratio * 100:g} %"
    between = len(found.days) - found.kept - found.short
    rest = f", and {between} lie between" if between else ""
    return (
        f"On {found.kept} of {counted(len(found.days), 'day')} {share} of the day's runs reached the rate, "
        f"on {found.short} they did not{rest}."
    )


def _met(verdict: RateVerdict) -> str:
    return f"{grouped(verdict.met)} of {counted(verdict.n, 'run')} reached the rate"
