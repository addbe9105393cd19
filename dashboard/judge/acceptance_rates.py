"""Rows of an acceptance sheet that ask for a rate: A6, A7, A15, A16 and A18.

Rates are held against the committed one at the contract's layer; where it states none, the lowest reading
must reach it and the highest must miss it. Common practice of the trade where no contract says more. Pure.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from dashboard.judge import contract, evidence, hours
from dashboard.judge.acceptance_limits import (
    NOT_THE_LINE,
    WAYS,
    between,
    least_overall,
    limit_text,
    readings,
)
from dashboard.judge.acceptance_material import Material, valid
from dashboard.judge.acceptance_rows import (
    DROP_RATIO,
    EVENINGS,
    SINGLE_FLOW_RATIO,
    SINGLE_FLOW_RTT_US,
    TEN_SECONDS_RATIO,
)
from dashboard.judge.acceptance_verdict import (
    RowVerdict,
    and_,
    at_least,
    long_enough,
    loss_within,
    percent,
    untested,
    whole,
    worst,
)
from dashboard.judge.contract import METHOD_ERROR_RATIO
from dashboard.judge.layers import LAYER_WORDS, rate_text
from dashboard.judge.verdict import Word
from store.card import Card
from store.clock import NS_PER_S, local
from store.layers import Layer, LayerRates
from store.paced import PacedRun
from store.quantities import grouped
from store.records import Bin, Direction, RateRun

_OFFERED_ENOUGH = 0.995  # of the committed rate: less could not show that it passes
_TEN_SECONDS_MS = 10_000
_NIGHT = (2 * 60, 6 * 60)
_TOGETHER = 0.9  # of the shorter of two runs that count as at once


@dataclass(frozen=True, slots=True, kw_only=True)
class _Test:
    """One direction carried for a while: its share of the committed rate, lowest and highest reading.

    `slowest` is the share in its slowest 10 s, by the lowest reading, None where no bins are kept. `lost` of
    `sent` packets, None over TCP, which sends them again. `beside` is what acknowledgements of the other
    direction may have taken of the rate.
    """

    way: Direction
    started_unix_ns: int
    seconds: float
    low: float
    high: float
    payload_bps: int
    rate_bps: int | None
    slowest: float | None
    lost: int | None = None
    sent: int = 0
    beside: float = 0.0


def rate_alone(found: Material) -> RowVerdict:
    """A6: each direction alone at 100 %."""
    return _each_way("A6", found, lambda way: _alone(found, way))


def rate_both(found: Material) -> RowVerdict:
    """A7: both directions at once; what either loses against A6 is said."""
    verdict = _each_way("A7", found, lambda way: _both_alone(found, way))
    drops = []
    for way in WAYS:
        alone, both = _alone(found, way), _both_alone(found, way)
        if alone and both and alone[-1].low - both[-1].low > DROP_RATIO + 2 * METHOD_ERROR_RATIO:
            drops.append(f"{way} by {percent(alone[-1].low - both[-1].low)} of the rate")
    if not drops:
        return verdict
    return _said(verdict, f"A finding: against one direction alone it drops {and_(drops)}.")


def handoffs_at_once(found: Material) -> RowVerdict:
    """A15: this handoff while the others of the contract are full as well."""
    if not found.mates:
        return RowVerdict(
            row="A15", word=Word.NOT_TESTED, because="No other handoff has this contract.", applies=False
        )
    tests = {way: [test for test in _both(found, way) if _beside(test, found)] for way in WAYS}
    names = and_([mate.handoff for mate in found.mates])
    if not any(tests.values()):
        because = f"No run that counts filled both directions here while one filled {names}."
        return untested("A15", because + _not_counted(found))
    verdict = _each_way("A15", found, tests.__getitem__)
    return _said(verdict, f"Meanwhile {names} {'was' if len(found.mates) == 1 else 'were'} full as well.")


def one_flow(found: Material) -> RowVerdict:
    """A16: what one flow carries of what eight do."""
    words, parts = [], []
    started_ns, rtt_us = None, 0
    for way in WAYS:
        runs = [run for run in _full_runs(found) if run.direction is way]
        single = max((run for run in runs if run.flows == 1), key=_start, default=None)
        many = max((run for run in runs if run.flows >= 4), key=_start, default=None)
        if single is None or many is None:
            continue
        share = single.sides()[way].rates.goodput_bps / max(1, many.sides()[way].rates.goodput_bps)
        words.append(at_least(share, SINGLE_FLOW_RATIO, error=2 * METHOD_ERROR_RATIO))
        started_ns = max(started_ns or 0, single.started_unix_ns)
        rtt_us = max(rtt_us, single.rtt_idle_us.p50 if single.rtt_idle_us else 0)
        parts.append(
            f"{way} {rate_text(single.sides()[way].rates.goodput_bps)} of "
            f"{rate_text(many.sides()[way].rates.goodput_bps)} with {many.flows} flows, {percent(share)}"
        )
    if not words:
        because = (
            "No run with one flow that counts stands beside one with four or more, of the same direction."
        )
        return untested("A16", because + _not_counted(found))
    word = worst([*words, *([] if len(words) == 2 else [Word.UNDECIDED])])
    because = f"One flow carried {'; '.join(parts)}; {percent(SINGLE_FLOW_RATIO)} is asked."
    if len(words) < 2:
        because += " The other direction is missing."
    if rtt_us > SINGLE_FLOW_RTT_US and word is Word.NOT_MET:
        word = Word.UNDECIDED
        because += f" The RTT is {rtt_us / 1000:.0f} ms, and the rule holds up to 15."
    return RowVerdict(
        row="A16",
        word=word,
        because=because,
        limit=percent(SINGLE_FLOW_RATIO),
        found="; ".join(parts),
        error=f"± {percent(2 * METHOD_ERROR_RATIO)}",
        started_unix_ns=started_ns,
    )


def busy_hours(found: Material) -> RowVerdict:
    """A18: the rate in the busy hours of five weekdays, and against the small hours."""
    inside = hours.inside(found.busy, found.zone)
    weekdays = [run for run in found.rates if local(run.started_unix_ns, found.zone).weekday() < 5]
    busy = [run for run in weekdays if inside(run.started_unix_ns)]
    words, parts = [], []
    evenings = 5
    for way in WAYS:
        if found.card.rate_bps(way) is None:
            continue
        verdict = contract.rate_verdict(busy, found.card, way, zone=found.zone)
        if not verdict.n:
            words.append(Word.NOT_TESTED)
            continue
        evenings = min(evenings, verdict.days)
        words.append(verdict.word)
        parts.append(f"{way} {verdict.met} of {verdict.n} runs on {verdict.days} weekdays: {verdict.word}")
        drop = _evening_drop(found, busy, way)
        if drop is not None and drop > DROP_RATIO + 2 * METHOD_ERROR_RATIO:
            words.append(Word.NOT_MET)
            parts.append(
                f"{way} the middle run of the busy hours is {percent(drop)} below that of 02:00-06:00"
            )
    if not parts:
        return untested("A18", "No run that counts fell into the busy hours of a weekday.")
    word = worst(words)
    because = f"In the busy hours ({found.busy.said()}): {'; '.join(parts)}."
    if evenings < EVENINGS and word is not Word.NOT_MET:
        word = Word.UNDECIDED
        because += f" {EVENINGS} weekdays are asked."
    return RowVerdict(
        row="A18", word=word, because=because, limit=limit_text(found.card), found="; ".join(parts)
    )


# Tests of a rate


def _each_way(row: str, found: Material, tests: Callable[[Direction], list[_Test]]) -> RowVerdict:
    """The newest test of each stated direction, held against the contract; older ones are named."""
    words, parts, seconds = [], [], math.inf
    latest = None
    slowest_known, hidden = True, False
    for way in (each for each in WAYS if found.card.rate_bps(each)):
        own = tests(way)
        own = [test for test in own if whole(row, test.seconds)] or own[-1:]
        if not own:
            words.append(Word.NOT_TESTED)
            continue
        test = own[-1]
        latest = max(latest or 0, test.started_unix_ns)
        seconds = min(seconds, test.seconds)
        slowest_known = slowest_known and test.slowest is not None
        words.append(_word(test, found.card))
        hidden = hidden or (words[-1] is Word.UNDECIDED and test.beside > 0)
        parts.append(_test_said(test, found) + _before_said(own[:-1], found))
    if not parts:
        return untested(row, _nothing(row, found))
    word = worst(words)
    because = f"{'; '.join(parts)}. Asked: {limit_text(found.card)}."
    if Word.NOT_TESTED in words:
        word = Word.NOT_MET if Word.NOT_MET in words else Word.UNDECIDED
        because += " The other direction is missing."
    if hidden:
        because += " Paced runs both ways, which the row's command makes, have no acknowledgements."
    if not slowest_known and found.card.reach_ratio == 1:
        because += " The record has no bins, so its slowest 10 s are not known."
        word = Word.UNDECIDED if word is Word.MET else word
    verdict = RowVerdict(
        row=row,
        word=word,
        because=because[0].upper() + because[1:],
        limit=limit_text(found.card),
        found="; ".join(parts),
        error=f"± {percent(METHOD_ERROR_RATIO)}",
        started_unix_ns=latest,
    )
    return long_enough(verdict, seconds)


def _word(test: _Test, card: Card) -> Word:
    words = [between(test.low, test.high, least_overall(card), error=METHOD_ERROR_RATIO)]
    if card.reach_ratio == 1 and test.slowest is not None:
        spread = test.high / test.low if test.low else 1.0
        words.append(
            between(test.slowest, test.slowest * spread, TEN_SECONDS_RATIO, error=METHOD_ERROR_RATIO)
        )
    if card.loss_ratio is not None and test.lost is not None:
        words.append(loss_within(test.lost, test.sent, card.loss_ratio))
    return worst(words)


def _alone(found: Material, way: Direction) -> list[_Test]:
    """Paced runs at the whole rate and rate runs, of this direction alone, oldest first."""
    committed = found.card.rate_bps(way)
    if not committed:
        return []
    against = _times(_offered_whole(found, _other(way)))
    paced = [
        _of_paced(run, found.card)
        for run in _offered_whole(found, way)
        if not any(_overlap((run.started_unix_ns, run.seconds), each) for each in against)
    ]
    rates = [_of_rate(run, way, found.card) for run in _full_runs(found) if run.direction is way]
    return sorted([*paced, *rates], key=lambda test: test.started_unix_ns)


def _both(found: Material, way: Direction) -> list[_Test]:
    runs = [run for run in _full_runs(found) if run.direction is Direction.BOTH and run.side(way) is not None]
    tests = [_of_rate(run, way, found.card) for run in runs]
    against = _times(_offered_whole(found, _other(way)))
    tests += [
        _of_paced(run, found.card)
        for run in _offered_whole(found, way)
        if any(_overlap((run.started_unix_ns, run.seconds), each) for each in against)
    ]
    return sorted(tests, key=lambda test: test.started_unix_ns)


def _both_alone(found: Material, way: Direction) -> list[_Test]:
    """Those while no mate was full; all, where none was made alone."""
    tests = _both(found, way)
    return [test for test in tests if not (found.mates and _beside(test, found))] or tests


def _other(way: Direction) -> Direction:
    return Direction.DOWN if way is Direction.UP else Direction.UP


def _times(runs: Sequence[PacedRun]) -> list[tuple[int, float]]:
    return [(run.started_unix_ns, run.seconds) for run in runs]


def _full_runs(found: Material) -> list[RateRun]:
    """Rate runs that may speak of the full rate, oldest first."""
    return sorted(
        (
            run
            for run in found.rates
            if not evidence.why_left_out(run)
            and all(side.limited_by not in NOT_THE_LINE for side in run.sides().values())
        ),
        key=_start,
    )


def _offered_whole(found: Material, way: Direction) -> list[PacedRun]:
    """Paced runs that offered the committed rate, which nothing but the line held back."""
    committed = found.card.rate_bps(way) or 0
    return [
        run
        for run in valid(found.paced)
        if run.direction is way
        and run.limited_by not in NOT_THE_LINE
        and _offered(run, found.card) >= _OFFERED_ENOUGH * committed
    ]


def _offered(run: PacedRun, card: Card) -> float:
    """What it offered, counted at the contract's layer; at the IP layer where that is not stated."""
    if card.layer is Layer.NOT_STATED or not run.rates.ip_bps:
        return run.offered_bps
    return run.offered_bps * run.rates.at(card.layer) / run.rates.ip_bps


def _of_paced(run: PacedRun, card: Card) -> _Test:
    bins = [Bin(start_ms=one.start_ms, bytes=one.bytes) for one in run.bins]
    window = run.steady_from_ms, run.steady_to_ms
    return _test(
        run.direction, run.started_unix_ns, run.seconds, run.rates, card, (bins, window), (run.lost, run.sent)
    )


def _of_rate(run: RateRun, way: Direction, card: Card) -> _Test:
    side = run.sides()[way]
    window = side.steady_from_ms, side.steady_to_ms
    found = _test(way, run.started_unix_ns, run.seconds, side.rates, card, (side.bins, window), (None, 0))
    beside = evidence.acknowledgements_bps(run, way, card.layer) / (card.rate_bps(way) or 1)
    return replace(found, high=found.high + beside, beside=beside)


def _test(
    way: Direction,
    started_ns: int,
    seconds: float,
    rates: LayerRates,
    card: Card,
    bins: tuple[Sequence[Bin], tuple[int, int]],
    loss: tuple[int | None, int],
) -> _Test:
    committed = card.rate_bps(way) or 1
    low, high = (bps / committed for bps in readings(rates, card.layer))
    slowest = _slowest_bps(*bins)
    share = None if slowest is None or not rates.goodput_bps else slowest / rates.goodput_bps * low
    return _Test(
        way=way,
        started_unix_ns=started_ns,
        seconds=seconds,
        low=low,
        high=high,
        payload_bps=rates.goodput_bps,
        rate_bps=None if card.layer is Layer.NOT_STATED else rates.at(card.layer),
        slowest=share,
        lost=loss[0],
        sent=loss[1],
    )


def _slowest_bps(bins: Sequence[Bin], window: tuple[int, int]) -> float | None:
    """The payload rate of the slowest whole 10 s of the steady window; None where there is none."""
    from_ms, to_ms = window
    spans: dict[int, int] = {}
    for one in bins:
        if from_ms <= one.start_ms < to_ms:
            spans[(one.start_ms - from_ms) // _TEN_SECONDS_MS] = (
                spans.get((one.start_ms - from_ms) // _TEN_SECONDS_MS, 0) + one.bytes
            )
    whole = (to_ms - from_ms) // _TEN_SECONDS_MS
    if not bins or not whole:
        return None
    return min(spans.get(nth, 0) for nth in range(whole)) * 8 / (_TEN_SECONDS_MS / 1000)


def _test_said(test: _Test, found: Material) -> str:
    committed = found.card.rate_bps(test.way) or 0
    layer = LAYER_WORDS[found.card.layer]
    if test.rate_bps is None:
        share = f"{percent(test.low)} (as payload) to {percent(test.high)} (as layer 1)"
        parts = f"{test.way} {rate_text(test.payload_bps)} of payload, {share} of {rate_text(committed)}"
    else:
        parts = (
            f"{test.way} {rate_text(test.rate_bps)} {layer} ({rate_text(test.payload_bps)} of payload), "
            f"{percent(test.low)} of {rate_text(committed)}"
        )
    if test.beside:
        parts += f" (and up to {percent(test.beside)} for acknowledgements of the other direction)"
    if test.slowest is not None:
        parts += f", slowest 10 s {percent(test.slowest)}"
    return parts + (
        "" if test.lost is None else f", {grouped(test.lost)} of {grouped(test.sent)} packets lost"
    )


def _before_said(tests: Sequence[_Test], found: Material) -> str:
    """What older tests of the same thing showed, so that nobody repeats one until it fits."""
    if not tests:
        return ""
    words = [
        f"{local(test.started_unix_ns, found.zone):%d %b} {percent(test.low)} {_word(test, found.card)}"
        for test in tests[-5:]
    ]
    return f" (before: {', '.join(words)})"


def _nothing(row: str, found: Material) -> str:
    if not any(found.card.rate_bps(way) for way in WAYS):
        return "The contract card states no rate."
    missing = {
        "A6": "No paced run at the whole rate and no full rate run of one direction counts.",
        "A7": "No run of both directions at once counts.",
    }
    return missing.get(row, "No such run is on record.") + _not_counted(found)


def _not_counted(found: Material) -> str:
    """How many rate and paced runs may not speak of the line, and why; nothing where all do."""
    counts = Counter[str]()
    for run in found.rates:
        held = [
            f"{side.limited_by}_limit" for side in run.sides().values() if side.limited_by in NOT_THE_LINE
        ]
        counts.update({*(evidence.why_left_out(run) or held)})
    for paced in found.paced:
        held = [f"{paced.limited_by}_limit"] if paced.limited_by in NOT_THE_LINE else []
        counts.update({*(evidence.why_not(paced.reasons) or held)})
    why = ", ".join(f"{count} {reason}" for reason, count in sorted(counts.items()))
    return f" Runs that do not count: {why}." if why else ""


def _said(verdict: RowVerdict, more: str) -> RowVerdict:
    return replace(verdict, because=f"{verdict.because} {more}")


# Together


def _evening_drop(found: Material, busy: Sequence[RateRun], way: Direction) -> float | None:
    """By how much of the rate the middle busy run lies below the middle one of 02:00-06:00."""
    night = [run for run in found.rates if _NIGHT[0] <= _minute(run, found) < _NIGHT[1]]
    middles = []
    for runs in (busy, night):
        rates = sorted(side.rates.goodput_bps for _, side in contract.counted(runs, found.card, way))
        if not rates:
            return None
        middles.append(rates[(len(rates) - 1) // 2])
    return 1 - middles[0] / max(1, middles[1])


def _minute(run: RateRun, found: Material) -> int:
    at = local(run.started_unix_ns, found.zone)
    return at.hour * 60 + at.minute


def _beside(test: _Test, found: Material) -> bool:
    """Whether each mate was full in both directions over nearly all of its time."""
    time = test.started_unix_ns, test.seconds
    return all(
        any(_overlap(time, (other.started_unix_ns, other.seconds)) for other in _both(mate, way))
        for mate in found.mates
        for way in WAYS
        if mate.card.rate_bps(way)
    )


def _overlap(one: tuple[int, float], other: tuple[int, float]) -> bool:
    ends = [started + seconds * NS_PER_S for started, seconds in (one, other)]
    shared = min(ends) - max(one[0], other[0])
    return shared >= _TOGETHER * min(one[1], other[1]) * NS_PER_S


def _start(run: RateRun) -> int:
    return run.started_unix_ns
