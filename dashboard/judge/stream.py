"""Will the line hold for a stream plan: Go, Tight, Hold or Unknown, with the reason that decides.

Two headrooms are judged apart, for either alone gives a wrong Go. Capacity: demand and peak against
the assured floor of comparable hours, both at the IP layer. Stalls: what the trains of those hours
saw, replayed through the plan's send buffers. Beside them: loss that a transport does not take, and the
keyframes of all destinations at one instant against what a limit lets pass at once. The shares of the floor
and the limits below are common practice, no source. Pure: the records and the time are handed in.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from enum import StrEnum
from functools import cache
from itertools import islice
from typing import Any

from dashboard.judge import arq, bursting, changes, clean, fluid
from dashboard.judge import uplinks as uplinks_
from dashboard.judge.arq import Latency
from dashboard.judge.bursting import Bucket
from dashboard.judge.changes import Change
from dashboard.judge.clean import Chance
from dashboard.judge.comparable import HISTORY_S as HISTORY_S  # for those who read the records
from dashboard.judge.comparable import History, gather
from dashboard.judge.evidence import Span, by_handoff
from dashboard.judge.freezes import OUTAGE_S, frozen, headroom_of
from dashboard.judge.layers import rate_text
from dashboard.judge.uplinks import Shares
from store import demand
from store.clock import rfc3339
from store.jsonform import SCHEMA
from store.quantities import counted, percent
from store.records import RateRun, Stall, Standing
from store.site import Destination, StreamPlan, Transport

GO_SHARE = 0.7  # of an exact floor that the demand may take
SINGLE_SHARE = 0.5  # of what stands in for a floor with too few runs
PEAK_SHARE = 0.85  # of the floor that the peak may take for Go
TIGHT_SHARE = 0.85  # of an exact floor up to which demand is Tight; the peak up to the whole floor

LIGHT_FREEZES = 0.5  # an hour: in most shows of two hours one at most, which every line has now and then
LIGHT_LOST_RATIO = 0.001  # of the show, keyframe waits included
HEAVY_OUTAGES = 0.1  # an hour: one in five shows of two hours is cut off
HEAVY_FREEZES = 12.0  # an hour: one each five minutes, and nobody watches on
HEAVY_LOST_RATIO = 0.01  # of the show, keyframe waits included
RTP_TIGHT_LOSS, RTP_HOLD_LOSS = 0.02, 0.05  # above 2-5 % a sender cuts its rate hard
ARQ_TIGHT_LOSS = 0.05  # repeats are good for 1 to 5 %
SPOILS_TALK_MS, SPOILS_ALL_MS = 100, 300  # added by load: a conversation, everything
LEAST_TRAIN_S = 1800  # with less than half an hour of train, its silence is no ground for Go


class Answer(StrEnum):
    GO = "go"
    TIGHT = "tight"
    HOLD = "hold"
    UNKNOWN = "unknown"


_WORSE = (Answer.GO, Answer.TIGHT, Answer.HOLD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """The answer for one plan, and the figures it rests on.

    `because` is a sentence without the answer's word. Rates are at the IP layer; `floor_goodput_bps`
    is the same floor as TCP payload. `smallest_change` is None for Go, for Unknown, and where nothing
    helps; `options` are all that were looked for. Figures of stalls are None without a train in comparable
    hours; `freezes` are stalls that outlast a buffer, `lost_s` what they lose of the picture with the wait
    for the next keyframe (half an interval each). `chance` is that of a show that stays clean,
    `keyframes_ms` how long all keyframes at once take at the floor, `survives_s` what the shortest ARQ
    latency outlasts without any packet, `latencies` the latency proposed for each ARQ destination. `shares`
    is the best way to share the destinations out among uplinks, None unless it was looked for; `elsewhere`
    the answer of the whole plan by each other uplink that a show may go by, empty unless they were looked at;
    `upload_adds_ms` what a full upload adds to the delay, None where no loaded-delay run says so, and
    `beside_upload` the answer if one went on. `notes` are sentences on shares and on that.
    """

    plan: str
    handoff: str
    started_unix_ns: int
    answer: Answer
    because: str
    smallest_change: str | None
    reasons: tuple[str, ...]
    hours: str
    demand_bps: int
    peak_bps: int
    keyframes_bytes: int
    floor_bps: int | None
    floor_goodput_bps: int | None
    floor_exact: bool
    n_runs: int
    train_minutes: float
    stalls_per_hour: float | None
    freezes_per_hour: float | None
    lost_s_per_hour: float | None
    loss_up_ratio: float | None
    beside_bps: int = 0
    keyframes_ms: int | None = None
    survives_s: float | None = None
    chance: Chance | None = None
    options: tuple[Change, ...] = ()
    latencies: tuple[tuple[str, Latency], ...] = ()
    bucket: Bucket | None = None
    shares: Shares | None = None
    upload_adds_ms: int | None = None
    beside_upload: Answer | None = None
    elsewhere: tuple[tuple[str, Answer], ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        return tuple(_notes(self))


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An uplink as the judge sees it: what comparable hours saw of it, and its limit on bursts where
    known.
    """

    history: History
    bucket: Bucket | None = None
    upload_adds_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """One headroom's own answer, the code that stands for it, and its sentence."""

    answer: Answer
    code: str
    because: str


def check(
    plan: StreamPlan,
    *,
    runs: Iterable[RateRun],
    spans: Iterable[Span],
    stalls: Iterable[Stall],
    now_unix_ns: int,
    zone: tzinfo,
    buckets: Mapping[str, Bucket] | None = None,
    upload_adds_ms: Mapping[str, int] | None = None,
    uplinks: Sequence[str] = (),
    thorough: bool = False,
    ignoring: Collection[str] = (),
) -> Check:
    """The answer for `plan`, from what its handoff saw in comparable hours of the last four weeks.

    Records must be of endpoints outside the house (`evidence.of_line`); those of other hours, other weeks,
    and those that do not count are passed over here, and those of other handoffs unless `uplinks` names them
    as ways that the show could go instead. `buckets` are limits on bursts by handoff, `upload_adds_ms` what a
    full upload adds to the delay there. All changes that help, and the best way to share the destinations
    out, are looked for if `thorough`, else only the smallest change. Rules in `ignoring` leave no record
    out, to show what they do.
    """
    of_runs, of_spans, of_stalls = by_handoff(runs), by_handoff(spans), by_handoff(stalls)

    @cache
    def line(handoff: str) -> Line:
        return Line(
            history=gather(
                plan,
                of_runs.get(handoff, ()),
                of_spans.get(handoff, ()),
                of_stalls.get(handoff, ()),
                now_unix_ns=now_unix_ns,
                zone=zone,
                handoff=handoff,
                ignoring=ignoring,
            ),
            bucket=(buckets or {}).get(handoff),
            upload_adds_ms=(upload_adds_ms or {}).get(handoff),
        )

    own = line(plan.handoff)
    history = own.history
    others = [name for name in uplinks if name != plan.handoff]
    elsewhere = [(name, judge(plan.destinations, line(name))) for name in others if thorough]
    if history.floor.bps is None or not history.train_s:
        return _check(plan, own, _unknown(history), now_unix_ns=now_unix_ns, elsewhere=elsewhere)
    parts = _parts(plan.destinations, own)
    answer = _worst(parts)
    found: Iterator[Change] = iter(())
    if answer is not Answer.GO:
        found = changes.options(
            plan.destinations,
            _better(own, answer),
            outlasts=lambda one, among: _outlasts(one, among, history),
            uplinks=((name, _better(line(name), answer)) for name in others),
        )
    some = [*found] if thorough else [*islice(found, 1)]
    shares = None
    if thorough and others and answer is not Answer.GO and len(plan.destinations) > 1:
        shares = uplinks_.best(
            plan.destinations,
            own=plan.handoff,
            others=others,
            judged=lambda name, among: _place(among, line(name)),
        )
    return _check(plan, own, parts, now_unix_ns=now_unix_ns, options=some, shares=shares, elsewhere=elsewhere)


def _place(destinations: Sequence[Destination], line: Line) -> tuple[int, float] | None:
    """The place of the answer among Go, Tight, Hold, and the share of the floor that is taken."""
    found = judge(destinations, line)
    if found is Answer.UNKNOWN:
        return None
    return _WORSE.index(found), 1 / max(1e-9, headroom_of(destinations, line.history))


def _beside_upload(line: Line, answer: Answer, *, talks: bool) -> Answer | None:
    """The answer if something else filled the upload during the show; None where nobody measured the delay.

    Load that adds more than 100 ms spoils a conversation, more than 300 ms everything (common practice).
    """
    added_ms = line.upload_adds_ms
    if answer is Answer.UNKNOWN or added_ms is None:
        return None
    spoilt = added_ms > SPOILS_ALL_MS or (talks and added_ms > SPOILS_TALK_MS)
    return Answer.HOLD if spoilt else answer


def _notes(found: Check) -> Iterator[str]:
    """How to share the destinations out, and what an upload beside the show would do to it."""
    if found.shares is not None:
        yield uplinks_.said(found.shares, _WORSE[found.shares.place].capitalize())
    if found.beside_upload is Answer.HOLD and found.answer is not Answer.HOLD:
        yield (
            f"Beside any upload: Hold. Filling the upload adds {found.upload_adds_ms} ms to the delay; pause "
            "uploads and backups for the show, or shape the upload at 90 to 95 % of its rate in the house's "
            "own router."
        )


def judge(destinations: Sequence[Destination], line: Line) -> Answer:
    """The answer for these destinations on an uplink; Unknown without a run or a train there."""
    if line.history.floor.bps is None or not line.history.train_s:
        return Answer.UNKNOWN
    return _worst(_parts(destinations, line))


def _better(line: Line, answer: Answer) -> changes.Better:
    """Whether other destinations, or this line, make it better than `answer`."""

    def better(destinations: Sequence[Destination]) -> str | None:
        found = judge(destinations, line)
        if found is Answer.UNKNOWN:
            return None
        return str(found) if _WORSE.index(found) < _WORSE.index(answer) else None

    return better


def _outlasts(destination: Destination, among: Sequence[Destination], history: History) -> float:
    """How long a silence without any packet an ARQ destination survives."""
    share = arq.repeat_share(destination, headroom_of(among, history))
    return arq.survives_s(destination.buffer_s, rtt_s=history.rtt_s, share=share)


def as_json(found: Check) -> dict[str, Any]:
    """The check as the object that other programs may rely on."""
    return {
        "kind": "check",
        "schema": SCHEMA,
        "started": rfc3339(found.started_unix_ns),
        "standing": str(Standing.VOID if found.answer is Answer.UNKNOWN else Standing.VALID),
        "reasons": list(found.reasons),
        "plan": found.plan,
        "handoff": found.handoff,
        "answer": str(found.answer),
        "because": found.because,
        "smallest_change": found.smallest_change,
        "hours": found.hours,
        "demand_bps": found.demand_bps,
        "peak_bps": found.peak_bps,
        "keyframes_bytes": found.keyframes_bytes,
        "floor_bps": found.floor_bps,
        "floor_goodput_bps": found.floor_goodput_bps,
        "floor_exact": found.floor_exact,
        "n_runs": found.n_runs,
        "train_minutes": round(found.train_minutes, 1),
        "stalls_per_hour": _rounded(found.stalls_per_hour),
        "freezes_per_hour": _rounded(found.freezes_per_hour),
        "lost_s_per_hour": _rounded(found.lost_s_per_hour),
        "loss_up_ratio": found.loss_up_ratio,
        "beside_bps": found.beside_bps,
        "keyframes_ms": found.keyframes_ms,
        "burst": None if found.bucket is None else _bucket_json(found.bucket),
        "arq_survives_s": _rounded(found.survives_s),
        "clean": None if found.chance is None else chance_json(found.chance),
        "changes": [
            {
                "kind": str(one.kind),
                "answer": one.answer,
                "text": one.text,
                "handoff": one.handoff,
            }
            for one in found.options
        ],
        "uplinks": None if found.shares is None else uplinks_.as_mapping(found.shares),
        "upload_adds_ms": found.upload_adds_ms,
        "beside_upload": None if found.beside_upload is None else str(found.beside_upload),
        "notes": list(found.notes),
        "latencies": [
            {
                "destination": name,
                "latency_s": round(one.latency_s, 2),
                "survives_s": round(one.survives_s, 3),
                "because": one.because,
            }
            for name, one in found.latencies
        ],
    }


def chance_json(found: Chance) -> dict[str, Any]:
    """The chance of a clean show, for programs."""
    return {
        "days": found.days,
        "clean_days": _rounded(found.clean),
        "unwatched_days": found.unwatched,
        "share": _rounded(found.share),
        "low": _rounded(found.low),
        "high": _rounded(found.high),
    }


def _bucket_json(found: Bucket) -> dict[str, Any]:
    return {
        "cbs_bytes": found.cbs_bytes,
        "rate_bps": found.rate_bps,
        "line_bps": found.line_bps,
        "drops": found.drops,
        "source": found.source,
    }


def _parts(destinations: Sequence[Destination], line: Line) -> list[_Part]:
    history = line.history
    return [
        _capacity(destinations, history),
        _stalls(destinations, history),
        *_loss(destinations, history),
        *_keyframes(destinations, line),
        *_short(history),
    ]


def _worst(parts: Sequence[_Part]) -> Answer:
    return max((part.answer for part in parts), key=_WORSE.index)


def _capacity(destinations: Sequence[Destination], history: History) -> _Part:
    """Go within 0.7 of the floor and a peak within 0.85; Tight within 0.85 and 1. With too few runs for a
    floor, Go within 0.5 and Tight where an exact floor of that height would give Go."""
    streams, peak, _ = demand.together(destinations, loss_ratio=history.loss_ratio)
    needs, peak = streams + history.beside_bps, peak + history.beside_bps
    floor, exact = history.floor.bps or 0, history.floor.exact
    go, tight, most = (GO_SHARE, TIGHT_SHARE, 1.0) if exact else (SINGLE_SHARE, GO_SHARE, PEAK_SHARE)
    answer = Answer.HOLD
    if needs <= go * floor and peak <= PEAK_SHARE * floor:
        answer = Answer.GO
    elif needs <= tight * floor and peak <= most * floor:
        answer = Answer.TIGHT
    limit, peak_limit = (go, PEAK_SHARE) if answer is not Answer.HOLD else (tight, most)
    word = "Tight" if answer is Answer.HOLD else "Go"
    if needs <= limit * floor and peak > peak_limit * floor:
        asks, share, reach = "the plan's peak", peak, f"{percent(peak_limit)} for a peak"
    else:
        asks, share, reach = "the plan", needs, percent(limit)
    because = (
        f"{asks} needs {rate_text(share)} at the IP layer{_beside(history)}, {_share(share, floor)} of "
        f"{_floor_text(history)}; {word} ends at {reach}{_overflow(destinations, history.free_bps / streams)}"
    )
    return _Part(answer=answer, code="capacity", because=because)


def _beside(history: History) -> str:
    return f", {rate_text(history.beside_bps)} of it beside the show" if history.beside_bps else ""


def _floor_text(history: History) -> str:
    floor, goodput = rate_text(history.floor.bps or 0), rate_text(history.goodput_bps or 0)
    runs = counted(history.floor.n, "run")
    if history.floor.exact:
        return f"the assured floor of {floor} ({goodput} of payload) from {runs} in {history.hours}"
    return (
        f"the {floor} ({goodput} of payload) of the slowest second of {runs} in {history.hours}, too few for "
        "an assured floor"
    )


def _overflow(destinations: Sequence[Destination], headroom: float) -> str:
    """What a line at its floor does to a plan that it cannot carry; nothing where it can."""
    if headroom >= 1:
        return ""
    shortest_s = min(destination.buffer_s for destination in destinations)
    return (
        f"; at that floor a buffer of {shortest_s:g} s is full after "
        f"{fluid.overflow_s(shortest_s, headroom):.1f} s, and from then on "
        f"{percent(fluid.dropped_ratio(headroom))} of the picture is lost"
    )


def _stalls(destinations: Sequence[Destination], history: History) -> _Part:
    """Go up to a freeze in two hours and 0.1 % of the show, Hold from twelve an hour, 1 % of it, or an outage
    in ten hours on."""
    cost = frozen(destinations, history)
    seen = _seen(history)
    if not cost.freezes:
        outlasts = ", none for longer than the buffers hold" if history.stalls else ""
        headroom = headroom_of(destinations, history)
        if history.stalls and headroom > 1:
            outlasts += f"; after each second of one the floor takes {fluid.recovery_s(1.0, headroom):.1f} s "
            outlasts += "to catch up"
        return _Part(answer=Answer.GO, code="stalls", because=seen + outlasts)
    because = (
        f"{seen}; {few(cost.freezes)} an hour outlast the buffers and cost {few(cost.lost_s)} s of "
        "picture with the wait for a keyframe"
    )
    if cost.outages:
        because += f", {_rare(cost.outages)} outages of more than {OUTAGE_S:g} s an hour among them"
    answer = Answer.TIGHT
    heavy = cost.freezes > HEAVY_FREEZES or cost.lost_s > HEAVY_LOST_RATIO * 3600
    if heavy or cost.outages > HEAVY_OUTAGES:
        answer = Answer.HOLD
    elif cost.freezes <= LIGHT_FREEZES and cost.lost_s <= LIGHT_LOST_RATIO * 3600:
        answer = Answer.GO
        because += "; a show of two hours has one of them at most, as a rule"
    return _Part(answer=answer, code="stalls", because=because)


def _seen(history: History) -> str:
    """How often the trains stalled, or the bound that none supports."""
    if not history.stalls:
        return (
            f"{_span(history.train_s)} of trains saw no stall, which supports fewer than "
            f"{math.ceil(history.per_hour(3) * 100) / 100:g} an hour"
        )
    return (
        f"the trains stalled {counted(history.stalls, 'time')} in {_span(history.train_s)} of trains, "
        f"{few(history.per_hour(history.stalls))} an hour"
    )


def _rare(figure: float) -> str:
    return f"{figure:.2g}"


def _loss(destinations: Sequence[Destination], history: History) -> list[_Part]:
    """Loss on the way up that a transport does not take; TCP's share of it is in the floor already."""
    kinds = {destination.transport for destination in destinations}
    loss = history.loss_ratio
    if Transport.RTP in kinds and loss > RTP_TIGHT_LOSS:
        answer = Answer.HOLD if loss > RTP_HOLD_LOSS else Answer.TIGHT
    elif Transport.ARQ in kinds and loss > ARQ_TIGHT_LOSS:
        answer = Answer.TIGHT
    else:
        return []
    because = (
        f"{loss * 100:.1f} % of the trains' packets were lost on the way up, which cuts a sender's rate hard"
    )
    return [_Part(answer=answer, code="loss", because=because)]


def _keyframes(destinations: Sequence[Destination], line: Line) -> Iterator[_Part]:
    """Tight where the keyframes of all at once do not fit what a limit lets pass, unless it only delays them
    by less than the shortest buffer."""
    if line.bucket is None:
        return
    burst = bursting.aligned(destinations, line.bucket)
    held = line.bucket.drops is False and burst.held_s < min(one.buffer_s for one in destinations)
    if burst.lost_bytes and not held:
        yield _Part(answer=Answer.TIGHT, code="keyframes", because=bursting.said(destinations, line.bucket))


def _short(history: History) -> list[_Part]:
    if history.train_s >= LEAST_TRAIN_S:
        return []
    because = (
        f"the trains of {history.hours} span {_span(history.train_s)}, and less than "
        f"{_span(LEAST_TRAIN_S)} is no ground for Go"
    )
    return [_Part(answer=Answer.TIGHT, code="train_short", because=because)]


def _unknown(history: History) -> list[_Part]:
    """What is missing, and what would mend it."""
    missing = []
    if history.floor.bps is None:
        because = (
            f"no valid rate run up from {history.hours} in the last four weeks: let the schedule's runs go "
            "through those hours; one that somebody asks for does not count"
        )
        missing.append(_Part(answer=Answer.UNKNOWN, code="no_runs", because=because))
    if not history.train_s:
        because = (
            f"no train from {history.hours} in the last four weeks, so nothing is known of stalls: let the "
            "probe's train run through those hours"
        )
        missing.append(_Part(answer=Answer.UNKNOWN, code="no_train", because=because))
    return missing


def _check(
    plan: StreamPlan,
    line: Line,
    parts: Sequence[_Part],
    *,
    now_unix_ns: int,
    options: Sequence[Change] = (),
    shares: Shares | None = None,
    elsewhere: Sequence[tuple[str, Answer]] = (),
) -> Check:
    history = line.history
    needs, peak, keyframes = demand.together(plan.destinations, loss_ratio=history.loss_ratio)
    unknown = parts[0].answer is Answer.UNKNOWN
    answer = Answer.UNKNOWN if unknown else _worst(parts)
    talks = any(one.transport is Transport.RTP for one in plan.destinations)
    deciding = [part for part in parts if part.answer is answer]
    cost = None if unknown else frozen(plan.destinations, history)
    because = ". ".join(part.because[0].upper() + part.because[1:] for part in deciding)
    stuck = answer in (Answer.TIGHT, Answer.HOLD) and not options
    if stuck and any(part.code != "train_short" for part in deciding):
        because += f"; nothing within the plan helps, not even every destination at {changes.RESCUE.name}"
    return Check(
        plan=plan.name,
        handoff=plan.handoff,
        started_unix_ns=now_unix_ns,
        answer=answer,
        because=f"{because}.",
        smallest_change=options[0].text if options else None,
        reasons=() if answer is Answer.GO else tuple(part.code for part in deciding),
        hours=history.hours,
        demand_bps=needs + history.beside_bps,
        peak_bps=peak + history.beside_bps,
        keyframes_bytes=keyframes,
        floor_bps=history.floor.bps,
        floor_goodput_bps=history.goodput_bps,
        floor_exact=history.floor.exact,
        n_runs=history.floor.n,
        train_minutes=history.train_s / 60,
        stalls_per_hour=history.per_hour(history.stalls) if history.train_s else None,
        freezes_per_hour=cost.freezes if cost else None,
        lost_s_per_hour=cost.lost_s if cost else None,
        loss_up_ratio=history.loss_ratio if history.train_s else None,
        beside_bps=history.beside_bps,
        keyframes_ms=_keyframes_ms(plan.destinations, history),
        survives_s=None if unknown else _survives(plan.destinations, history),
        chance=None if unknown else clean.chance(plan.destinations, history),
        options=tuple(options),
        latencies=() if unknown else _latencies(plan.destinations, history),
        bucket=line.bucket,
        shares=shares,
        upload_adds_ms=line.upload_adds_ms,
        beside_upload=_beside_upload(line, answer, talks=talks),
        elsewhere=tuple(elsewhere),
    )


def _keyframes_ms(destinations: Sequence[Destination], history: History) -> int | None:
    """How long all keyframes at once take at the floor; None without one."""
    return round(1000 * bursting.drain_s(destinations, history.free_bps)) if history.free_bps else None


def _survives(destinations: Sequence[Destination], history: History) -> float | None:
    """The longest silence that every ARQ destination outlasts; None without one."""
    repeating = [one for one in destinations if one.transport is Transport.ARQ]
    return min((_outlasts(one, destinations, history) for one in repeating), default=None)


def _latencies(destinations: Sequence[Destination], history: History) -> tuple[tuple[str, Latency], ...]:
    """The latency to set for each ARQ destination, by the silences on record whose packets were lost."""
    lost_s = [stall.seconds for train in history.trains for stall in train if stall.how != "held"]
    headroom = headroom_of(destinations, history)
    return tuple(
        (
            one.name,
            arq.propose(
                lost_s,
                rtt_s=history.rtt_s,
                rtt_p99_s=history.rtt_p99_s,
                share=arq.repeat_share(one, headroom),
                now_s=one.buffer_s,
            ),
        )
        for one in destinations
        if one.transport is Transport.ARQ
    )


def _share(rate_bps: int, floor_bps: int) -> str:
    if not floor_bps:
        return "more than all"
    share = rate_bps / floor_bps
    return percent(share) if share >= 0.005 or not share else "under 1 %"


def few(figure: float) -> str:
    """Digits that a short history carries: 0.02, 0.4, 3.1, 128; what was seen is never written 0."""
    if not figure or figure >= 0.95:
        return f"{figure:.0f}" if figure >= 10 else f"{figure:.1f}"
    return f"{figure:.1g}"


def _span(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 2 * 3600 else f"{seconds / 3600:.1f} h"


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 3)
