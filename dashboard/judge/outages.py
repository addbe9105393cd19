"""What counts as an outage, by each of the six rules of the trade, and the outages that a record shows.

Three rules look at trains, interval by interval: so many bad ones in a row open an outage, counted from the
first of them, and so many good ones in a row end it, counted from the first of those. Three look at something
else: the provider's tickets, the carrier of the port, rate runs. Pure. Imports loss_grid and store.terms.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dashboard.judge import loss_grid
from dashboard.judge.loss_grid import Grid, State, States
from store.terms import AvailabilityTerms, OutageRule

Spans = list[tuple[float, float]]  # from, to in Unix seconds; oldest first, apart


RUNS_APART_S = 2 * 86_400  # runs planned once a day, each at a chance moment, are no further apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule with its values; those of trains alone have all four, a rate rule the ratio and `interval_s`.

    `source` says where the values come from where the contract does not state them.
    """

    rule: OutageRule
    over_ratio: float | None = None
    interval_s: int | None = None
    intervals: int | None = None
    good_intervals: int | None = None
    source: str

    @property
    def of_trains(self) -> bool:
        return self.rule in _OF_TRAINS

    def said(self) -> str:
        """The rule as a clause."""
        if self.of_trains:
            over, every = f"{100 * (self.over_ratio or 0):g} %", _seconds(self.interval_s or 0)
            many, good = self.intervals or 1, self.good_intervals or 1
            row = f"{many} intervals of {every} in a row" if many > 1 else f"an interval of {every}"
            return f"{row} with loss over {over}, ended by {good} without"
        match self.rule:
            case OutageRule.TICKET:
                return "from the moment a ticket is opened until the provider closes it"
            case OutageRule.SIGNAL_LOSS:
                return "the port has no carrier"
        share, long = f"{100 * (self.over_ratio or 0):g} %", _seconds(self.interval_s or 0)
        return f"runs below {share} of the committed rate for {long}"


_OF_TRAINS = (OutageRule.SEVERE_SECONDS, OutageRule.SLIDING_WINDOW, OutageRule.INTERVAL_LOSS)
_NO_SOURCE = "common practice, no source"
_USUAL = {
    OutageRule.SEVERE_SECONDS: Rule(
        rule=OutageRule.SEVERE_SECONDS,
        over_ratio=0.5,
        interval_s=1,
        intervals=10,
        good_intervals=10,
        source="ITU-T Y.1563, from memory",
    ),
    OutageRule.SLIDING_WINDOW: Rule(
        rule=OutageRule.SLIDING_WINDOW,
        over_ratio=0.1,
        interval_s=1,
        intervals=10,
        good_intervals=10,
        source="form: MEF 10.2.1; values: our own, a contract states them",
    ),
    OutageRule.INTERVAL_LOSS: Rule(
        rule=OutageRule.INTERVAL_LOSS,
        over_ratio=0.2,
        interval_s=60,
        intervals=1,
        good_intervals=1,
        source="ITU-T Y.1540, editions of 2016 and later, from memory; earlier ones had 75 % and 5 min",
    ),
    OutageRule.TICKET: Rule(rule=OutageRule.TICKET, source=_NO_SOURCE),
    OutageRule.SIGNAL_LOSS: Rule(rule=OutageRule.SIGNAL_LOSS, source=_NO_SOURCE),
    OutageRule.RATE: Rule(rule=OutageRule.RATE, over_ratio=0.5, interval_s=900, source=_NO_SOURCE),
}


def rules(terms: AvailabilityTerms) -> tuple[Rule, ...]:
    """The contract's own rule first, where it names one, with its values; then the others as usual."""
    others = [_USUAL[rule] for rule in OutageRule if rule is not terms.rule]
    if terms.rule is None:
        return tuple(others)
    usual = _USUAL[terms.rule]
    stated = (terms.threshold_ratio, terms.interval_s, terms.intervals, terms.good_intervals)
    pairs = zip(
        stated, (usual.over_ratio, usual.interval_s, usual.intervals, usual.good_intervals), strict=True
    )
    over, every, many, good = (usual_ if own is None else own for own, usual_ in pairs)
    own = Rule(
        rule=terms.rule,
        over_ratio=over,
        interval_s=None if every is None else int(every),
        intervals=None if many is None else int(many),
        good_intervals=None if good is None else int(good),
        source="the contract card" if any(each is not None for each in stated) else usual.source,
    )
    return (own, *others)


def grid_of(rule: Rule, from_s: int, until_s: int) -> Grid:
    """The intervals of a rule over a time, with some before it, where an outage may have opened.

    They begin at `from_s` and so many whole intervals before it.
    """
    if rule.interval_s is None or rule.over_ratio is None or rule.intervals is None:
        raise ValueError(f"the rule {rule.rule} does not look at trains")
    before = max(-(-_BEFORE_S // rule.interval_s), 2 * rule.intervals)
    return Grid(
        from_s=from_s - before * rule.interval_s,
        intervals=before + -(-(until_s - from_s) // rule.interval_s),
        interval_s=rule.interval_s,
        over_ratio=rule.over_ratio,
        in_a_row=rule.intervals,
    )


_BEFORE_S = 3600


def of_states(
    states: States, grid: Grid, rule: Rule, *, bad: Collection[State], good: Collection[State]
) -> Spans:
    """The outages of a time, where states neither `bad` nor `good` open nothing and end nothing."""
    codes = np.zeros(len(states), dtype=np.uint8)
    for state in bad:
        codes[states == state] = _BAD
    for state in good:
        codes[states == state] = _GOOD
    found: Spans = []
    opened: int | None = None
    seen = 0  # after the last interval that said anything
    for code, low, high in loss_grid.runs(codes):
        if code == _BAD and opened is None and high - low >= (rule.intervals or 1):
            opened = low
        if code == _GOOD and opened is not None and high - low >= (rule.good_intervals or 1):
            found.append((_at(opened, grid), _at(low, grid)))
            opened = None
        seen = high if code else seen
    if opened is not None:
        found.append((_at(opened, grid), _at(seen, grid)))
    return found


_BAD, _GOOD = 2, 1


def _at(interval: int, grid: Grid) -> float:
    return float(grid.from_s + interval * grid.interval_s)


def of_changes(changes: Iterable[tuple[float, bool]], *, until_s: float) -> Spans:
    """The times between a change to bad (True) and the next one to good; a last bad one lasts `until_s`."""
    found: Spans = []
    since: float | None = None
    for at_s, is_bad in sorted(changes, key=lambda each: each[0]):
        if is_bad and since is None:
            since = at_s
        elif not is_bad and since is not None:
            found.append((since, at_s))
            since = None
    if since is not None and since < until_s:
        found.append((since, until_s))
    return found


def of_rates(reached: Sequence[tuple[float, float]], rule: Rule) -> Spans:
    """Times in which every run was below the rule's share of the rate, for as long as the rule asks.

    `reached` are (when, delivered / committed), oldest first. Such a time lasts from the first low run to the
    next that is not; after the last run, and where the next one is too far (`RUNS_APART_S`), nobody knows.
    """
    found: Spans = []
    since: float | None = None
    last = 0.0
    for at_s, ratio in reached:
        if since is not None and at_s - last > RUNS_APART_S:
            found.append((since, last))
            since = None
        if ratio < (rule.over_ratio or 0):
            since = at_s if since is None else since
        elif since is not None:
            found.append((since, at_s))
            since = None
        last = at_s
    if since is not None:
        found.append((since, last))
    return [(low, high) for low, high in found if high - low >= (rule.interval_s or 0)]


def merged(spans: Iterable[tuple[float, float]]) -> Spans:
    """The same time in spans that do not touch, oldest first."""
    found: Spans = []
    for low, high in sorted(spans):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], high))
        elif high > low:
            found.append((low, high))
    return found


def within(spans: Iterable[tuple[float, float]], low: float, high: float) -> Spans:
    """What of the spans lies between the two."""
    return [(max(a, low), min(b, high)) for a, b in spans if min(b, high) > max(a, low)]


def without(span: tuple[float, float], holes: Iterable[tuple[float, float]]) -> Spans:
    """What is left of a span outside of `holes`, which are apart."""
    found, at = [], span[0]
    for low, high in within(holes, *span):
        if low > at:
            found.append((at, low))
        at = max(at, high)
    if span[1] > at:
        found.append((at, span[1]))
    return found


def total_s(spans: Iterable[tuple[float, float]]) -> float:
    return sum(high - low for low, high in spans)


def _seconds(seconds: int) -> str:
    if seconds % 3600 == 0:
        return f"{seconds // 3600} h"
    return f"{seconds // 60} min" if seconds % 60 == 0 else f"{seconds} s"
