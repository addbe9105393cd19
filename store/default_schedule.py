"""The schedule of a line whose site file names none: class A for capped or slow lines, B for the others.

Common practice, no source, but for the slots, of which each holds one run at a random moment (RFC 3432).
Class A costs about 50 GB a month on a line of 250/20 Mb/s, class B 0.87 TB at 2 Gb/s each way. Of class B
180 GB are an hourly light run at a tenth of the rate, both ways; it watches the line between full runs and
supports no claim about its full rate, for which there are 120 full runs a month each way. Pure. Imports
site and pace.
"""

from __future__ import annotations

from enum import StrEnum

from store import pace
from store.records import Direction
from store.site import EndpointRef, Handoff, RunPlan, Times, TrainPlan, Where

FLOWS = 4  # one flow alone is often held down by its window, not by the line
SMALL_ALLOWANCE_BYTES = 100 * 10**9
SLOW_BPS = 300_000_000

_HOUR_S, _WEEK_S = 3600, 7 * 86_400
_UP, _DOWN = Direction.UP, Direction.DOWN
LIGHT_RATIO, _LIGHT_S = 0.1, 5
_RUNS_A = ((_UP, 10, FLOWS, _HOUR_S), (_DOWN, 5, FLOWS, 4 * _HOUR_S))
_RUNS_B = (
    (_UP, 10, FLOWS, 6 * _HOUR_S),
    (_DOWN, 10, FLOWS, 6 * _HOUR_S),
    *((direction, 20, flows, _WEEK_S) for direction in (_UP, _DOWN) for flows in (1, 8)),
)


class ScheduleClass(StrEnum):
    """A spares a line that is slow or paid for by volume, B asks more of one that is neither."""

    A = "A"
    B = "B"


def class_of(handoff: Handoff) -> ScheduleClass:
    """A for a small allowance, a metered or a slow line, and where the card states no rate; else B."""
    rates_bps = [rate for rate in (handoff.card.rate_up_bps, handoff.card.rate_down_bps) if rate is not None]
    small = handoff.allowance_bytes is not None and handoff.allowance_bytes <= SMALL_ALLOWANCE_BYTES
    slow = max(rates_bps, default=0) <= SLOW_BPS
    return ScheduleClass.A if small or slow or handoff.metered else ScheduleClass.B


def said(handoff: Handoff) -> str:
    """Which schedule a handoff has when its site file names none, and what is not part of it."""
    if handoff.metered and not handoff.metered_runs:
        return "No [[run]] in the file, and the line is metered: no rate runs."
    if class_of(handoff) is ScheduleClass.A:
        return "No [[run]] in the file: schedule A, for a line that is capped, slow, or has no stated rate."
    return (
        "No [[run]] in the file: schedule B, for a line that is neither capped nor slow. Its light "
        f"runs at {LIGHT_RATIO * 100:g} % of the rate show that the line carries so much; they support no "
        "claim about its full rate."
    )


def trains(handoff: Handoff, endpoints: tuple[EndpointRef, ...], *, busy: Times) -> tuple[TrainPlan, ...]:
    """The trains of a handoff; a second endpoint of class A is asked in the busy hours only."""
    outside, house = _places(endpoints)
    if class_of(handoff) is ScheduleClass.A:
        always = TrainPlan(handoff=handoff.name, endpoint=outside[0], per_second=5.0)
        second = (
            TrainPlan(handoff=handoff.name, endpoint=name, per_second=1.0, times=busy)
            for name in outside[1:2]
        )
        return (always, *second)
    return tuple(
        TrainPlan(handoff=handoff.name, endpoint=name, per_second=20.0) for name in (*outside[:2], *house[:1])
    )


def runs(handoff: Handoff, endpoints: tuple[EndpointRef, ...]) -> tuple[RunPlan, ...]:
    """The rate runs of a handoff, to the first endpoint outside; a metered one has none by itself."""
    if handoff.metered and not handoff.metered_runs:
        return ()
    outside, _ = _places(endpoints)
    small = class_of(handoff) is ScheduleClass.A
    full = (
        RunPlan(
            handoff=handoff.name,
            endpoint=outside[0],
            direction=direction,
            seconds=seconds,
            flows=flows,
            every_s=every_s,
        )
        for direction, seconds, flows, every_s in (_RUNS_A if small else _RUNS_B)
    )
    return (*full, *(() if small else _light_runs(handoff, outside[0])))


def _light_runs(handoff: Handoff, endpoint: str) -> tuple[RunPlan, ...]:
    """One an hour, in the directions whose rate the card states: of none other there is a share."""
    stated = [one for one in (_UP, _DOWN) if handoff.card.rate_bps(one) is not None]
    if not stated:
        return ()
    light = RunPlan(
        handoff=handoff.name,
        endpoint=endpoint,
        direction=Direction.BOTH if len(stated) > 1 else stated[0],
        seconds=_LIGHT_S,
        flows=FLOWS,
        every_s=_HOUR_S,
        share_ratio=LIGHT_RATIO,
    )
    return (
        ()
        if pace.too_little(pace.share_of(handoff.card, LIGHT_RATIO, light.direction), flows=FLOWS)
        else (light,)
    )


def _places(endpoints: tuple[EndpointRef, ...]) -> tuple[list[str], list[str]]:
    """The names of those outside and of those in the house."""
    outside = [each.name for each in endpoints if each.where is Where.OUTSIDE]
    return outside, [each.name for each in endpoints if each.where is not Where.OUTSIDE]
