"""The handoffs of one contract together: the total rate, what they share, and what is for failover only.

A service sold as a total is often delivered as several handoffs. Each may pass alone while both at once do
not: the device's uplink, or the aggregate behind it, is then short. What they share decides whether one fault
takes them all; a product of two availabilities says nothing where it does. Pure.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dashboard.judge import contract
from dashboard.judge.contract import METHOD_ERROR_RATIO
from dashboard.judge.layers import DIRECTION_WORDS, LAYER_WORDS, rate_text
from dashboard.judge.verdict import Word
from store.card import Card
from store.clock import NS_PER_S
from store.layers import Layer
from store.records import Direction, RateRun

_AT_ONCE = 0.9  # of the shorter run, so that runs of two handoffs count as at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One handoff with its card and its runs to endpoints outside."""

    name: str
    card: Card
    runs: Sequence[RateRun] = ()
    failover_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """The rate of all handoffs at once in one direction. `n` are moments at which all of them had a run.

    `needed_bps` is the stated total, or the sum of rates that the cards promise at once; None for neither.
    """

    direction: Direction
    word: Word
    because: str
    needed_bps: int | None
    n: int
    met: int
    not_met: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """The handoffs of a contract side by side; `shares` says what one fault takes, in sentences."""

    handoffs: tuple[str, ...]
    totals: tuple[Total, ...]
    shares: tuple[str, ...]


def together(parts: Sequence[Part]) -> Together | None:
    """What can be said of them as one; None for fewer than two."""
    if len(parts) < 2:
        return None
    return Together(
        handoffs=tuple(part.name for part in parts),
        totals=tuple(_total(parts, way) for way in (Direction.UP, Direction.DOWN)),
        shares=tuple(_shares(parts)),
    )


def _total(parts: Sequence[Part], way: Direction) -> Total:
    needed, whence = _needed(parts, way)
    layers = {part.card.layer for part in parts}
    layer = layers.pop() if len(layers) == 1 else Layer.NOT_STATED
    sums = list(_sums(parts, way, layer))
    reach = max(part.card.reach_ratio for part in parts)
    what, names = DIRECTION_WORDS[way], _and([part.name for part in parts])
    if needed is None:
        because = f"The cards state neither a total {what} rate of {names} nor that their rates hold at once."
        return _said(way, Word.NOT_TESTED, because, None, (0, 0, 0))
    rate = f"{rate_text(needed)} {LAYER_WORDS[layer]}"
    if not sums:
        because = (
            f"No full runs of {names} went at the same time, so the {what} {whence} of {rate} is not tested."
        )
        return _said(way, Word.NOT_TESTED, because, needed, (0, 0, 0))
    met = sum(low >= needed * reach * (1 + METHOD_ERROR_RATIO) for low, _ in sums)
    missed = sum(high < needed * reach * (1 - METHOD_ERROR_RATIO) for _, high in sums)
    promised = max(part.card.met_ratio for part in parts)
    word = contract.decide(met, len(sums) - missed, len(sums), promised=promised)
    middle = sorted(low for low, _ in sums)[(len(sums) - 1) // 2]
    because = (
        f"{names} at once reached the {what} {whence} of {rate} in {met} of {len(sums)} runs, the middle one "
        f"{rate_text(middle)}, and missed it in {missed}; {promised * 100:g} % of runs are to reach it."
    )
    return _said(way, word, because, needed, (len(sums), met, missed))


def _said(
    way: Direction, word: Word, because: str, needed: int | None, counts: tuple[int, int, int]
) -> Total:
    n, met, missed = counts
    return Total(direction=way, word=word, because=because, needed_bps=needed, n=n, met=met, not_met=missed)


def _needed(parts: Sequence[Part], way: Direction) -> tuple[int | None, str]:
    """The stated total, or the sum of rates that are to hold at once; and what it is called."""
    totals = {part.card.total_bps for part in parts if part.card.total_bps is not None}
    if totals:
        return min(totals), "total"
    names = {part.name for part in parts}
    rates = [part.card.rate_bps(way) for part in parts]
    at_once = any(names - {part.name} <= set(part.card.at_once_with or ()) for part in parts)
    if not at_once or None in rates:
        return None, "total"
    return sum(rate or 0 for rate in rates), "sum of their rates"


def _sums(parts: Sequence[Part], way: Direction, layer: Layer) -> list[tuple[int, int]]:
    """The lowest and the highest reading of each moment's sum; they differ where no layer is stated."""
    first, *rest = parts
    beside = [_Full(_full(part, way)) for part in rest]
    found = []
    for run in _full(first, way):
        others = [one.at_once_with(run) for one in beside]
        runs = [run, *(other for other in others if other is not None)]
        if len(runs) < len(parts):
            continue
        rates = [each.sides()[way].rates for each in runs]
        if layer is Layer.NOT_STATED:
            found.append((sum(one.goodput_bps for one in rates), sum(one.wire_bps for one in rates)))
        else:
            found.append((sum(one.at(layer) for one in rates),) * 2)
    return found


def _full(part: Part, way: Direction) -> list[RateRun]:
    """Runs at full rate that have this direction, both at once as well: the sum asks for all together."""
    return [run for run, _ in contract.counted(part.runs, replace(part.card, both_at_once=True), way)]


class _Full:
    """Runs of one handoff by their start, so that the one beside another run is found without a walk."""

    def __init__(self, runs: Sequence[RateRun]) -> None:
        self._runs = sorted(runs, key=lambda one: one.started_unix_ns)
        self._starts = [one.started_unix_ns for one in self._runs]
        self._longest_ns = round(max((one.seconds for one in runs), default=0.0) * NS_PER_S)

    def at_once_with(self, run: RateRun) -> RateRun | None:
        start_ns = run.started_unix_ns
        first = bisect_left(self._starts, start_ns - self._longest_ns)
        after = bisect_left(self._starts, start_ns + round(run.seconds * NS_PER_S))
        return next((other for other in self._runs[first:after] if _overlap(run, other)), None)


def _overlap(one: RateRun, other: RateRun) -> bool:
    start_ns = max(one.started_unix_ns, other.started_unix_ns)
    end_ns = min(each.started_unix_ns + each.seconds * NS_PER_S for each in (one, other))
    return end_ns - start_ns >= _AT_ONCE * min(one.seconds, other.seconds) * NS_PER_S


def _shares(parts: Sequence[Part]) -> list[str]:
    names = _and([part.name for part in parts])
    shared, unknown = [], []
    for what in ("device", "uplink", "power", "fibre"):
        said = [dict(part.card.shared())[what] for part in parts]
        if any(each for each in said if each):
            shared.append(what)
        elif any(each is None for each in said):
            unknown.append(what)
    found = []
    if shared:
        found.append(
            f"{names} share {_and(shared)}: one fault there takes them together, so their availabilities may "
            "not be multiplied."
        )
    if unknown:
        found.append(f"Whether {names} share {_and(unknown)} is not stated; until it is, count them as one.")
    if not shared and not unknown:
        found.append(f"By their cards {names} share nothing that is asked for.")
    standby = [part.name for part in parts if part.failover_only]
    if standby:
        are = "is" if len(standby) == 1 else "are"
        found.append(
            f"{_and(standby)} {are} used for failover only: the house never has the total, and what is paid "
            "for both is carried by one."
        )
    return found


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
