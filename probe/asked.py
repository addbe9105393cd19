"""A run that a person asks for at the door, as JSON in and a plan out. Pure. Imports store.

Bounds are those of the commands that make the same runs; whether it may go now is for `probe.runs`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from store import demand
from store.bursts import BURST_BYTES
from store.errors import UserMistake
from store.records import Direction
from store.site import Method, RunPlan, Site, TrainPlan, Where

TRAIN = "train"
RUNS_MAX = 8  # a row of the acceptance sheet has four
SECONDS = (1, 3600)

_KNOWN = (
    *("handoff", "endpoint", "method", "direction", "seconds", "flows", "share_ratio"),
    *("offered_bps", "most_bytes", "loads", "plan"),
)
_METHODS = tuple(str(one) for one in Method if one is not Method.SOAK)
_OFFERS = (Method.PACED, Method.SIZES, Method.STEPS)
_ONE_WAY = (Method.PACED, Method.BURST, Method.SIZES, Method.CAPACITY)
_RATE_BPS_MAX = 400 * 10**9
_EVERY_S = 31 * 86_400  # nothing is due again; a plan has to say something


def plan_of(asked: Any, site: Site) -> RunPlan | TrainPlan:
    """What is asked for. Raises UserMistake that names the key."""
    if not isinstance(asked, Mapping):
        raise UserMistake("runs: expected objects")
    for key in asked:
        if key not in _KNOWN:
            raise UserMistake(f"{key!r} is not known here; expected {', '.join(_KNOWN)}")
    handoff = _one_of(asked, "handoff", [one.name for one in site.handoffs])
    outside = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
    endpoint = _one_of(
        asked, "endpoint", [one.name for one in site.endpoints], usual=outside[0] if outside else None
    )
    word = _one_of(asked, "method", (*_METHODS, TRAIN), usual="rate")
    seconds = _whole(asked, "seconds", *SECONDS, usual=10)
    if word == TRAIN:
        return TrainPlan(handoff=handoff, endpoint=endpoint, per_second=20.0)
    method = Method(word)
    if method is Method.REHEARSAL:
        return _rehearsal(asked, site, handoff=handoff, endpoint=endpoint, seconds=seconds)
    ways = [str(one) for one in Direction]
    direction = Direction(_one_of(asked, "direction", ways, usual="up"))
    if direction is Direction.BOTH and method in _ONE_WAY:
        raise UserMistake(f"direction: a {method} run goes one way; expected up or down")
    share = _share(asked, method)
    return RunPlan(
        handoff=handoff,
        endpoint=endpoint,
        direction=direction,
        seconds=seconds,
        flows=_whole(asked, "flows", 1, 16, usual=4 if method.by_tcp else 1),
        every_s=_EVERY_S,
        share_ratio=share,
        method=method,
        offered_bps=_whole(asked, "offered_bps", 1000, _RATE_BPS_MAX) if method in _OFFERS else None,
        most_bytes=(
            _whole(asked, "most_bytes", BURST_BYTES[0], BURST_BYTES[1], usual=BURST_BYTES[2])
            if method is Method.BURST
            else None
        ),
        loads=_loads(asked, direction) if method is Method.LOADED_DELAY else (),
    )


def fills(plan: RunPlan | TrainPlan) -> bool:
    """Whether it fills the line, so that somebody must have said that this may be."""
    return isinstance(plan, RunPlan) and not plan.light and plan.method is not Method.MTU


def said(plan: RunPlan | TrainPlan) -> str:
    """What it is, in words."""
    if isinstance(plan, TrainPlan):
        return f"train on {plan.handoff} to {plan.endpoint}"
    name = f" of plan {plan.stream.name}" if plan.stream is not None else ""
    way = "both ways" if plan.direction is Direction.BOTH else str(plan.direction)
    return f"{plan.called}{name} {way} on {plan.handoff} to {plan.endpoint}, {plan.lasts_s} s"


def _rehearsal(asked: Mapping[str, Any], site: Site, *, handoff: str, endpoint: str, seconds: int) -> RunPlan:
    name = _one_of(asked, "plan", [one.name for one in site.plans if one.handoff == handoff])
    stream = next(one for one in site.plans if one.name == name)
    needs_bps, _, _ = demand.together(stream.destinations)
    return RunPlan(
        handoff=handoff,
        endpoint=endpoint,
        direction=Direction.UP,
        seconds=seconds,
        flows=len(stream.destinations),
        every_s=_EVERY_S,
        method=Method.REHEARSAL,
        offered_bps=needs_bps,
        stream=stream,
    )


def _share(asked: Mapping[str, Any], method: Method) -> float:
    found = asked.get("share_ratio", 1.0)
    if isinstance(found, bool) or not isinstance(found, int | float) or not 0.01 <= found <= 1:
        raise UserMistake("share_ratio: expected a number from 0.01 to 1")
    if found < 1 and method is not Method.RATE:
        raise UserMistake("share_ratio: only a rate run can be light; leave it out")
    return float(found)


def _loads(asked: Mapping[str, Any], direction: Direction) -> tuple[Direction, ...]:
    found = asked.get("loads", [str(direction)])
    if (
        not isinstance(found, list)
        or not 1 <= len(found) <= 3
        or any(one not in list(Direction) for one in found)
    ):
        raise UserMistake("loads: expected a list of up, down and both")
    return tuple(Direction(one) for one in found)


def _one_of(
    asked: Mapping[str, Any], key: str, known: list[str] | tuple[str, ...], *, usual: str | None = None
) -> str:
    found = asked.get(key, usual)
    if not isinstance(found, str) or found not in known:
        raise UserMistake(f"{key}: expected one of {', '.join(known) or 'none, for there is none'}")
    return found


def _whole(asked: Mapping[str, Any], key: str, low: int, high: int, *, usual: int | None = None) -> int:
    found = asked.get(key, usual)
    if isinstance(found, bool) or not isinstance(found, int) or not low <= found <= high:
        raise UserMistake(f"{key}: expected a whole number from {low} to {high}")
    return found
