"""Rehearsals against a real endpoint on 127.0.0.1; what stalls do to them stands in tests/links."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from probe import daemon
from probe.endpoint.front import Front
from probe.methods import rehearsal
from probe.methods.rehearsal import RehearsalPlan
from store.clock import Clock
from store.errors import UserMistake
from store.pace import FULL
from store.records import Carrier, Direction, Failed, Owner, Standing
from store.rehearsals import Rehearsal
from store.site import Method, RunPlan, StreamPlan, Times, Transport
from tests.dashboard.judge.made import destination
from tests.probe.children import children
from tests.probe.endpoint.far import Far, far_end

EVENING = Times(weekdays=frozenset({0}), dates=frozenset(), from_minute=1140, to_minute=1260)


def stream() -> StreamPlan:
    """One destination by each transport."""
    return StreamPlan(
        name="P1",
        title="Evening class",
        handoff="handoff",
        times=EVENING,
        destinations=(
            destination(4_500_000, audio_bps=160_000, transport=Transport.TCP, buffer_s=1.0),
            destination(6_000_000, audio_bps=160_000, transport=Transport.ARQ, buffer_s=0.5),
            destination(2_500_000, audio_bps=50_000, transport=Transport.RTP, buffer_s=0.5),
        ),
    )


def plan(seconds: float = 2.0) -> RehearsalPlan:
    return RehearsalPlan(stream=stream(), seconds=seconds)


async def failed(far: Far, asked: RehearsalPlan) -> Failed:
    found = await rehearsal.run(asked, far.reaches["a"], Clock())
    assert isinstance(found, Failed), found
    assert (found.what, found.handoff, found.endpoint) == ("run rehearsal", "handoff", "endpoint")
    return found


@pytest.mark.asyncio
async def test_each_transport_at_once(tmp_path: Path) -> None:
    """Every frame of 2 s is sent, arrives and could be shown; what it moved is booked at the endpoint."""
    async with far_end(tmp_path / "endpoint") as far:
        run = await rehearsal.run(plan(), far.reaches["a"], Clock())
        async with far.control() as control:
            stopped = await control.stop()
            hello = await control.hello()
    assert isinstance(run, Rehearsal), run
    assert (run.plan, run.seconds, run.ip_version) == ("P1", 2.0, 4)
    assert [one.transport for one in run.destinations] == ["tcp", "arq", "rtp"]
    for one in run.destinations:
        assert (one.frames, one.sent, one.dropped, one.waited, one.lost) == (60, 60, 0, 0, 0)
        assert one.delay_us is not None
        assert one.delay_us.count == 60
    assert run.circumstances.carrier is Carrier.LOOPBACK
    # payload of one group each, beside what the plan needs by its sums, which is some 3 % more with headers
    assert run.spent_bytes * 8 / 2 == pytest.approx(run.demand_bps, rel=0.05)
    assert not isinstance(stopped, Failed)
    assert stopped.runs == 0
    assert not isinstance(hello, Failed)
    assert hello.rehearsal_seconds_max == 3600
    assert hello.bytes_left is not None
    assert 2_000_000_000_000 - hello.bytes_left == pytest.approx(run.spent_bytes, rel=0.001)


@pytest.mark.asyncio
async def test_limits_of_the_endpoint(tmp_path: Path) -> None:
    """A plan beyond them is a failure that names the limit, and nothing is sent."""
    limits = "[caller]\nseconds_per_rehearsal = 5\npaced_bps = 5_000_000\n"
    async with far_end(tmp_path / "endpoint", limits=limits) as far:
        fast = await failed(far, plan())
        long = await failed(far, plan(seconds=6))
    assert ("paced_bps" in fast.why, fast.whose) == (True, Owner.ENDPOINT)
    assert ("5 s a rehearsal" in long.why, long.whose) == (True, Owner.HOUSE)


@pytest.mark.asyncio
async def test_an_endpoint_of_a_version_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has no such path, and the refusal is one sentence that says what to do."""
    know: Callable[..., None] = Front.__init__

    def older(self: Front, answers: dict[tuple[str, str], Callable[..., Awaitable[object]]], **more: object):
        know(self, {key: each for key, each in answers.items() if "rehearsal" not in key[1]}, **more)

    monkeypatch.setattr(Front, "__init__", older)
    async with far_end(tmp_path / "endpoint") as far:
        found = await failed(far, plan())
    assert found.why == "the endpoint's Linebook is older than rehearsals; update it there"
    assert found.whose is Owner.ENDPOINT


@pytest.mark.asyncio
async def test_stopped_from_elsewhere_it_ends_here_too(tmp_path: Path) -> None:
    """Within 2 s at both ends; what had gone by then is kept, void."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        running = asyncio.create_task(
            rehearsal.run(plan(seconds=30), far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "after" not in await said.get():
            pass
        async with asyncio.timeout(2):
            async with far.control() as control:
                stopped = await control.stop()
            run = await running
    assert not isinstance(stopped, Failed)
    assert stopped.runs == 1
    assert isinstance(run, Rehearsal), run
    assert (run.standing, "aborted" in run.reasons) == (Standing.VOID, True)
    assert 0 < run.destinations[0].frames < 300


@pytest.mark.asyncio
async def test_cancelled_it_ends_at_both_ends(tmp_path: Path) -> None:
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        before = await asyncio.to_thread(children)
        running = asyncio.create_task(
            rehearsal.run(plan(seconds=30), far.reaches["a"], Clock(), on_progress=said.put_nowait)
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
        assert stopped.runs == 0
        assert await asyncio.to_thread(children) == before


@pytest.mark.asyncio
async def test_the_daemon_rehearses_what_the_schedule_has(tmp_path: Path) -> None:
    """A run with a stream plan goes by this method, whatever rate it is said to offer."""
    asked = RunPlan(
        handoff="handoff",
        endpoint="endpoint",
        direction=Direction.UP,
        seconds=1,
        flows=3,
        every_s=86_400,
        method=Method.REHEARSAL,
        offered_bps=14_000_000,
        stream=stream(),
    )
    methods = await asyncio.to_thread(daemon._methods, tmp_path / "line.db")
    async with far_end(tmp_path / "endpoint") as far:
        found = await methods.rate(asked, far.reaches["a"], Clock(), pace=FULL)
    assert isinstance(found, Rehearsal), found
    assert (found.plan, found.seconds) == ("P1", 1)


@pytest.mark.parametrize("seconds", [0.5, 3601])
def test_plans_that_cannot_be(seconds: float) -> None:
    with pytest.raises(UserMistake, match="seconds: expected 1 to 3600"):
        plan(seconds)
