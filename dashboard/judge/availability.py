"""Availability of a handoff over a time, under the contract's rule and, for information, under the others.

A gap in measuring is neither good nor bad: it leaves the figure, and the best and the worst case say what
it allows. So do seconds of which the record does not say enough, outages of which nothing tells whether they
were the line's, and time in which the house's own network was down. The outage of the best case is sure; a
credit rests on that. Pure. Imports loss_grid, outages, works and months.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise

import numpy as np

from dashboard.judge import loss_grid, outages, works
from dashboard.judge.loss_grid import Piece, State, States
from dashboard.judge.outages import Rule, Spans
from dashboard.judge.verdict import Word
from dashboard.judge.works import Counted, Excuse, Ticket, Works
from store.terms import AvailabilityTerms, CountsFrom, ExcludedTime, OutageRule


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a record shows of one handoff: its trains in pieces by endpoint, and what else rules look at.

    `carrier` are (when, lost) of the port, `rates` (when, delivered / committed) of runs that count, oldest
    first; None where the record has no word of it, as of a carrier that nobody watched. `spacing_s` is the
    time between two packets of the slowest train.
    """

    outside: Mapping[str, Sequence[Piece]]
    house: Mapping[str, Sequence[Piece]]
    spacing_s: float | None
    tickets: Sequence[Ticket] = ()
    works: Sequence[Works] = ()
    carrier: Sequence[tuple[float, bool]] | None = None
    rates: Sequence[tuple[float, float]] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Time:
    """From `from_s` to `until_s` of the contract; what is after `now_s` has not been yet.

    `excused_s` were excused earlier in the same month, and count towards its cap.
    """

    from_s: int
    until_s: int
    now_s: int
    excused_s: float = 0

    @property
    def seconds(self) -> int:
        return self.until_s - self.from_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """A time under one rule.

    Ratios are None where nothing was seen. `down_s` is the outage that counts within the time that was
    seen, `sure_down_s` what is outage however the unseen was, `most_down_s` if all of it was. `watched_s`
    was good or bad for sure; of the rest until now `unwatched_s` was not measured, `unsure_s` could be
    either, `house_s` had the house's own network down, `unplaced_s` was bad, and nothing tells whose.
    `outages` are those seen, `unplaced` those that may be the line's, `raw` those seen before anything
    was excused or cut to the time. Shorter than `floor_s` is no outage here; each end is known to
    `bound_s`. None where the rule has no such figure.
    """

    rule: Rule
    word: Word
    because: str
    ratio: float | None
    best_ratio: float | None
    worst_ratio: float | None
    period_s: int
    watched_s: int
    unwatched_s: int
    unsure_s: int
    house_s: int
    unplaced_s: int
    down_s: int
    sure_down_s: int
    most_down_s: int
    excused_s: int
    leaves_s: int  # of what is excused, what leaves the period by the contract
    outages: tuple[Counted, ...]
    unplaced: Spans
    unseen: Spans  # times until now that were not measured, where the rule looks at trains
    raw: Spans
    floor_s: float | None
    bound_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """The contract's count, None where the card names no rule, and those by every rule, its own first."""

    promised: float | None
    contract: Count | None
    counts: tuple[Count, ...]
    excuse: Excuse


@dataclass(frozen=True, slots=True, kw_only=True)
class _Terms:
    """What a count goes by, the readings filled in where the contract is silent."""

    promised: float | None
    cap_s: int | None
    counts_from: CountsFrom
    overruns_count: bool
    leaves: bool
    where: tzinfo


def judge(
    seen: Seen,
    *,
    terms: AvailabilityTerms,
    promised: float | None,
    maintenance_cap_s: int | None,
    time: Time,
    where: tzinfo,
    only: OutageRule | None = None,
) -> Availability:
    """Every rule's count of the time; with `only` that of one rule alone."""
    by = _Terms(
        promised=promised,
        cap_s=maintenance_cap_s,
        counts_from=terms.counts_from or CountsFrom.DETECTION,
        overruns_count=terms.overruns_count is not False,
        leaves=terms.excluded_time is ExcludedTime.LEAVES,
        where=where,
    )
    excuse = works.excuse(seen.works, terms, where)
    rules = [rule for rule in outages.rules(terms) if only is None or rule.rule is only]
    counts = tuple(_count(rule, seen, time, by, excuse) for rule in rules)
    contract = counts[0] if counts and terms.rule is counts[0].rule.rule else None
    return Availability(promised=promised, contract=contract, counts=counts, excuse=excuse)


def _count(rule: Rule, seen: Seen, time: Time, by: _Terms, excuse: Excuse) -> Count:
    if rule.of_trains:
        return _by_trains(rule, seen, time, by, excuse)
    spans, known = _by_others(rule, seen, time)
    down, excused_s, counted = _net(spans, seen, by, excuse, time)
    now_s = max(time.from_s, min(time.until_s, time.now_s))
    unseen = _unwatched(rule, seen, spans, (float(time.from_s), float(now_s)))
    unseen_s = round(outages.total_s(unseen))
    cases = (down, down, down + unseen_s + time.until_s - now_s)
    return _told(
        rule,
        time,
        by,
        cases=cases,
        watched_s=now_s - time.from_s - unseen_s if known else 0,
        excused_s=excused_s,
        counted=counted,
        raw=spans,
        tally={State.UNMEASURED: unseen_s},
        unseen=unseen,
    )


def _unwatched(rule: Rule, seen: Seen, spans: Spans, time: tuple[float, float]) -> Spans:
    """When nobody looked: at the carrier while no train went, since the probe that looks sends trains as
    well; at the rate where runs lie too far apart. Tickets leave nothing."""
    if rule.rule is OutageRule.RATE:
        runs = [time[0], *(at_s for at_s, _ in seen.rates or ()), time[1]]
        far = [(one, next_) for one, next_ in pairwise(runs) if next_ - one > outages.RUNS_APART_S]
        return [part for gap in far for part in outages.without(gap, spans)]
    if rule.rule is not OutageRule.SIGNAL_LOSS:
        return []
    trains = [*seen.outside.values(), *seen.house.values()]
    watched = outages.merged([*spans, *((one.from_s, one.to_s) for pieces in trains for one in pieces)])
    return outages.without(time, watched)


def _by_others(rule: Rule, seen: Seen, time: Time) -> tuple[Spans, bool]:
    """The outages by a rule that looks at no train, and whether there is anything to look at."""
    now_s = float(min(time.now_s, time.until_s))
    match rule.rule:
        case OutageRule.TICKET:
            spans = [(one.opened_s, now_s if one.closed_s is None else one.closed_s) for one in seen.tickets]
            return outages.merged(spans), bool(seen.tickets)
        case OutageRule.SIGNAL_LOSS:
            return outages.of_changes(seen.carrier or (), until_s=now_s), seen.carrier is not None
    return outages.of_rates(seen.rates or (), rule), bool(seen.rates)


def _by_trains(rule: Rule, seen: Seen, time: Time, by: _Terms, excuse: Excuse) -> Count:
    grid = outages.grid_of(rule, time.from_s, time.until_s)
    outside = [loss_grid.states(pieces, grid) for pieces in seen.outside.values()]
    house = [loss_grid.states(pieces, grid) for pieces in seen.house.values()]
    states = loss_grid.together(outside, house)
    if not len(states):
        states = np.zeros(grid.intervals, dtype=np.uint8)
    states[max(0, -(-(time.now_s - grid.from_s) // grid.interval_s)) :] = State.UNMEASURED
    good, bad = {State.GOOD}, {State.BAD}
    every = set(State)
    spans = outages.of_states(states, grid, rule, bad=bad, good=good)
    sure = outages.of_states(states, grid, rule, bad=bad, good=every - bad)
    most = outages.of_states(states, grid, rule, bad=every - good, good=good)
    perhaps = outages.of_states(
        states, grid, rule, bad={State.BAD, State.UNPLACED}, good={State.GOOD, State.HOUSE}
    )
    down, excused_s, counted = _net(spans, seen, by, excuse, time)
    tally = _tally(states, grid, time)
    down -= _unseen_within(states, grid, [part for one in counted for part in one.counts])
    unplaced = [part for one in perhaps for part in outages.without(one, spans)]
    return _told(
        rule,
        time,
        by,
        cases=(down, _net(sure, seen, by, excuse, time)[0], _net(most, seen, by, excuse, time)[0]),
        watched_s=tally[State.GOOD] + tally[State.BAD],
        excused_s=excused_s,
        counted=counted,
        raw=spans,
        tally=tally,
        unplaced=outages.within(unplaced, time.from_s, time.until_s),
        unseen=outages.within(_unseen(states, grid), time.from_s, min(time.until_s, time.now_s)),
        floor_s=float((rule.intervals or 1) * (rule.interval_s or 1)),
        bound_s=None if seen.spacing_s is None else (rule.interval_s or 1) + seen.spacing_s,
    )


def _net(
    spans: Spans, seen: Seen, by: _Terms, excuse: Excuse, time: Time
) -> tuple[int, int, tuple[Counted, ...]]:
    """Seconds that count, seconds excused, and the outages, all within the time."""
    mine = outages.within(spans, time.from_s, time.until_s)
    excused = works.capped(
        mine, excuse.spans, cap_s=by.cap_s, where=by.where, used=(time.from_s, time.excused_s)
    )
    counted = works.count(
        mine,
        excused=excused,
        tickets=seen.tickets,
        counts_from=by.counts_from,
        overruns_count=by.overruns_count,
    )
    return round(sum(one.seconds for one in counted)), round(sum(one.excused_s for one in counted)), counted


def _tally(states: States, grid: loss_grid.Grid, time: Time) -> dict[int, int]:
    """Seconds of each state in the time, as far as it has been."""
    first = (time.from_s - grid.from_s) // grid.interval_s
    last = first + -(-(min(time.until_s, max(time.now_s, time.from_s)) - time.from_s) // grid.interval_s)
    counts = np.bincount(states[first:last], minlength=len(State))
    return {state: int(counts[state]) * grid.interval_s for state in State}


def _unseen_within(states: States, grid: loss_grid.Grid, spans: Spans) -> int:
    """Seconds of these outages that nobody saw: neither good nor bad."""
    unseen = 0
    for low, high in spans:
        first, last = (round((at - grid.from_s) / grid.interval_s) for at in (low, high))
        part = states[first:last]
        unseen += int(np.count_nonzero((part != State.GOOD) & (part != State.BAD))) * grid.interval_s
    return unseen


def _unseen(states: States, grid: loss_grid.Grid) -> Spans:
    return [
        (float(grid.from_s + low * grid.interval_s), float(grid.from_s + high * grid.interval_s))
        for state, low, high in loss_grid.runs(states)
        if state == State.UNMEASURED
    ]


def _told(
    rule: Rule,
    time: Time,
    by: _Terms,
    *,
    cases: tuple[int, int, int],
    watched_s: int,
    excused_s: int,
    counted: tuple[Counted, ...],
    raw: Spans,
    tally: Mapping[int, int] | None = None,
    unplaced: Spans | None = None,
    unseen: Spans | None = None,
    floor_s: float | None = None,
    bound_s: float | None = None,
) -> Count:
    down, sure, most = cases
    leaves_s = excused_s if by.leaves else 0
    ratio = ratio_of(down, watched_s, leaves_s)
    best, worst = (ratio_of(each, time.seconds, leaves_s) if watched_s else None for each in (sure, most))
    word = _word(best, worst, by.promised)
    found = tally or {}
    return Count(
        rule=rule,
        word=word,
        because=_because(
            word, (ratio, best, worst), by.promised, down_s=down, period_s=time.seconds - leaves_s
        ),
        ratio=ratio,
        best_ratio=best,
        worst_ratio=worst,
        period_s=time.seconds,
        watched_s=watched_s,
        unwatched_s=found.get(State.UNMEASURED, 0),
        unsure_s=found.get(State.UNSURE, 0),
        house_s=found.get(State.HOUSE, 0),
        unplaced_s=found.get(State.UNPLACED, 0),
        down_s=down,
        sure_down_s=sure,
        most_down_s=most,
        excused_s=excused_s,
        leaves_s=leaves_s,
        outages=counted,
        unplaced=unplaced or [],
        unseen=unseen or [],
        raw=raw,
        floor_s=floor_s,
        bound_s=bound_s,
    )


def ratio_of(down_s: float, of_s: float, leaves_s: float = 0) -> float | None:
    """(T - excluded - down) / (T - excluded); None of no time."""
    return (of_s - leaves_s - down_s) / (of_s - leaves_s) if of_s > leaves_s else None


def allowed_s(promised: float, period_s: int) -> float:
    """How long outages may last in all so that the promise is kept."""
    return (1 - promised) * period_s


def _word(best: float | None, worst: float | None, promised: float | None) -> Word:
    if promised is None or best is None or worst is None:
        return Word.NOT_TESTED
    if best < promised:
        return Word.NOT_MET
    return Word.MET if worst >= promised else Word.UNDECIDED


def _because(
    word: Word,
    ratios: tuple[float | None, float | None, float | None],
    promised: float | None,
    *,
    down_s: int,
    period_s: int,
) -> str:
    ratio, best, worst = ratios
    if ratio is None or best is None or worst is None:
        return "Nothing on record says anything by this rule."
    seen = f"{percent(ratio, promised)} available, {minutes(down_s)} of outage"
    case = f"what was not seen allows {percent(worst, promised)} to {percent(best, promised)}"
    whole = best == worst
    if promised is None:
        return f"{seen}." if whole else f"{seen}; {case}."
    allows = f"{percent(promised)} is promised, which allows {minutes(allowed_s(promised, period_s))}"
    return f"{seen}; {allows}: {word}." if whole else f"{seen}; {allows}; {case}: {word}."


def percent(ratio: float, promised: float | None = None) -> str:
    """A ratio in percent to three decimals, more where it would else look like the promise, or whole, and is
    not."""
    others = [one for one in (promised, 1.0) if one is not None and one != ratio]
    for digits in (3, 4, 5, 6):
        text = f"{100 * ratio:.{digits}f}"
        if float(text) not in [round(100 * one, digits) for one in others]:
            break
    return f"{text} %"


def minutes(seconds: float) -> str:
    """A time as statements have it: minutes, with seconds where there are any."""
    whole, rest = divmod(round(seconds), 60)
    return f"{whole} min {rest} s" if rest else f"{whole} min"
