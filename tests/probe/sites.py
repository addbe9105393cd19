"""Small sites of the invented practice place, and a run on its line, for the tests of this folder."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from probe.wire.invitation import Invitation, write
from store.records import Circumstances, Direction, RateRun, Stamps
from store.site import (
    Card,
    EndpointRef,
    Handoff,
    RunPlan,
    Safety,
    Site,
    Times,
    TrainPlan,
    Where,
    Window,
    WindowKind,
)

EVERY_DAY = frozenset(range(7))
INVITATION = write(Invitation(host="192.0.2.230", port=47862, flow_port=47863, key=bytes(32), pin=bytes(32)))


def handoff(name: str = "A", *, up_mbps: int | None = 20, down_mbps: int | None = 250) -> Handoff:
    """A handoff whose card states these rates; no allowance, not metered, reached as the routes say."""
    card = Card(
        rate_up_bps=None if up_mbps is None else up_mbps * 1_000_000,
        rate_down_bps=None if down_mbps is None else down_mbps * 1_000_000,
    )
    return Handoff(
        name=name,
        title=name,
        interface=None,
        source=None,
        metered=False,
        allowance_bytes=None,
        card=card,
        safety=Safety(emergency_calls=False, alarms=False, medical_devices=False),
    )


def run_plan(*, every_s: int, seconds: int = 10, handoff: str = "A", endpoint: str = "north") -> RunPlan:
    return RunPlan(
        handoff=handoff,
        endpoint=endpoint,
        direction=Direction.UP,
        seconds=seconds,
        flows=4,
        every_s=every_s,
    )


def train_plan(*, per_second: float = 20, handoff: str = "A", endpoint: str = "north") -> TrainPlan:
    return TrainPlan(handoff=handoff, endpoint=endpoint, per_second=per_second)


def rate_run(*, spent_bytes: int = 25_000_000) -> RateRun:
    """A run that measured neither direction, which the daemon does not look at."""
    return RateRun(
        handoff="A",
        endpoint="north",
        started_unix_ns=0,
        seconds=10,
        direction=Direction.UP,
        flows=4,
        up=None,
        down=None,
        rtt_idle_us=None,
        rtt_loaded_us=None,
        timestamps=Stamps.KERNEL,
        spent_bytes=spent_bytes,
        reasons=(),
        circumstances=Circumstances(),
    )


def window(
    kind: WindowKind, *, minutes: tuple[int, int], days: frozenset[int] = EVERY_DAY, **more: object
) -> Window:
    """A window by weekday; further fields of `Window` go in by name."""
    times = Times(weekdays=days, dates=frozenset(), from_minute=minutes[0], to_minute=minutes[1])
    made = Window(name=f"{kind} hours", kind=kind, times=times, handoffs=(), reference=None)
    return replace(made, **more)  # type: ignore[arg-type]


def site(**more: object) -> Site:
    """One handoff A and one endpoint north in Lisbon's time zone; fields of `Site` go in by name."""
    made = Site(
        name="Quillet Lane (invented)",
        invented=True,
        timezone="Europe/Lisbon",
        database=Path("unused.db"),
        file=Path("unused.toml"),
        handoffs=(handoff(),),
        endpoints=(EndpointRef(name="north", where=Where.OUTSIDE, invitation=INVITATION),),
        trains=(),
        runs=(),
        plans=(),
        windows=(),
    )
    return replace(made, **more)  # type: ignore[arg-type]
