"""The exclusions ledger of every verdict but those on rates, read from the record.

Availability, delay and loss over a time; each row of the acceptance sheet; the answer for each stream plan:
each is judged with every rule, without each one, and without any. Reads with a `Reader`, so it runs in that
reader's thread. Imports the judges and those who read for them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

from dashboard import acceptance, history, quality, seen
from dashboard.judge import availability, comparable, evidence, outages
from dashboard.judge.acceptance import row_verdict
from dashboard.judge.acceptance_material import Material
from dashboard.judge.acceptance_rows import ROWS
from dashboard.judge.availability import Count, Seen, Time
from dashboard.judge.lifted import Effects, Outcome, codes_of, effects, lifted
from dashboard.judge.loss_grid import Piece
from store.cells import Length
from store.clock import NS_PER_S, zone
from store.quantities import counted
from store.reader import Reader
from store.records import Direction, RateRun, Stall, TrainSpan
from store.site import Handoff, Site, StreamPlan, Where
from store.terms import OutageRule

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledgers:
    """A handoff's verdicts with and without each of their rules."""

    availability: Effects
    quality: tuple[Effects, ...]
    acceptance: tuple[Effects, ...]
    plans: tuple[Effects, ...]

    @property
    def all(self) -> tuple[Effects, ...]:
        """In the order in which a person reads them."""
        return (self.availability, *self.quality, *self.acceptance, *self.plans)


def read(reader: Reader, site: Site, handoff: Handoff, *, now_unix_ns: int, seconds: int) -> Ledgers:
    """Those of the last `seconds`; the sheet and the plans have times of their own."""
    until_s = now_unix_ns // NS_PER_S
    card = handoff.card_at(now_unix_ns)
    own = replace(handoff, card=card, earlier=())
    count, available = _availability(reader, site, own, from_s=until_s - seconds, until_s=until_s)
    return Ledgers(
        availability=available,
        quality=tuple(_quality(reader, site, own, count, from_s=until_s - seconds, until_s=until_s)),
        acceptance=tuple(_acceptance(reader, site, handoff, now_unix_ns=now_unix_ns)),
        plans=tuple(
            _plan(reader, site, plan, now_unix_ns=now_unix_ns)
            for plan in site.plans
            if plan.handoff == handoff.name
        ),
    )


# Availability


def _availability(
    reader: Reader, site: Site, handoff: Handoff, *, from_s: int, until_s: int
) -> tuple[Count, Effects]:
    codes = _minutes(reader, site, handoff, from_s=from_s, until_s=until_s, houses=True)

    @cache
    def found(ignoring: frozenset[str]) -> Seen:
        return seen.read(reader, site, handoff, from_s=from_s, until_s=until_s, ignoring=ignoring)

    @cache
    def count(codes: frozenset[str]) -> Count:
        given = _without(found(codes & frozenset(every)), codes)
        return max((_count(site, handoff, one, from_s, until_s) for one in given), key=_down)

    every = [*codes]
    whole = count(frozenset())
    left_out = {
        code: counted(minutes, "minute of trains", "minutes of trains") for code, minutes in codes.items()
    }
    if whole.excused_s:
        left_out["works"] = f"{availability.minutes(whole.excused_s)} of outage"
    if whole.house_s:
        left_out["house"] = availability.minutes(whole.house_s)
    alone = _down(count(frozenset({"one_endpoint"}))) - _down(whole)
    if alone:
        left_out["one_endpoint"] = f"{availability.minutes(alone)} towards one endpoint alone"

    def judged(codes: Collection[str]) -> Outcome:
        one = count(frozenset(codes))
        return Outcome(word=str(one.word), because=one.because)

    return whole, effects("Availability", left_out, judged)


def _without(found: Seen, codes: Collection[str]) -> list[Seen]:
    """What was seen as if rules did not hold; one for each endpoint where that rule is gone."""
    if "works" in codes:
        found = replace(found, works=())
    if "house" in codes:
        found = replace(found, house={name: _clean(pieces) for name, pieces in found.house.items()})
    if "one_endpoint" in codes and found.outside:
        # the same endpoint twice is both of two that have to agree
        pairs = [{name: pieces, f"{name} again": pieces} for name, pieces in found.outside.items()]
        return [replace(found, outside=pair) for pair in pairs]
    return [found]


def _clean(pieces: Sequence[Piece]) -> list[Piece]:
    return [replace(one, lost_up=0.0, lost_down=0.0, lost_unknown=0.0) for one in pieces]


def _count(site: Site, handoff: Handoff, found: Seen, from_s: int, until_s: int) -> Count:
    """By the contract's rule, or by severe seconds where it names none."""
    card = handoff.card
    return availability.judge(
        found,
        terms=card.outages,
        promised=card.availability_ratio,
        maintenance_cap_s=card.maintenance_cap_s,
        time=Time(from_s=from_s, until_s=until_s, now_s=until_s),
        where=zone(site.timezone),
        only=card.outages.rule or OutageRule.SEVERE_SECONDS,
    ).counts[0]


def _down(count: Count) -> int:
    return count.down_s


# Delay and loss


def _quality(
    reader: Reader, site: Site, handoff: Handoff, count: Count, *, from_s: int, until_s: int
) -> Iterator[Effects]:
    out = outages.merged([*count.raw, *count.unplaced])
    codes = _minutes(reader, site, handoff, from_s=from_s, until_s=until_s)

    @cache
    def found(ignoring: frozenset[str]) -> Mapping[str, quality.Quality]:
        return {
            one.endpoint: one
            for one in quality.read(
                reader,
                site,
                handoff,
                from_s=from_s,
                until_s=until_s,
                without=[] if "outages" in ignoring else out,
                ignoring=ignoring - {"outages"},
            )
        }

    for endpoint, one in found(frozenset()).items():
        left_out = {code: counted(minutes, "minute") for code, minutes in codes.items()}
        if out:
            left_out["outages"] = availability.minutes(outages.total_s(out))

        def judged(codes: Collection[str], endpoint: str = endpoint) -> Outcome:
            that = found(frozenset(codes))[endpoint]
            return Outcome(
                word=str(quality.word(that, handoff.card)),
                because=" ".join(promise.because for promise in that.promises),
            )

        yield effects(f"Delay and loss to {one.endpoint}", left_out, judged)


def _minutes(
    reader: Reader, site: Site, handoff: Handoff, *, from_s: int, until_s: int, houses: bool = False
) -> Counter[str]:
    """How many minutes of trains each rule left out, those to the house too if `houses`; most first."""
    outside = {one.name for one in site.endpoints if houses or one.where is Where.OUTSIDE}
    counts = Counter[str]()
    for owner, endpoint in reader.paths():
        if owner == handoff.name and endpoint in outside:
            for one in reader.train_sums(
                handoff=owner,
                endpoint=endpoint,
                since_ns=from_s * NS_PER_S,
                until_ns=until_s * NS_PER_S,
                longest=Length.DAY,
                histograms=False,
                pdv=False,
            ):
                for code, left in one.excluded.items():
                    counts[code] += left.spans
    return Counter(dict(counts.most_common()))


# Acceptance


def _acceptance(reader: Reader, site: Site, handoff: Handoff, *, now_unix_ns: int) -> Iterator[Effects]:
    found = acceptance.material(reader, site, handoff, now_unix_ns=now_unix_ns)
    codes = codes_of(_records(found))

    @cache
    def without(ignoring: frozenset[str]) -> Material:
        return _lifted(found, ignoring) if ignoring else found

    left_out = {code: counted(count, "record") for code, count in codes.most_common()}
    for row in ROWS:

        def judged(codes: Collection[str], row: Any = row) -> Outcome:
            verdict = row_verdict(row, without(frozenset(codes)))
            return Outcome(word=str(verdict.word), because=verdict.because)

        yield effects(row.id, left_out, judged)


_RECORDS = ("rates", "paced", "sizes", "steps", "bursts", "loaded", "mtus", "soaks", "failovers")


def _records(found: Material) -> Iterator[object]:
    for one in (found, *found.mates):
        for name in _RECORDS:
            yield from getattr(one, name)


def _lifted(found: Material, codes: Collection[str]) -> Material:
    changes: dict[str, Any] = {
        name: tuple(lifted(each, codes) for each in getattr(found, name)) for name in _RECORDS
    }
    return replace(found, mates=tuple(_lifted(one, codes) for one in found.mates), **changes)


# Stream plans


def _plan(reader: Reader, site: Site, plan: StreamPlan, *, now_unix_ns: int) -> Effects:
    records = history.of_plan(reader, site, plan, now_unix_ns=now_unix_ns)
    limits = history.limits_of(reader, site, records, now_unix_ns=now_unix_ns)
    since_ns = now_unix_ns - comparable.HISTORY_S * NS_PER_S
    has = {(one.handoff, one.endpoint, one.started_unix_ns) for one in records if isinstance(one, TrainSpan)}
    spans = [
        one
        for one in reader.train_spans(
            handoff=plan.handoff, since_ns=since_ns, until_ns=now_unix_ns, with_reasons=True
        )
        if evidence.why_not(one.reasons) and (one.handoff, one.endpoint, one.started_unix_ns) not in has
    ]
    within = evidence.Watched(spans)
    stalls = [
        one
        for one in (
            reader.stalls(handoff=plan.handoff, since_ns=since_ns, until_ns=now_unix_ns) if spans else []
        )
        if one in within and one not in {each for each in records if isinstance(each, Stall)}
    ]
    runs = [one for one in records if isinstance(one, RateRun) and one.handoff == plan.handoff]
    others = evidence.counted(evidence.of_line(site, plan.handoff, runs), Direction.UP)[1]
    codes = Counter(code for one in others for code in evidence.why_left_out(one) or (evidence.BOTH_AT_ONCE,))
    codes.update(
        code for one in evidence.of_line(site, plan.handoff, spans) for code in evidence.why_not(one.reasons)
    )
    left_out = {code: f"{counted(count, 'record')} of four weeks" for code, count in codes.most_common()}

    def judged(codes: Collection[str]) -> Outcome:
        more: list[TrainSpan | Stall] = [*spans, *stalls] if codes else []
        found = history.check(
            site, plan, [*records, *more], now_unix_ns=now_unix_ns, limits=limits, ignoring=codes
        )
        return Outcome(word=str(found.answer), because=found.because)

    return effects(f"Stream plan {plan.name}", left_out, judged)


# As programs and people read them


def as_json(found: Ledgers) -> list[Json]:
    """Each verdict with and without each rule."""
    return [
        {
            "about": one.about,
            "because": one.because,
            "with_every_rule": asdict(one.outcome),
            "with_no_rule": asdict(one.bare),
            "rules": [
                {
                    "rule": rule.code,
                    "meaning": rule.meaning,
                    "left_out": rule.left_out,
                    "without_it": asdict(rule.without),
                    "changes": rule.changes,
                }
                for rule in one.rules
            ],
        }
        for one in found.all
    ]


def as_lines(found: Ledgers) -> Iterator[str]:
    """For a terminal: each verdict, its rules, what each of them changes; rows that none changes as one."""
    calm = [one for one in found.acceptance if not any(rule.changes for rule in one.rules)]
    for one in found.all:
        if one in calm:
            continue
        yield f"  {one.because}"
        for rule in one.rules:
            mark = "  CHANGES" if rule.changes else ""
            yield f"    {rule.code:<18} {rule.left_out}; without it {rule.without.word}{mark}"
        if len(one.rules) > 1:
            yield f"    {'(none of them)':<18} {one.bare.word}"
    if calm:
        names, left_out = ", ".join(one.about for one in calm), calm[0].rules
        yield f"  The same without any single rule: {names}."
        yield from (f"    {rule.code:<18} {rule.left_out}" for rule in left_out)
    meanings = {rule.code: rule.meaning for one in found.all for rule in one.rules}
    yield from (f"    {code}: {meaning}." for code, meaning in meanings.items())
