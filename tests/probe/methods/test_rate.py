"""Rate runs against a real endpoint on 127.0.0.1; what shaped lines show stands in tests/links."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import pytest

from probe.bulk.process import Event
from probe.bulk.server import FlowServer
from probe.control import Control
from probe.linux import clock_state, timestamps
from probe.methods import rate
from probe.methods.rate import RatePlan
from probe.reach import Binding
from probe.wire.control import Hello
from store.clock import Clock
from store.errors import UserMistake
from store.pace import Pace, each_way
from store.records import Carrier, Direction, Failed, Limit, Owner, RateRun, Standing
from tests.probe.children import children
from tests.probe.endpoint.far import Far, far_end

LOOPBACK_MTU_BYTES = min(65_535, int(Path("/sys/class/net/lo/mtu").read_text()))  # RFC 791: 16 bits


def plan(direction: Direction = Direction.UP, *, seconds: float = 1.0, flows: int = 2) -> RatePlan:
    return RatePlan(direction=direction, flows=flows, seconds=seconds, idle_s=0.3, per_second=50)


async def ran(far: Far, asked: RatePlan, *, clock: Clock | None = None) -> RateRun:
    found = await rate.run(asked, far.reaches["a"], clock or Clock())
    assert isinstance(found, RateRun), found
    return found


async def failed(far: Far, asked: RatePlan) -> Failed:
    found = await rate.run(asked, far.reaches["a"], Clock())
    assert isinstance(found, Failed), found
    assert (found.what, found.handoff, found.endpoint) == ("run rate", "handoff", "endpoint")
    return found


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_one_direction(tmp_path: Path, direction: Direction) -> None:
    """A side with ten bins, layers, delays of both parts, and what this host knows of loopback."""
    async with far_end(tmp_path / "endpoint") as far:
        run = await ran(far, plan(direction))
    assert list(run.sides()) == [direction]
    side = run.sides()[direction]
    assert [bin_.start_ms for bin_ in side.bins] == list(range(0, 1000, 100))
    assert sum(bin_.bytes for bin_ in side.bins) == side.received_bytes
    steady = sum(bin_.bytes for bin_ in side.bins[5:])
    assert side.rates.goodput_bps == steady * 8 * 2
    assert run.spent_bytes >= side.received_bytes
    assert run.circumstances.carrier is Carrier.LOOPBACK
    assert run.circumstances.egress_address == "127.0.0.1"
    assert (run.circumstances.other_up_bps, run.circumstances.other_down_bps) == (None, None)
    mtu_bytes = LOOPBACK_MTU_BYTES  # and TCP's path MTU is the interface's there
    known = run.circumstances
    assert known.path_mtu_up_bytes == mtu_bytes
    assert known.path_mtu_down_bytes == (mtu_bytes if direction is Direction.DOWN else None)
    assert known.host_cpu_ratio is not None
    assert 0 < known.host_cpu_ratio <= 1
    assert (known.frame_errors, known.pause_received, known.optic_received_nw) == (0, None, None)
    assert (known.left_elsewhere, known.rules) == (None, None)
    assert run.rtt_idle_us is not None
    assert run.rtt_loaded_us is not None
    assert run.rtt_idle_us.count >= 14  # 0.3 s of 50 a second, and until the flows are connected
    assert 20 <= run.rtt_loaded_us.count <= 26  # the steady half second
    assert {"too_short", "short"} <= set(run.reasons)
    assert run.standing is Standing.VOID


@pytest.mark.asyncio
async def test_both_directions(tmp_path: Path) -> None:
    async with far_end(tmp_path / "endpoint") as far:
        run = await ran(far, plan(Direction.BOTH, seconds=4))
    assert set(run.sides()) == {Direction.UP, Direction.DOWN}
    for side in run.sides().values():
        assert (len(side.bins), side.steady_from_ms, side.steady_to_ms) == (40, 2000, 4000)
        assert 0 < side.lowest_second_bps <= side.rates.goodput_bps
    assert "too_short" not in run.reasons
    assert "aborted" not in run.reasons


@pytest.mark.asyncio
async def test_congestion_control_is_what_was_asked(tmp_path: Path) -> None:
    """reno is open to every process; each sender's own kernel says what it used."""
    async with far_end(tmp_path / "endpoint") as far:
        run = await ran(far, replace(plan(Direction.BOTH), congestion="reno"))
    assert {side.congestion for side in run.sides().values()} == {"reno"}


@pytest.mark.asyncio
async def test_a_light_run_is_held_both_ways(tmp_path: Path) -> None:
    """Loopback carries thousands of times as much: what arrives is what was asked, each way its own rate.

    SO_MAX_PACING_RATE counts payload. The record says what was asked, and that the run was held by that.
    """
    asked = replace(plan(Direction.BOTH, seconds=4), pace=Pace(up_bps=4_000_000, down_bps=8_000_000))
    async with far_end(tmp_path / "endpoint") as far:
        run = await ran(far, asked)
    assert (run.at_most_up_goodput_bps, run.at_most_down_goodput_bps) == (4_000_000, 8_000_000)
    assert (run.light, run.reasons, run.standing) == (
        True,
        ("light", "short", "ceiling_unknown"),
        Standing.VALID,
    )
    for direction, side in run.sides().items():
        at_most_bps = run.at_most_goodput_bps(direction)
        assert at_most_bps is not None
        assert 0.97 <= side.rates.goodput_bps / at_most_bps <= 1.01
        assert side.limited_by in (Limit.PACE, Limit.PROBE, Limit.ENDPOINT)  # late where the machine is busy
    # what waits in a kernel at the end is little beside what was sent
    assert run.spent_bytes <= 1.4 * (4_000_000 + 8_000_000) * 4 / 8


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.DOWN, Direction.BOTH])
async def test_an_endpoint_from_before_is_not_asked_to_hold_back(
    tmp_path: Path, direction: Direction, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would pass over the rate and fill the line down, so the run fails with the sentence that helps."""
    hello = Control.hello

    async def of_before(control: Control) -> Hello | Failed:
        said = await hello(control)
        return said if isinstance(said, Failed) else replace(said, paces=None)

    monkeypatch.setattr(Control, "hello", of_before)
    pace = each_way(direction, 4_000_000)
    async with far_end(tmp_path / "endpoint") as far:
        found = await failed(far, replace(plan(direction), pace=pace))
        up = await ran(far, replace(plan(Direction.UP), pace=each_way(Direction.UP, 4_000_000)))
    assert ("cannot hold a run down to a rate; update it there" in found.why, found.whose) == (
        True,
        Owner.ENDPOINT,
    )
    assert up.light  # the sender is here


@pytest.mark.asyncio
async def test_limits_of_the_endpoint(tmp_path: Path) -> None:
    """A plan beyond them is a failure that names the limit, and nothing flows."""
    limits = "[caller]\nseconds_per_run = 5\nflows = 2\n"
    async with far_end(tmp_path / "endpoint", limits=limits) as far:
        long = await failed(far, plan(seconds=6))
        many = await failed(far, plan(flows=3))
    assert ("5 s" in long.why, long.whose) == (True, Owner.HOUSE)
    assert "2 flows" in many.why


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_the_endpoint_dies_in_the_middle(tmp_path: Path, direction: Direction) -> None:
    """What had arrived is kept and void: down it is here, up it is what the endpoint last told."""
    said: asyncio.Queue[str] = asyncio.Queue()

    others = await asyncio.to_thread(children)
    async with far_end(tmp_path / "endpoint") as far:
        (worker,) = await asyncio.to_thread(children) - others
        running = asyncio.create_task(
            rate.run(plan(direction, seconds=20), far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while f"{direction} after" not in await said.get():
            pass
        os.kill(worker, signal.SIGKILL)
        run = await running
    assert isinstance(run, RateRun), run
    assert "aborted" in run.reasons
    assert run.standing is Standing.VOID
    side = run.sides()[direction]
    assert 10 <= len(side.bins) < 100
    assert side.received_bytes > 0


@pytest.mark.asyncio
async def test_cancelled_it_ends_at_both_ends(tmp_path: Path) -> None:
    """Within 2 s there is neither a run nor a train at the endpoint, nor a worker here."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        before = await asyncio.to_thread(children)
        running = asyncio.create_task(
            rate.run(plan(seconds=20), far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "after" not in await said.get():
            pass
        running.cancel()
        async with asyncio.timeout(2):
            with pytest.raises(asyncio.CancelledError):
                await running
        async with far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert (stopped.runs, stopped.trains) == (0, 0)
        assert await asyncio.to_thread(children) == before


@pytest.mark.asyncio
async def test_flows_that_cannot_connect(tmp_path: Path) -> None:
    """Control answers, but the flow port is shut (a firewall, say): a failure, and no run is left behind."""
    async with far_end(tmp_path / "endpoint") as far:
        for door in far.endpoint.doors.flows:
            door.shutdown(2)  # no longer listening, in the worker as well
        found = await failed(far, plan())
        async with far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert stopped.runs == 0
    assert "flows did not connect" in found.why


@pytest.mark.asyncio
async def test_an_interface_that_is_not_there(tmp_path: Path) -> None:
    async with far_end(tmp_path / "endpoint") as far:
        where = replace(far.reaches["a"], binding=Binding(interface="none0"))
        found = await rate.run(plan(), where, Clock())
    assert isinstance(found, Failed)
    assert ("none0" in found.why, found.whose) == (True, Owner.HOUSE)


@pytest.mark.parametrize(
    ("flows", "seconds", "word"), [(0, 5, "flows"), (17, 5, "flows"), (1, 0.5, "seconds"), (1, -1, "seconds")]
)
def test_plans_that_cannot_be(flows: int, seconds: float, word: str) -> None:
    with pytest.raises(UserMistake, match=word):
        plan(flows=flows, seconds=seconds)


@pytest.mark.asyncio
@pytest.mark.parametrize(("set_s", "slept_s", "reason"), [(42, 0, "clock_set"), (0, 3, "slept")])
async def test_a_clock_that_is_set_and_a_host_that_sleeps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, set_s: float, slept_s: float, reason: str
) -> None:
    """In the middle of the load. A clock that is set spoils no figure; a sleep voids the run."""
    loaded: list[int] = []  # what the endpoint was told to have moved so far, once it moves something
    heard = FlowServer._on_event

    def hearing(self: FlowServer, event: Event) -> None:
        if event["bytes"]:
            loaded.append(event["bytes"])
        heard(self, event)

    def leapt_ns(by_s: float) -> int:
        return round(by_s * 1e9) if loaded else 0

    monkeypatch.setattr(FlowServer, "_on_event", hearing)
    moving = Clock(
        unix_ns=lambda: time.time_ns() + leapt_ns(set_s + slept_s),
        boot_ns=lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME) + leapt_ns(slept_s),
    )
    # the kernel's clock cannot be set here, so its stamps stay out
    monkeypatch.setattr(timestamps, "prepare", lambda sock, *, transmit: False)
    async with far_end(tmp_path / "endpoint") as far:
        began_ns = time.time_ns()
        run = await ran(far, plan(seconds=2), clock=moving)
        ended_ns = time.time_ns()
    assert len(loaded) > 1  # it was told of the load while that went on, and not only at its end
    assert reason in run.reasons
    assert {"clock_set", "slept"} - {reason} - set(run.reasons)
    assert began_ns < run.started_unix_ns < ended_ns  # by the clock as it was at the start
    if reason == "slept":
        assert run.standing is Standing.VOID
        return
    assert run.rtt_loaded_us is not None
    assert run.rtt_loaded_us.max < set_s * 1e6


@pytest.mark.asyncio
async def test_the_clocks_state_is_a_circumstance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    known = clock_state.ClockState(synchronised=True, error_us=2345)
    monkeypatch.setattr(clock_state, "read", lambda: known)
    async with far_end(tmp_path / "endpoint") as far:
        run = await ran(far, plan())
    assert (run.circumstances.clock_synchronised, run.circumstances.clock_error_us) == (True, 2345)


def test_a_rate_that_flows_cannot_be_held_to() -> None:
    with pytest.raises(
        UserMistake, match=r"at most: 90 kb/s of payload up are too little to hold 2 flows to"
    ):
        replace(plan(), pace=Pace(up_bps=90_000))
