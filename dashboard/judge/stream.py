"""Will the line hold for a stream plan: Go, Tight, Hold or Unknown, with the reason that decides.

Two headrooms are judged apart, for either alone gives a wrong Go. Capacity: demand and peak against
the assured floor of comparable hours, both at the IP layer. Stalls: what the trains of those hours
saw, replayed through the plan's send buffers. The shares of the floor and the limits below are common
practice, no source. Pure: the records and the time are handed in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from enum import StrEnum
from typing import Any

from dashboard.judge import changes, fluid
from dashboard.judge.comparable import HISTORY_S as HISTORY_S  # for those who read the records
from dashboard.judge.comparable import History, gather
from dashboard.judge.evidence import Span
from dashboard.judge.freezes import frozen, headroom_of
from dashboard.judge.layers import rate_text
from store import demand
from store.clock import rfc3339
from store.jsonform import SCHEMA
from store.records import RateRun, Stall, Standing
from store.site import Destination, StreamPlan, Transport

GO_SHARE = 0.7  # of an exact floor that the demand may take
SINGLE_SHARE = 0.5  # of what stands in for a floor with too few runs
PEAK_SHARE = 0.85  # of the floor that the peak may take for Go
TIGHT_SHARE = 0.85  # of an exact floor up to which demand is Tight; the peak up to the whole floor

HEAVY_FREEZES = 12.0  # an hour: one each five minutes, and nobody watches on
HEAVY_LOST_RATIO = 0.01  # of the show, keyframe waits included
RTP_TIGHT_LOSS, RTP_HOLD_LOSS = 0.02, 0.05  # above 2-5 % a sender cuts its rate hard
ARQ_TIGHT_LOSS = 0.05  # repeats are good for 1 to 5 %
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
    within the plan helps. Figures of stalls are None without a train in comparable hours; `freezes`
    are stalls that outlast a buffer, `lost_s` what they lose of the picture with the wait for the
    next keyframe (half an interval each).
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
) -> Check:
    """The answer for `plan`, from what its handoff saw in comparable hours of the last four weeks.

    Records must be of endpoints outside the house (`evidence.of_line`); those of other handoffs,
    other hours, other weeks, and those that do not count are passed over here.
    """
    history = gather(plan, runs, spans, stalls, now_unix_ns=now_unix_ns, zone=zone)
    if history.floor.bps is None or not history.train_s:
        return _check(plan, history, _unknown(history), now_unix_ns=now_unix_ns)
    parts = _parts(plan.destinations, history)
    answer = _worst(parts)

    def better(destinations: Sequence[Destination]) -> str | None:
        found = _worst(_parts(destinations, history))
        return str(found) if _WORSE.index(found) < _WORSE.index(answer) else None

    change = changes.smallest(plan.destinations, better) if answer is not Answer.GO else None
    return _check(plan, history, parts, now_unix_ns=now_unix_ns, change=change)


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
    }


def _parts(destinations: Sequence[Destination], history: History) -> list[_Part]:
    return [
        _capacity(destinations, history),
        _stalls(destinations, history),
        *_loss(destinations, history),
        *_short(history),
    ]


def _worst(parts: Sequence[_Part]) -> Answer:
    return max((part.answer for part in parts), key=_WORSE.index)


def _capacity(destinations: Sequence[Destination], history: History) -> _Part:
    """Go within 0.7 of the floor and a peak within 0.85; Tight within 0.85 and 1. With too few runs for a
    floor, Go within 0.5 and Tight where an exact floor of that height would give Go."""
    needs, peak, _ = demand.together(destinations, loss_ratio=history.loss_ratio)
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
        asks, share, reach = "the plan's peak", peak, f"{_percent(peak_limit)} for a peak"
    else:
        asks, share, reach = "the plan", needs, _percent(limit)
    because = (
        f"{asks} needs {rate_text(share)} at the IP layer, {_share(share, floor)} of {_floor_text(history)}; "
        f"{word} ends at {reach}{_overflow(destinations, floor / needs)}"
    )
    return _Part(answer=answer, code="capacity", because=because)


def _floor_text(history: History) -> str:
    floor, goodput = rate_text(history.floor.bps or 0), rate_text(history.goodput_bps or 0)
    runs = _counted(history.floor.n, "run")
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
        f"{_percent(fluid.dropped_ratio(headroom))} of the picture is lost"
    )


def _stalls(destinations: Sequence[Destination], history: History) -> _Part:
    """Go when no stall outlasts a buffer, Hold from twelve freezes an hour or 1 % of the show on."""
    cost = frozen(destinations, history)
    seen = (
        f"the line stalled {_counted(history.stalls, 'time')} in {_span(history.train_s)} of trains, "
        f"{_few(history.per_hour(history.stalls))} an hour"
    )
    if not history.stalls:
        seen = (
            f"{_span(history.train_s)} of trains saw no stall, which supports fewer than "
            f"{math.ceil(history.per_hour(3) * 100) / 100:g} an hour"
        )
    if not cost.freezes:
        outlasts = ", none for longer than the buffers hold" if history.stalls else ""
        headroom = headroom_of(destinations, history)
        if history.stalls and headroom > 1:
            outlasts += f"; after each second of one the floor takes {fluid.recovery_s(1.0, headroom):.1f} s "
            outlasts += "to catch up"
        return _Part(answer=Answer.GO, code="stalls", because=seen + outlasts)
    heavy = cost.freezes > HEAVY_FREEZES or cost.lost_s > HEAVY_LOST_RATIO * 3600
    return _Part(
        answer=Answer.HOLD if heavy else Answer.TIGHT,
        code="stalls",
        because=f"{seen}; {_few(cost.freezes)} an hour outlast the buffers and cost {_few(cost.lost_s)} s of "
        "picture with the wait for a keyframe",
    )


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
            f"no valid rate run up from {history.hours} in the last four weeks: let the probe run through "
            "those hours, or start `linebook run rate --direction up` in them"
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
    history: History,
    parts: Sequence[_Part],
    *,
    now_unix_ns: int,
    change: changes.Change | None = None,
) -> Check:
    needs, peak, keyframes = demand.together(plan.destinations, loss_ratio=history.loss_ratio)
    unknown = parts[0].answer is Answer.UNKNOWN
    answer = Answer.UNKNOWN if unknown else _worst(parts)
    deciding = [part for part in parts if part.answer is answer]
    cost = None if unknown else frozen(plan.destinations, history)
    because = ". ".join(part.because[0].upper() + part.because[1:] for part in deciding)
    stuck = answer in (Answer.TIGHT, Answer.HOLD) and change is None
    if stuck and any(part.code != "train_short" for part in deciding):
        because += f"; nothing within the plan helps, not even every destination at {changes.RESCUE.name}"
    return Check(
        plan=plan.name,
        handoff=plan.handoff,
        started_unix_ns=now_unix_ns,
        answer=answer,
        because=f"{because}.",
        smallest_change=None if change is None else change.text,
        reasons=() if answer is Answer.GO else tuple(part.code for part in deciding),
        hours=history.hours,
        demand_bps=needs,
        peak_bps=peak,
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
    )


def _share(rate_bps: int, floor_bps: int) -> str:
    return _percent(rate_bps / floor_bps) if floor_bps else "more than all"


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def _few(figure: float) -> str:
    """Digits that a short history carries: 0.4, 3.1, 128."""
    return f"{figure:.0f}" if figure >= 10 else f"{figure:.1f}"


def _span(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 2 * 3600 else f"{seconds / 3600:.1f} h"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 3)
