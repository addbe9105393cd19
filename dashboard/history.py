"""What the judges look at, read from the store: all of that and little more.

Four weeks of a train's minutes are forty thousand rows; a plan's comparable hours are read in sums. Reads
with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise
from statistics import median
from typing import TypeVar

from dashboard.judge import before, comparable, contract, evidence, hours, stream, today
from dashboard.judge.after import Seen
from dashboard.judge.bursting import Bucket
from dashboard.judge.changes import Kind
from dashboard.judge.comparable import History
from dashboard.judge.evidence import Known, Span
from dashboard.judge.hours import Show
from dashboard.judge.stream import Answer, Check
from dashboard.judge.verdict import RateVerdict
from store.bursts import BurstRun, Limiter
from store.card import Card
from store.cells import Length
from store.clock import NS_PER_S, local, zone
from store.corrections import Corrected
from store.loaded_delay import LoadedDelayRun
from store.reader import Reader
from store.records import Direction, Failed, RateRun, Record, Skipped, Stall, Standing, TrainSpan
from store.rollup import Rolled
from store.segments import Hops, Split, Station
from store.shows import LookedAt
from store.site import Handoff, Site, StreamPlan, Where

USUALLY = 0.8  # share of its packets that a hop answers which is said to answer
_ENOUGH_RUNS = 100  # the newest ones, for what a load adds to the delay
_LOOKED_AT = 3  # records of each kind
VERDICT_S = 30 * 86_400  # what a contract verdict rests on, whatever period a page shows

R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What single runs tell of uplinks, by handoff: what passes at once, and what a full upload adds."""

    buckets: tuple[tuple[str, Bucket], ...] = ()
    upload_adds_ms: tuple[tuple[str, int], ...] = ()


def of_site(reader: Reader, site: Site, *, now_unix_ns: int, elsewhere: bool = False) -> list[Known]:
    """Everything that Today's verdicts, answers and notices look at; with `elsewhere` a plan's comparable
    hours of other handoffs too."""
    since_ns = now_unix_ns - VERDICT_S * NS_PER_S
    return [
        *reader.rate_runs(since_ns=since_ns, until_ns=now_unix_ns, bins=False),
        *reader.troubles(since_ns=since_ns, until_ns=now_unix_ns),
        *_watched(reader, site, site.plans, now_unix_ns=now_unix_ns, elsewhere=elsewhere),
    ]


def verdicts(
    site: Site, handoff: Handoff, records: Iterable[Known], *, now_unix_ns: int
) -> tuple[tuple[Handoff, RateVerdict], ...]:
    """The verdict on each direction of a handoff; `records` reach back 30 days.

    By the version of its card that is in force now, on what was measured since it is.
    """
    card = handoff.card_at(now_unix_ns)
    if card.from_unix_ns is not None:
        records = [one for one in records if not _before(one, card)]
    own = evidence.of_line(site, handoff.name, records)
    return tuple(
        (
            handoff,
            contract.rate_verdict(
                _only(RateRun, own),
                card,
                direction,
                skipped=_only(Skipped, own),
                failed=_only(Failed, own),
                zone=zone(site.timezone),
            ),
        )
        for direction in (Direction.UP, Direction.DOWN)
    )


def _before(record: Known, card: Card) -> bool:
    """Whether a record is of the time before this version of a card."""
    started_ns = record.planned_unix_ns if isinstance(record, Skipped) else record.started_unix_ns
    return card.from_unix_ns is not None and started_ns < card.from_unix_ns


def verdicts_of(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    now_unix_ns: int,
    runs: Sequence[RateRun] | None = None,
) -> tuple[RateVerdict, ...]:
    """The same for one handoff, read from the store; `runs` are its runs of 30 days or more, if at hand."""
    name, since_ns = handoff.name, now_unix_ns - VERDICT_S * NS_PER_S
    if runs is None:
        runs = reader.rate_runs(handoff=name, since_ns=since_ns, until_ns=now_unix_ns, bins=False)
    runs = [run for run in runs if since_ns <= run.started_unix_ns < now_unix_ns]
    troubles = reader.troubles(handoff=name, since_ns=since_ns, until_ns=now_unix_ns)
    return tuple(
        verdict for _, verdict in verdicts(site, handoff, [*runs, *troubles], now_unix_ns=now_unix_ns)
    )


def corrected_behind(
    corrections: Iterable[Corrected], site: Site, handoff: Handoff, verdict: RateVerdict, *, now_unix_ns: int
) -> tuple[Corrected, ...]:
    """Those of the corrected records that a verdict looks at; one without a rate to test looks at none."""
    if verdict.needed_bps is None:
        return ()
    since_ns = now_unix_ns - VERDICT_S * NS_PER_S

    def looked_at(record: Record) -> bool:
        match record:
            case RateRun():
                return record.side(verdict.direction) is not None and record.started_unix_ns >= since_ns
            case Failed():
                return "rate" in record.what and record.started_unix_ns >= since_ns
            case Skipped():
                return "rate" in record.what and record.planned_unix_ns >= since_ns
        return False

    return tuple(
        one
        for one in corrections
        if looked_at(one.record) and evidence.of_line(site, handoff.name, [one.record])
    )


def check(
    site: Site,
    plan: StreamPlan,
    records: Iterable[Known],
    *,
    now_unix_ns: int,
    limits: Limits = Limits(),
    elsewhere: bool = False,
    thorough: bool = False,
    ignoring: Collection[str] = (),
) -> Check:
    """The answer for a stream plan; `records` hold its comparable hours of four weeks, with `elsewhere` on
    every handoff that the show could go by instead."""
    names = [one.name for one in site.handoffs if one.name == plan.handoff or (elsewhere and _may_carry(one))]
    outside = _outside(site)
    runs: list[RateRun] = []
    spans: list[Span] = []
    stalls: list[Stall] = []
    for one in records:  # tens of thousands, gone through once for each plan
        if one.handoff in names and one.endpoint in outside:
            match one:
                case RateRun():
                    runs.append(one)
                case Rolled() | TrainSpan():
                    spans.append(one)
                case Stall():
                    stalls.append(one)
    return stream.check(
        plan,
        runs=runs,
        spans=spans,
        stalls=stalls,
        now_unix_ns=now_unix_ns,
        zone=zone(site.timezone),
        buckets=dict(limits.buckets),
        upload_adds_ms=dict(limits.upload_adds_ms),
        uplinks=names,
        thorough=thorough,
        ignoring=ignoring,
    )


def answer(
    reader: Reader,
    site: Site,
    plan: StreamPlan,
    records: Sequence[Known],
    *,
    now_unix_ns: int,
    limits: Limits,
) -> Check:
    """The answer from records of the plan's handoff, and others at will; other handoffs' hours are read where
    nothing within the plan helps, since another uplink may."""
    found = check(site, plan, records, now_unix_ns=now_unix_ns, limits=limits)
    stuck = found.answer in (Answer.TIGHT, Answer.HOLD)
    if stuck and len(site.handoffs) > 1 and all(one.kind is Kind.RELAY for one in found.options):
        return check_of(reader, site, plan, now_unix_ns=now_unix_ns)
    return found


def _may_carry(handoff: Handoff) -> bool:
    """Whether a show may be sent by another handoff: none that is metered, none that waits for a failover."""
    return not handoff.metered and not handoff.failover_only


def check_of(
    reader: Reader, site: Site, plan: StreamPlan, *, now_unix_ns: int, thorough: bool = False
) -> Check:
    """The same, read from the store."""
    records = of_plan(reader, site, plan, now_unix_ns=now_unix_ns)
    limits = limits_of(reader, site, records, now_unix_ns=now_unix_ns)
    return check(
        site, plan, records, now_unix_ns=now_unix_ns, limits=limits, elsewhere=True, thorough=thorough
    )


def of_plan(reader: Reader, site: Site, plan: StreamPlan, *, now_unix_ns: int) -> list[Known]:
    """What comparable hours of four weeks hold."""
    since_ns = now_unix_ns - comparable.HISTORY_S * NS_PER_S
    return [
        *reader.rate_runs(since_ns=since_ns, until_ns=now_unix_ns, bins=False),
        *_watched(reader, site, [plan], now_unix_ns=now_unix_ns, elsewhere=True),
    ]


def recent_stalls(reader: Reader, site: Site, plan: StreamPlan, *, now_unix_ns: int) -> LookedAt:
    """What the trains of the plan's line saw in the last half hour, through the plan's buffers."""
    since_ns = now_unix_ns - before.RECENT_S * NS_PER_S
    seen = _seen(reader, plan.handoff, since_ns, now_unix_ns)
    outside = _outside(site)
    trains = [
        (one.stalls, sum(ended - started for started, ended in one.watched) / NS_PER_S)
        for one in seen
        if one.endpoint in outside
    ]
    return before.recent(plan.destinations, compared(reader, site, plan, now_unix_ns=now_unix_ns), trains)


def compared(reader: Reader, site: Site, plan: StreamPlan, *, now_unix_ns: int) -> History:
    """What comparable hours saw of the plan's own line up to a moment."""
    own = evidence.of_line(site, plan.handoff, of_plan(reader, site, plan, now_unix_ns=now_unix_ns))
    return comparable.gather(
        plan,
        _only(RateRun, own),
        [*_only(Rolled, own), *_only(TrainSpan, own)],
        _only(Stall, own),
        now_unix_ns=now_unix_ns,
        zone=zone(site.timezone),
    )


def trains_in(reader: Reader, site: Site, plan: StreamPlan, show: Show) -> tuple[list[Seen], list[Seen]]:
    """What the trains of the plan's handoff saw around a show: those to outside, and those in the house."""
    around_ns = 120 * NS_PER_S
    seen = _seen(reader, plan.handoff, show.start_unix_ns - around_ns, show.end_unix_ns + around_ns)
    outside = _outside(site)
    return [one for one in seen if one.endpoint in outside], [
        one for one in seen if one.endpoint not in outside
    ]


def _outside(site: Site) -> set[str]:
    return {endpoint.name for endpoint in site.endpoints if endpoint.where is Where.OUTSIDE}


def _seen(reader: Reader, handoff: str, since_ns: int, until_ns: int) -> list[Seen]:
    """Of each train of a handoff: its stalls on the way up in that time, and what it watched."""
    spans = reader.train_spans(handoff=handoff, since_ns=since_ns, until_ns=until_ns, histograms=False)
    kept = [one for one in spans if one.standing is Standing.VALID and one.handoff == handoff]
    watched = evidence.Watched(kept)
    stalls = [
        one
        for one in reader.stalls(handoff=handoff, since_ns=since_ns, until_ns=until_ns)
        if one in watched and one.direction is not Direction.DOWN
    ]
    return [
        Seen(
            endpoint=name,
            stalls=tuple(one for one in stalls if one.endpoint == name),
            watched=tuple(
                (one.started_unix_ns, round(evidence.ended_ns(one))) for one in kept if one.endpoint == name
            ),
        )
        for name in watched.endpoints
    ]


def limits_of(reader: Reader, site: Site, records: Iterable[Known], *, now_unix_ns: int) -> Limits:
    """As the newest burst run and the newest loaded-delay run of a month found it; without one of these, what
    rate runs among the `records` added to the delay."""
    since_ns = now_unix_ns - VERDICT_S * NS_PER_S
    added = _added_by_runs(site, _only(RateRun, records)) | dict(_added(reader, site, since_ns, now_unix_ns))
    return Limits(
        buckets=tuple(_buckets(reader, site, since_ns, now_unix_ns)), upload_adds_ms=tuple(added.items())
    )


def _added(reader: Reader, site: Site, since_ns: int, until_ns: int) -> Iterator[tuple[str, int]]:
    """What load up added to the round trip at p95, in milliseconds, by handoff."""
    for handoff in site.handoffs:
        runs = reader.documents(LoadedDelayRun, handoff=handoff.name, since_ns=since_ns, until_ns=until_ns)
        added = [
            load.added_rtt.p95_us
            for run in evidence.of_line(site, handoff.name, runs)
            if run.standing is Standing.VALID
            for load in run.loads
            if load.direction is Direction.UP and load.added_rtt is not None
        ]
        if added:
            yield handoff.name, round(added[-1] / 1000)


def _added_by_runs(site: Site, runs: Sequence[RateRun]) -> dict[str, int]:
    """What the newest full runs up added to the round trip at p95, the median in milliseconds, by handoff."""
    by: dict[str, list[int]] = {}
    outside = _outside(site)
    for run in reversed(runs):
        found = by.setdefault(run.handoff, [])
        if len(found) >= _ENOUGH_RUNS or run.light or run.direction is not Direction.UP:
            continue
        idle, loaded = run.rtt_idle_us, run.rtt_loaded_us
        if idle is None or loaded is None or run.endpoint not in outside:
            continue
        if run.standing is Standing.VALID:
            found.append(max(0, loaded.p95 - idle.p95))
    return {name: round(median(found) / 1000) for name, found in by.items() if found}


def _buckets(reader: Reader, site: Site, since_ns: int, now_unix_ns: int) -> Iterator[tuple[str, Bucket]]:
    """What limits on the way up let pass at once, by handoff."""
    for handoff in site.handoffs:
        runs = reader.documents(BurstRun, handoff=handoff.name, since_ns=since_ns, until_ns=now_unix_ns)
        up = [one for one in evidence.of_line(site, handoff.name, runs) if one.direction is Direction.UP]
        told = [one for one in up if one.standing is Standing.VALID and one.rate_bps is not None]
        newest = next((one for one in reversed(told) if one.committed_bytes is not None), None)
        if newest is not None:
            yield handoff.name, _bucket(newest, zone(site.timezone))
        elif (stated := _stated(handoff.card_at(now_unix_ns))) is not None:
            yield handoff.name, stated


def _stated(card: Card) -> Bucket | None:
    """What the contract card states, where nobody looked; counted as if it stood at the IP layer."""
    cbs_bytes, rate_bps = card.burst_bytes(Direction.UP), card.rate_bps(Direction.UP)
    if cbs_bytes is None or rate_bps is None:
        return None
    return Bucket(
        cbs_bytes=cbs_bytes,
        rate_bps=rate_bps,
        line_bps=card.port_rate_bps,
        drops=None,
        source="the contract card; no burst run has looked",
    )


def _bucket(run: BurstRun, where: tzinfo) -> Bucket:
    return Bucket(
        cbs_bytes=run.committed_bytes or 0,
        rate_bps=run.rate_bps or 0,
        line_bps=run.line_bps,
        drops={Limiter.POLICER: True, Limiter.SHAPER: False}.get(run.limiter),
        source=f"burst run of {local(run.started_unix_ns, where):%d %b %Y}",
    )


def hops_answered(site: Site, handoff: str, *, before_ns: int) -> frozenset[int]:
    """TTLs at which a router answered most packets, by the newest record before this; none without one."""
    if not site.database.exists():
        return frozenset()
    with closing(Reader.open(site.database)) as reader:
        return hops_usual(reader, handoff, before_ns=before_ns)


def hops_usual(reader: Reader, handoff: str, *, before_ns: int) -> frozenset[int]:
    """The same from a reader that is open."""
    splits = reader.documents(Split, handoff=handoff, until_ns=before_ns, limit=_LOOKED_AT)
    counts = [
        (one.ttl or 0, one.sent, one.sent - one.lost)
        for split in splits
        for one in split.seen
        if one.station is Station.HOP
    ]
    watched = reader.documents(Hops, handoff=handoff, until_ns=before_ns, limit=_LOOKED_AT)
    counts += [(one.ttl, sum(one.sent), sum(one.answered)) for record in watched for one in record.counts]
    return frozenset(ttl for ttl, sent, answered in counts if answered >= USUALLY * sent > 0)


def _watched(
    reader: Reader, site: Site, plans: Sequence[StreamPlan], *, now_unix_ns: int, elsewhere: bool
) -> Iterator[Span | Stall]:
    """Trains in sums, and stalls, of the last hours, and before them of those comparable with a plan's.

    Sums and stalls are of endpoints outside, and only what a plan is compared with has its delays. The newest
    span of every train comes as it is, and everything once.
    """
    where, since_ns = zone(site.timezone), now_unix_ns - comparable.HISTORY_S * NS_PER_S
    recent_ns = now_unix_ns - today.RECENT_S * NS_PER_S
    paths = reader.paths()
    outside = {endpoint.name for endpoint in site.endpoints if endpoint.where is Where.OUTSIDE}
    for handoff in site.handoffs:
        wanted = _pieces(
            (show.start_unix_ns, show.end_unix_ns)
            for plan in plans
            if plan.handoff == handoff.name or (elsewhere and _may_carry(handoff))
            for show in hours.comparable_hours(
                plan.times, where, since_unix_ns=since_ns, until_unix_ns=now_unix_ns
            )
        )
        newest = reader.train_spans(
            handoff=handoff.name, since_ns=recent_ns, until_ns=now_unix_ns, limit=1, histograms=False
        )
        last_ns = newest[0].started_unix_ns if newest else now_unix_ns
        endpoints = [endpoint for owner, endpoint in paths if owner == handoff.name and endpoint in outside]
        for start_ns, end_ns, compared in _parts(wanted, (since_ns, recent_ns, last_ns)):
            for endpoint in endpoints:
                yield from reader.train_sums(
                    handoff=handoff.name,
                    endpoint=endpoint,
                    since_ns=start_ns,
                    until_ns=end_ns,
                    longest=Length.HOUR,
                    histograms=compared,
                    pdv=False,
                )
        yield from reader.train_spans(handoff=handoff.name, since_ns=last_ns, until_ns=now_unix_ns, pdv=False)
        yield from reader.watched_stalls(
            handoff=handoff.name,
            endpoints=endpoints,
            within=_joined([*wanted, (recent_ns, now_unix_ns)]),
        )


def _parts(wanted: Sequence[tuple[int, int]], times: tuple[int, int, int]) -> Iterator[tuple[int, int, bool]]:
    """(from, to, whether wanted): all that is wanted from the first time on, and everything from the second.

    Nothing goes over the second time, or beyond the third; nothing empty comes.
    """
    first_ns, recent_ns, last_ns = times
    at_ns = first_ns
    for start_ns, end_ns in [*wanted, (last_ns, last_ns)]:
        start_ns, end_ns = min(start_ns, last_ns), min(end_ns, last_ns)
        parts = (
            (max(at_ns, recent_ns), start_ns, False),
            (start_ns, min(end_ns, recent_ns), True),
            (max(start_ns, recent_ns), end_ns, True),
        )
        yield from (part for part in parts if part[0] < part[1])
        at_ns = end_ns


def _pieces(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The same time in spans, oldest first, cut wherever one of them begins or ends.

    So a sum of an hour never reaches over the end of a plan's hours into those of another plan.
    """
    found = sorted(spans)
    cuts = sorted({moment for span in found for moment in span})
    return [
        (start, end)
        for span_start, span_end in _joined(found)
        for start, end in pairwise([cut for cut in cuts if span_start <= cut <= span_end])
    ]


def _joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The same time in spans that do not touch, oldest first."""
    joined: list[tuple[int, int]] = []
    for start_ns, end_ns in sorted(spans):
        if joined and start_ns <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end_ns))
        else:
            joined.append((start_ns, end_ns))
    return joined


def _only(kind: type[R], records: Iterable[Known]) -> list[R]:
    return [record for record in records if isinstance(record, kind)]
