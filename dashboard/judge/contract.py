"""Is the stated rate met: one direction of a handoff's rate runs against its contract card.

A run counts when it is valid; one that the port, the probe, the endpoint, a window or other traffic may have
held is left out and counted as left out, and never convicts the line; so is a light run, which asked for
less. Source of the rule: exact one-sided binomial bounds at 95 % (sampling), on as many runs as are
independent.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, tzinfo
from enum import Enum
from typing import Self, TypeVar

from dashboard.judge import evidence, layers, sampling
from dashboard.judge.verdict import RateVerdict, Word, outward
from store import quantities
from store.clock import NS_PER_S, day_and_minute
from store.layers import Layer
from store.quantities import grouped
from store.records import Direction, Failed, Limit, RateRun, RateSide, Skipped, Standing
from store.site import Card

# What our rate differs from the truth by on shaped lines of known rate is held to 0.5 % by our own
# tests against kernel shapers; a run nearer to the promise than that says neither yes nor no.
METHOD_ERROR_RATIO = 0.005

T = TypeVar("T")

_NOT_THE_LINE = {Limit.PORT, Limit.PROBE, Limit.ENDPOINT, Limit.WINDOW}


class _Reached(Enum):
    YES = "yes"
    NO = "no"
    TOO_CLOSE = "too close"
    BY_LAYER = "by layer"
    BOTH_AT_ONCE = "both at once"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked(evidence.Looked):
    """`held` is by what else than the line, `reached` None without a rate stated, `day` the local one."""

    held: str | None
    reached: _Reached | None
    day: date


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tally:
    """The runs of one verdict, sorted into what they say."""

    reached: Counter[_Reached]
    effective_n: float
    days: int
    left_out: Counter[str]  # under each of its reasons
    excluded: int
    void: int
    failed: int
    skipped: int

    @property
    def n(self) -> int:
        return self.reached.total()

    @property
    def met(self) -> int:
        return self.reached[_Reached.YES]

    @property
    def not_met(self) -> int:
        return self.reached[_Reached.NO]


def rate_verdict(
    runs: Sequence[RateRun],
    card: Card,
    direction: Direction,
    *,
    skipped: Sequence[Skipped] = (),
    failed: Sequence[Failed] = (),
    ignoring: Collection[str] = (),
    zone: tzinfo,
) -> RateVerdict:
    """The verdict on `direction` (UP or DOWN) from one handoff's runs to endpoints outside the house.

    `skipped` and `failed` are counted beside, for a reader who suspects chosen days; only those that
    name a rate run are. `zone` says which local days the runs lie on. Rules in `ignoring` leave no run out,
    to show what they do. Where the card promises both directions at once, runs of both count as well.
    """
    sample = Sample.look(runs, card, direction, zone=zone)
    return sample.verdict(skipped=skipped, failed=failed, ignoring=ignoring)


class Sample:
    """The runs of one direction beside its card, each looked at once for any number of verdicts."""

    def __init__(self, runs: Sequence[_Looked], card: Card, direction: Direction) -> None:
        self._runs = runs
        self.card, self.direction = card, direction

    @classmethod
    def look(cls, runs: Iterable[RateRun], card: Card, direction: Direction, *, zone: tzinfo) -> Self:
        """All there is, valid or not; `zone` says which local days the runs lie on."""
        needed = card.rate_bps(direction)
        found = [
            _Looked(
                run=run,
                side=side,
                why=evidence.why_left_out(run),
                held=_held_by(side),
                reached=_reached(run, side, card, needed) if needed else None,
                day=day_and_minute(run.started_unix_ns, zone)[0],
            )
            for run, side in evidence.with_side(runs, direction)
        ]
        return cls(found, card, direction)

    def parted(self, by: Callable[[RateRun, date], T]) -> dict[T, Sample]:
        """The same in parts, by what is said of each run and its local day; each part oldest first."""
        parts: dict[T, list[_Looked]] = {}
        for one in self._runs:
            parts.setdefault(by(one.run, one.day), []).append(one)
        return {part: Sample(found, self.card, self.direction) for part, found in parts.items()}

    def counted(self) -> list[tuple[RateRun, RateSide]]:
        """The runs that a verdict counts, oldest first."""
        return [(one.run, one.side) for one in self._sorted_out(())[0]]

    def verdict(
        self,
        *,
        skipped: Sequence[Skipped] = (),
        failed: Sequence[Failed] = (),
        ignoring: Collection[str] = (),
    ) -> RateVerdict:
        """As `rate_verdict` has it."""
        kept, held, others = self._sorted_out(ignoring)
        reached = [one.reached for one in kept if one.reached is not None]
        left_out = Counter(why for one in others for why in one.why or (evidence.BOTH_AT_ONCE,))
        left_out.update(one.held for one in held if one.held is not None)
        void = sum(one.run.standing is Standing.VOID for one in others)
        tally = _Tally(
            reached=Counter(reached),
            effective_n=_effective_n(reached),
            days=len({one.day for one in kept}),
            left_out=left_out,
            excluded=len(others) - void + len(held),
            void=void,
            failed=sum("rate" in one.what for one in failed),
            skipped=sum("rate" in one.what for one in skipped),
        )
        needed = self.card.rate_bps(self.direction)
        word = _word(tally, self.card.met_ratio) if needed else Word.NOT_TESTED
        packet = layers.packet_bytes(kept[-1].side if kept else None)
        return _verdict(word, tally, self.card, self.direction, packet)

    def _sorted_out(self, ignoring: Collection[str]) -> tuple[list[_Looked], list[_Looked], list[_Looked]]:
        """What counts, what something else than the line held, and what a rule left out."""
        ignored = {*ignoring, evidence.BOTH_AT_ONCE} if self.card.both_at_once else set(ignoring)
        found, others = evidence.chosen(self._runs, ignoring=ignored)
        free = ignored | {None}
        held = [one for one in found if one.held not in free]
        return [one for one in found if one.held in free], held, others


def counted(runs: Sequence[RateRun], card: Card, direction: Direction) -> list[tuple[RateRun, RateSide]]:
    """The runs that a verdict counts, with their side of `direction`, oldest first."""
    return Sample.look(runs, card, direction, zone=UTC).counted()


def missed(run: RateRun, side: RateSide, card: Card, direction: Direction) -> bool:
    """Whether a run that counts speaks against the stated rate; never where none is stated."""
    needed = card.rate_bps(direction)
    return bool(needed) and _reached(run, side, card, needed or 0) is _Reached.NO


def delivered(runs: Sequence[RateRun], card: Card, direction: Direction) -> list[tuple[float, float]]:
    """(Unix seconds, delivered / committed) of the runs that count, at the contract's layer; oldest first.

    Without a layer stated, at layer 1, which flatters the line. Empty without a rate stated.
    """
    needed = card.rate_bps(direction)
    layer = Layer.WIRE if card.layer is Layer.NOT_STATED else card.layer
    return [
        (run.started_unix_ns / NS_PER_S, side.rates.at(layer) / needed)
        for run, side in counted(runs, card, direction)
        if needed
    ]


def _effective_n(reached: Sequence[_Reached]) -> float:
    """The fewer of two, oldest run first: for the runs surely met, and for those that may have been."""
    surely = [float(found is _Reached.YES) for found in reached]
    maybe = [float(found is not _Reached.NO) for found in reached]
    return min(sampling.effective_n(surely), sampling.effective_n(maybe))


def decide(met: float, reachable: float, n: float, *, promised: float) -> Word:
    """The word for `met` of `n` independent runs, `reachable` of which met or may have."""
    if n <= 0:
        return Word.NOT_TESTED
    if sampling.supports_at_least(met, n, promised):
        return Word.MET
    return Word.NOT_MET if sampling.supports_below(reachable, n, promised) else Word.UNDECIDED


def _word(tally: _Tally, promised: float) -> Word:
    if not tally.n:
        return Word.NOT_TESTED
    worth = tally.effective_n / tally.n
    return decide(tally.met * worth, (tally.n - tally.not_met) * worth, tally.effective_n, promised=promised)


def _reached(run: RateRun, side: RateSide, card: Card, needed: int) -> _Reached:
    """Where a run stands. With no layer stated, payload must reach the rate to meet it, and even layer 1
    stay below it to miss it; so must a run both ways with the other direction's acknowledgements."""
    stated = card.layer is not Layer.NOT_STATED
    reach = needed * card.reach_ratio
    least = side.rates.at(card.layer) if stated else side.rates.goodput_bps
    most = side.rates.at(card.layer) if stated else side.rates.wire_bps
    way = Direction.UP if run.up is side else Direction.DOWN
    beside_bps = evidence.acknowledgements_bps(run, way, card.layer)
    if least >= reach * (1 + METHOD_ERROR_RATIO):
        return _Reached.YES
    if run.direction is Direction.BOTH and not card.both_at_once:  # the other direction may have cost it
        return _Reached.BOTH_AT_ONCE
    if most + beside_bps < reach * (1 - METHOD_ERROR_RATIO):
        return _Reached.NO
    return _Reached.TOO_CLOSE if stated else _Reached.BY_LAYER


def _held_by(side: RateSide) -> str | None:
    """The code of what else than the line held a valid run down; None for nothing."""
    return f"{side.limited_by}_limit" if side.limited_by in _NOT_THE_LINE else None


def _verdict(
    word: Word, tally: _Tally, card: Card, direction: Direction, packet: dict[Layer, int]
) -> RateVerdict:
    needed = card.rate_bps(direction)
    n, effective = tally.n, tally.effective_n
    worth = effective / n if n else 0.0
    reachable = n - tally.not_met
    more = None
    if word is Word.UNDECIDED:
        more = sampling.runs_to_decide(tally.met, reachable, n, worth=worth, promised=card.met_ratio)
    low = sampling.lower_bound(tally.met * worth, effective)
    high = sampling.upper_bound(reachable * worth, effective)
    asks = needed is not None and card.layer is Layer.NOT_STATED
    return RateVerdict(
        word=word,
        because=_because(word, tally, card, direction, bounds=(low, high), more=more),
        direction=direction,
        needed_bps=needed,
        layer_used=card.layer,
        conversion=layers.conversion(needed, card.layer, packet) if needed else "",
        met_ratio=card.met_ratio,
        n=n,
        effective_n=effective,
        met=tally.met,
        not_met=tally.not_met,
        open_=n - tally.met - tally.not_met,
        share=tally.met / n if n else None,
        bound_low=low,
        bound_high=high,
        excluded=tally.excluded,
        void=tally.void,
        failed=tally.failed,
        skipped=tally.skipped,
        excluded_why=tuple(sorted(tally.left_out.items())),
        days=tally.days,
        more_runs=more,
        more_days=_days_for(more, tally),
        question=layers.layer_question(card, direction) if asks else None,
    )


def _because(
    word: Word,
    tally: _Tally,
    card: Card,
    direction: Direction,
    *,
    bounds: tuple[float, float],
    more: int | None,
) -> str:
    """The verdict's reason as one sentence."""
    needed = card.rate_bps(direction)
    what = layers.DIRECTION_WORDS[direction]
    if needed is None:
        return f"The contract card states no {what} rate, so there is nothing to test against."
    rate = f"{layers.rate_text(needed)} {layers.LAYER_WORDS[card.layer]}"
    if card.reach_ratio != 1:
        rate = f"{_percent(card.reach_ratio)} of {rate}"
    if not tally.n:
        least = sampling.least_runs(0, card.met_ratio)
        wanted = (
            f"; {least} runs that all reach it are the fewest that can support {_percent(card.met_ratio)}"
        )
        return f"No valid run of this time has tested the {what} rate of {rate}{_left_out(tally)}{wanted}."
    low, high = outward(*bounds)
    return (
        f"{what.capitalize()} reached the stated {rate} in {grouped(tally.met)} of "
        f"{quantities.counted(tally.n, 'valid run')} "
        f"on {quantities.counted(tally.days, 'day')}, {_percent(tally.met / tally.n)}; 95 % confidence "
        f"supports at least {_percent(low)} and at most {_percent(high)}, and the share to reach is "
        f"{_percent(card.met_ratio)}{_open(tally)}{_alike(tally)}{_left_out(tally)}"
        f"{_decides(tally, card.met_ratio, more) if word is Word.UNDECIDED else ''}."
    )


def _open(tally: _Tally) -> str:
    """The runs that decide nothing, and why they do not."""
    close = tally.reached[_Reached.TOO_CLOSE]
    between = tally.reached[_Reached.BY_LAYER]
    both = tally.reached[_Reached.BOTH_AT_ONCE]
    said = [
        (
            close,
            f"within {_percent(METHOD_ERROR_RATIO)} of the rate, which is nearer than the method can tell",
        ),
        (
            between,
            "between the layers that could be meant, so the provider must say at which the rate counts",
        ),
        (both, "below it with both directions loaded at once, on which the card is silent"),
    ]
    return "".join(f"; {quantities.counted(count, 'run')} lay {where}" for count, where in said if count)


def _alike(tally: _Tally) -> str:
    if tally.effective_n >= tally.n:
        return ""
    return (
        f"; neighbouring runs resemble each other, so they count as {tally.effective_n:.0f} independent ones"
    )


def _left_out(tally: _Tally) -> str:
    """What does not count, by why: excluded by a rule, void, failed, skipped."""
    why = ", ".join(f"{count} {reason.replace('_', ' ')}" for reason, count in sorted(tally.left_out.items()))
    runs = tally.excluded + tally.void
    said = [f"{quantities.counted(runs, 'run')} ({why})"] if runs else []
    said += [f"{tally.failed} failed"] if tally.failed else []
    said += [f"{tally.skipped} skipped"] if tally.skipped else []
    return f"; left out: {', '.join(said)}" if said else ""


def _decides(tally: _Tally, promised: float, more: int | None) -> str:
    """How many more runs would decide, or why none would."""
    if more is not None:
        days = quantities.counted(_days_for(more, tally) or 0, "day")
        runs = quantities.counted(more, "more run")
        return f"; {runs} ({days} at this pace) would decide if the share stays as it is"
    if tally.met < promised * tally.n < tally.n - tally.not_met:
        return "; more runs like these would not decide"
    return "; so near to that share no number of runs within reach decides"


def _days_for(more: int | None, tally: _Tally) -> int | None:
    """How many days more runs take, at as many a day as on those that had any."""
    return None if more is None or not tally.n else math.ceil(more * tally.days / tally.n)


def _percent(share: float) -> str:
    """A share in percent to one decimal, two where a promise is that fine (99.93 %)."""
    return f"{round(share * 100, 2 if share > 0.99 else 1):g} %"
