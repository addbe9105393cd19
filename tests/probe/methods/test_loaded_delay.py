"""Loaded-delay runs against a real endpoint on 127.0.0.1; what known queues show stands in tests/links."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from probe.foreign import ForeignProbes
from probe.methods import loaded_delay
from probe.methods.loaded_delay import LoadedDelayPlan
from probe.wire.control import RunRequest
from store.clock import Clock
from store.errors import UserMistake
from store.loaded_delay import SERIES, LoadedDelayRun
from store.records import Direction, Failed, Owner, Standing
from tests.probe.children import children
from tests.probe.endpoint.far import far_end


def plan(*directions: Direction, seconds: float = 1.0) -> LoadedDelayPlan:
    return LoadedDelayPlan(directions=directions or SERIES, flows=1, seconds=seconds, idle_s=0.5, after_s=0.5)


@pytest.mark.asyncio
async def test_every_load_in_turn(tmp_path: Path) -> None:
    """Each has its own figures, the idle part comes first, and nothing is left at the endpoint."""
    async with far_end(tmp_path / "endpoint") as far:
        run = await loaded_delay.run(plan(), far.reaches["a"], Clock())
        async with far.control() as control:
            stopped = await control.stop()
    assert isinstance(run, LoadedDelayRun), run
    assert [load.direction for load in run.loads] == [Direction.UP, Direction.DOWN, Direction.BOTH]
    rates = [(load.up_goodput_bps is None, load.down_goodput_bps is None) for load in run.loads]
    assert rates == [(False, True), (True, False), (False, False)]
    assert run.idle.rtt_us.count >= 20
    begins_ms = [load.started_ms for load in run.loads]
    assert 500 <= begins_ms[0] < begins_ms[1] < begins_ms[2]
    for load in run.loads:
        assert load.delay.sent > 0
        assert load.added_up is not None
        assert load.buffer_delay_ratio is not None
    assert run.idle.foreign is not None
    assert run.spent_bytes > 0
    assert "too_short" in run.reasons  # half a second is no rate
    assert run.standing is Standing.VOID
    assert not isinstance(stopped, Failed)
    assert (stopped.runs, stopped.trains) == (0, 0)


@pytest.mark.asyncio
async def test_a_load_that_is_refused_leaves_those_before_it(tmp_path: Path) -> None:
    """Another caller has the endpoint meanwhile: the load that was is kept, and the run says aborted."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        running = asyncio.create_task(
            loaded_delay.run(
                replace(plan(Direction.UP, Direction.DOWN), after_s=1.0),
                far.reaches["a"],
                Clock(),
                on_progress=said.put_nowait,
            )
        )
        while "delay after it" not in await said.get():
            pass
        async with far.control("b") as other:
            busy = await other.open_run(RunRequest(direction="up", flows=1, seconds=30))
            assert not isinstance(busy, Failed), busy
            run = await running
    assert isinstance(run, LoadedDelayRun), run
    assert [load.direction for load in run.loads] == [Direction.UP]
    assert "aborted" in run.reasons


@pytest.mark.asyncio
async def test_stopped_from_elsewhere_no_load_follows(tmp_path: Path) -> None:
    """A stop at the endpoint ends the load within 2 s, and the next two are not begun."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        running = asyncio.create_task(
            loaded_delay.run(plan(seconds=20), far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "up after" not in await said.get():
            pass
        async with asyncio.timeout(2), far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert (stopped.runs, stopped.trains) == (1, 1)
        run = await running
    assert isinstance(run, LoadedDelayRun), run
    assert [load.direction for load in run.loads] == [Direction.UP]
    assert "aborted" in run.reasons


@pytest.mark.asyncio
async def test_stopped_before_a_load_there_is_none(tmp_path: Path) -> None:
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        running = asyncio.create_task(
            loaded_delay.run(plan(), far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        assert "without load" in await said.get()
        async with far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert stopped.trains == 1
        found = await running
    assert isinstance(found, Failed)
    assert found.what == "run loaded-delay"


@pytest.mark.asyncio
async def test_cancelled_it_ends_at_both_ends(tmp_path: Path) -> None:
    """Within 2 s there is neither a run nor a train at the endpoint, nor a worker here."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        before = await asyncio.to_thread(children)
        running = asyncio.create_task(
            loaded_delay.run(
                plan(Direction.DOWN, seconds=20), far.reaches["a"], Clock(), on_progress=said.put_nowait
            )
        )
        while "down after" not in await said.get():
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
async def test_limits_of_the_endpoint(tmp_path: Path) -> None:
    async with far_end(tmp_path / "endpoint", limits="[caller]\nseconds_per_run = 5\n") as far:
        found = await loaded_delay.run(plan(seconds=6), far.reaches["a"], Clock())
    assert isinstance(found, Failed)
    assert (found.what, found.whose) == ("run loaded-delay", Owner.HOUSE)
    assert "5 s" in found.why


@pytest.mark.asyncio
async def test_a_foreign_probe_trusts_the_pin_alone(tmp_path: Path) -> None:
    """Another certificate gets no key and counts as no answer; so does an endpoint that refuses the key."""
    async with far_end(tmp_path / "endpoint") as far:
        good = far.reaches["a"]
        other = replace(good, invitation=replace(good.invitation, pin=bytes(32)))
        refused = replace(good, invitation=replace(good.invitation, key=bytes(32)))
        found = [
            await ForeignProbes(where=each, address="127.0.0.1", clock=Clock()).probe()
            for each in (good, other, refused)
        ]
    answered = [each.http_ns is not None for each in found]
    assert answered == [True, False, False]
    first = found[0]
    assert first.tcp_ns is not None
    assert first.tls_ns is not None
    assert first.http_ns is not None
    assert first.tcp_ns + first.tls_ns + first.http_ns <= first.ended_ns - first.began_ns


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"directions": ()}, "direction"),
        ({"directions": (Direction.UP, Direction.UP)}, "direction"),
        ({"flows": 0}, "flows"),
        ({"seconds": 0.5}, "seconds"),
    ],
)
def test_plans_that_cannot_be(more: dict[str, object], word: str) -> None:
    with pytest.raises(UserMistake, match=word):
        replace(plan(), **more)  # type: ignore[arg-type]
