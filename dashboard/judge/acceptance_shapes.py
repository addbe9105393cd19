"""Rows of an acceptance sheet about the shape of a limit: A8 to A11, steps, frame sizes and bursts. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TypeVar

from dashboard.judge.acceptance_limits import NOT_THE_LINE, WAYS, between, least_overall, readings
from dashboard.judge.acceptance_material import Material, newest, valid
from dashboard.judge.acceptance_rows import FLAT_QUEUE_US, STEP_LOSS_RATIO
from dashboard.judge.acceptance_verdict import (
    RowVerdict,
    at_least,
    long_enough,
    loss_within,
    percent,
    untested,
    whole,
    worst,
)
from dashboard.judge.contract import METHOD_ERROR_RATIO
from dashboard.judge.layers import LAYER_WORDS
from dashboard.judge.verdict import Word
from store.bursts import BurstRun, Limiter
from store.card import Card
from store.layers import Layer
from store.paced import PacedPart
from store.quantities import size_text
from store.records import Direction, Standing, standing_of
from store.sizes import Counted, SizesRun
from store.steps import StepsRun

R = TypeVar("R", SizesRun, StepsRun)

_LAYER_OF = {Counted.IP: Layer.IP, Counted.ETHERNET: Layer.ETHERNET, Counted.WIRE: Layer.WIRE}


def steps_below(found: Material) -> RowVerdict:
    """A8: nothing is lost or queued at the steps below 100 %."""
    limit = STEP_LOSS_RATIO if found.card.loss_ratio is None else found.card.loss_ratio

    def judged(part: PacedPart, percents: int) -> tuple[Word, str]:
        loss = loss_within(part.lost, part.sent, limit)
        queue = Word.MET if part.queue_us <= FLAT_QUEUE_US else Word.NOT_MET
        few = ", too few to tell" if loss is Word.UNDECIDED else ""
        said = f"{percents} %: {part.lost} of {part.sent} lost{few}, queue {part.queue_us / 1000:.1f} ms"
        return worst([loss, queue]), said

    verdict = _stepped("A8", found, range(100), judged)
    return _limited(verdict, f"loss {percent(limit)}, queue {FLAT_QUEUE_US / 1000:g} ms")


def steps_above(found: Material) -> RowVerdict:
    """A9: more than the rate is offered, and the rate itself comes through."""
    needed = least_overall(found.card)

    def judged(part: PacedPart, percents: int) -> tuple[Word, str]:
        committed = found.card.rate_bps(part.direction) or 1
        low, high = (bps / committed for bps in readings(part.rates, found.card.layer))
        fate = "was lost" if part.lost else "was delayed" if part.queue_us > FLAT_QUEUE_US else "came as well"
        said = f"{percents} %: {percent(low)} of the rate arrived, what is more {fate}"
        return between(low, high, needed, error=METHOD_ERROR_RATIO + part.error_ratio), said

    return _limited(_stepped("A9", found, range(101, 1000), judged), f"{percent(needed)} of the rate")


def sizes(found: Material) -> RowVerdict:
    """A10: the same share for every frame size, at the contract's layer."""
    needed = least_overall(found.card)
    words, parts = [], []
    latest, seconds = None, math.inf
    for way in WAYS:
        run = _last("A10", [one for one in valid(found.sizes) if one.direction is way])
        committed = found.card.rate_bps(way)
        if run is None or not committed:
            continue
        latest, seconds = max(latest or 0, run.started_unix_ns), min(seconds, run.seconds)
        own, said = _size_words(run, found.card, committed, needed)
        words += own
        parts.append(f"{way} {said}")
    if not words:
        return untested("A10", "No size sweep at the committed rate is on record.")
    word = worst(words)
    because = f"{'; '.join(parts)}. {percent(needed)} is asked of every size {LAYER_WORDS[found.card.layer]}."
    verdict = RowVerdict(
        row="A10",
        word=word,
        because=because[0].upper() + because[1:],
        limit=f"{percent(needed)} of the rate at every size",
        found="; ".join(parts),
        error=f"± {percent(METHOD_ERROR_RATIO)} and each size's scatter",
        started_unix_ns=latest,
    )
    return long_enough(verdict, seconds)


def burst(found: Material) -> RowVerdict:
    """A11: the committed burst size, each direction."""
    words, parts, limits = [], [], []
    latest = None
    for way in WAYS:
        run = newest([one for one in valid(found.bursts) if one.direction is way])
        if run is None:
            continue
        latest = max(latest or 0, run.started_unix_ns)
        limit, whence = _burst_limit(found, way)
        if limit is None:
            words.append(Word.UNDECIDED)
            parts.append(f"{way}: {whence}")
            continue
        word, said = _burst_word(run, found.card, limit)
        words.append(word)
        limits.append(f"{way} {size_text(limit)} ({whence})")
        parts.append(f"{way} {said}, {size_text(limit)} {whence}")
    if not words:
        return untested("A11", "No burst run is on record.")
    missing = [] if len(words) == 2 else [Word.UNDECIDED]
    return RowVerdict(
        row="A11",
        word=worst([*words, *missing]),
        because=f"Committed burst size: {'; '.join(parts)}."
        + (" The other direction is missing." if missing else ""),
        limit="; ".join(limits),
        found="; ".join(parts),
        error="each run's own bound",
        started_unix_ns=latest,
    )


def _limited(verdict: RowVerdict, limit: str) -> RowVerdict:
    return replace(verdict, limit=limit)


def _stepped(
    row: str, found: Material, percents: range, judged: Callable[[PacedPart, int], tuple[Word, str]]
) -> RowVerdict:
    words, parts = [], []
    latest, seconds = None, math.inf
    for way in (each for each in WAYS if found.card.rate_bps(each)):
        run = _last(row, [one for one in valid(found.steps) if _steps_of(one, found.card, way)])
        if run is None:
            words.append(Word.NOT_TESTED)
            continue
        latest, seconds = max(latest or 0, run.started_unix_ns), min(seconds, run.seconds)
        for part, share in _parts(run, way):
            if share in percents:
                word, said = judged(part, share)
                words.append(Word.UNDECIDED if _held_back(part) and word is not Word.MET else word)
                parts.append(f"{way} {said}")
    if not parts:
        return untested(row, "No run of steps against the committed rate is on record.")
    if Word.NOT_TESTED in words:
        words = [word if word is not Word.NOT_TESTED else Word.UNDECIDED for word in words]
    verdict = RowVerdict(
        row=row,
        word=worst(words),
        because=f"{'; '.join(parts)}.",
        found="; ".join(parts),
        error=f"± {percent(METHOD_ERROR_RATIO)} and each step's scatter",
        started_unix_ns=latest,
    )
    return long_enough(verdict, seconds)


def _last(row: str, found: Sequence[R]) -> R | None:
    """The newest that lasted as long as the row asks for; without one the newest."""
    return newest([one for one in found if whole(row, one.seconds)] or found)


def _parts(run: StepsRun, way: Direction) -> Iterator[tuple[PacedPart, int]]:
    return ((one.part, one.percent) for one in run.steps if one.part.direction is way)


def _steps_of(run: StepsRun, card: Card, way: Direction) -> bool:
    """Whether its 100 % are the committed rate of this direction, to 1 %."""
    whole = next((part for part, share in _parts(run, way) if share == 100), None)
    committed = card.rate_bps(way)
    if whole is None or not committed:
        return False
    ip = whole.rates.ip_bps
    asked = (
        run.stated_bps
        if card.layer is Layer.NOT_STATED or not ip
        else (run.stated_bps * whole.rates.at(card.layer) / ip)
    )
    return abs(asked / committed - 1) <= 0.01


def _held_back(part: PacedPart) -> bool:
    """Whether anything but the line may have kept packets back."""
    return part.limited_by in NOT_THE_LINE or standing_of(part.reasons) is not Standing.VALID


def _size_words(run: SizesRun, card: Card, committed: int, needed: float) -> tuple[list[Word], str]:
    words, parts = [], []
    for one in run.sizes:
        low, high = (bps / committed for bps in readings(one.part.rates, card.layer))
        word = between(low, high, needed, error=METHOD_ERROR_RATIO + one.part.error_ratio)
        if word is not Word.MET and (_held_back(one.part) or not one.part.lost):
            word = Word.UNDECIDED  # it was not offered enough, or something else kept it back
        words.append(word)
        parts.append(f"{percent(low)} at {one.frame_bytes}")
    said = f"{', '.join(parts)} bytes"
    stated = card.layer
    found = _LAYER_OF.get(run.counted)
    if found is not None and stated is not Layer.NOT_STATED and found is not stated:
        said += f": the limit counts {LAYER_WORDS[found].removeprefix('at ')}, not {_stated_words(stated)}"
    return words, said


def _stated_words(layer: Layer) -> str:
    """The layer of a contract as the end of a sentence."""
    return LAYER_WORDS[layer].removeprefix("at ").removeprefix("of ")


def _burst_limit(found: Material, way: Direction) -> tuple[int | None, str]:
    """What is asked, and whence: the contract's CBS, or rate x RTT."""
    stated = found.card.burst_bytes(way)
    if stated is not None:
        return stated, "stated"
    rate = found.card.rate_bps(way)
    rtts = [run.rtt_idle_us.p50 for run in found.rates if run.rtt_idle_us is not None]
    if rate is None or not rtts:
        return None, "the card states no burst size, and no RTT is known to take its place"
    return round(rate * min(rtts) / 8e6), f"for an RTT of {min(rtts) / 1000:.1f} ms, as none is stated"


def _burst_word(run: BurstRun, card: Card, limit: int) -> tuple[Word, str]:
    ratio = 1.0
    if card.layer is not Layer.IP and run.committed_bytes and run.committed_ethernet_bytes:
        ratio = run.committed_ethernet_bytes / run.committed_bytes
    if run.committed_bytes is not None:
        size, error = run.committed_bytes * ratio, (run.bound_bytes or 0) * ratio
        return at_least(size, limit, error=error), f"{size_text(round(size))} ± {size_text(round(error))}"
    if run.limiter is Limiter.NONE:
        passed = run.undisturbed_bytes
        word = Word.MET if passed >= limit else Word.UNDECIDED
        return word, f"{size_text(passed)} passed at once, the largest that was sent"
    return Word.UNDECIDED, run.because.rstrip(".")
