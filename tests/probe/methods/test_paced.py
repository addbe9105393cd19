"""Paced runs against a real endpoint on 127.0.0.1; what shaped lines show stands in tests/links."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import service
from probe.endpoint.front import Front
from probe.methods import paced
from probe.methods.paced import PacedPlan
from probe.paced_outcome import UNSENT
from probe.wire.paced_control import PacedReport
from store.clock import Clock
from store.errors import UserMistake
from store.paced import PacedRun
from store.records import Carrier, Direction, Failed, Limit, Owner, Stamps, Standing
from tests.probe.children import children
from tests.probe.endpoint.far import Far, far_end


def plan(direction: Direction = Direction.UP, *, seconds: float = 1.0) -> PacedPlan:
    return PacedPlan(direction=direction, offered_bps=8_000_000, seconds=seconds)


async def failed(far: Far, asked: PacedPlan) -> Failed:
    found = await paced.run(asked, far.reaches["a"], Clock())
    assert isinstance(found, Failed), found
    assert (found.what, found.handoff, found.endpoint) == ("run paced", "handoff", "endpoint")
    return found


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_one_direction(tmp_path: Path, direction: Direction) -> None:
    """Ten bins, all that was sent, and what this host knows of loopback."""
    starved = Limit.PROBE if direction is Direction.UP else Limit.ENDPOINT
    async with far_end(tmp_path / "endpoint") as far:
        run = await paced.run(plan(direction), far.reaches["a"], Clock())
        async with far.control() as control:
            stopped = await control.stop()
            hello = await control.hello()
    assert isinstance(run, PacedRun), run
    assert (run.direction, run.offered_bps, run.payload_bytes) == (direction, 8_000_000, 1472)
    assert [each.start_ms for each in run.bins] == list(range(0, 1000, 100))
    assert (run.steady_from_ms, run.steady_to_ms) == (500, 1000)
    assert run.sent == run.received > 0
    assert (run.lost, run.loss_ratio) == (0, 0.0)
    assert run.limited_by is (
        starved if (run.unsent or 0) > UNSENT * run.sent else None
    )  # by what goes beside it
    assert run.rates.goodput_bps == sum(each.bytes for each in run.bins[5:]) * 8 * 2
    assert run.pdv_us.count > 0
    assert run.timestamps is Stamps.KERNEL
    assert run.circumstances.carrier is Carrier.LOOPBACK
    assert run.circumstances.egress_address == "127.0.0.1"
    assert run.reasons == ("too_short",)  # half a second is no rate
    assert run.standing is Standing.VOID
    assert run.spent_bytes == run.sent * 1472
    assert not isinstance(stopped, Failed)
    assert stopped.runs == 0
    assert not isinstance(hello, Failed)
    assert hello.bytes_left == 2_000_000_000_000 - run.sent * 1472  # booked at the endpoint


@pytest.mark.asyncio
async def test_limits_of_the_endpoint(tmp_path: Path) -> None:
    """A plan beyond them is a failure that names the limit, and nothing is sent."""
    limits = "[caller]\nseconds_per_run = 5\npaced_bps = 5_000_000\n"
    async with far_end(tmp_path / "endpoint", limits=limits) as far:
        fast = await failed(far, plan())
        long = await failed(far, plan(seconds=6))
    assert ("paced_bps" in fast.why, fast.whose) == (True, Owner.ENDPOINT)
    assert ("5 s" in long.why, long.whose) == (True, Owner.HOUSE)


@pytest.mark.asyncio
@pytest.mark.parametrize("lie", [{"pdv_max_us": ()}, {"pdv": b"?"}])
async def test_a_report_that_contradicts_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lie: dict[str, Any]
) -> None:
    """Lists of different lengths, or delays that nobody can read: a failure of the endpoint's."""

    def lying(found: object) -> object:
        assert isinstance(found, PacedReport)
        return replace(found, received=found.received and replace(found.received, **lie))

    monkeypatch.setattr(service, "_paced", lying)
    async with far_end(tmp_path / "endpoint") as far:
        found = await failed(far, plan())
    assert (found.why, found.whose) == ("the report of what arrived contradicts itself", Owner.ENDPOINT)


@pytest.mark.asyncio
async def test_an_endpoint_of_a_version_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has no such path, and the refusal is one sentence that says what to do."""
    know: Callable[..., None] = Front.__init__

    def older(self: Front, answers: dict[tuple[str, str], Callable[..., Awaitable[object]]], **more: object):
        know(self, {key: each for key, each in answers.items() if "paced" not in key[1]}, **more)

    monkeypatch.setattr(Front, "__init__", older)
    async with far_end(tmp_path / "endpoint") as far:
        found = await failed(far, plan())
    assert found.why == "the endpoint's Linebook is older than paced runs; update it there"
    assert found.whose is Owner.ENDPOINT


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_stopped_in_the_middle(tmp_path: Path, direction: Direction) -> None:
    """A stop from elsewhere ends it within 2 s, for both ends."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        asked = plan(direction, seconds=20)
        running = asyncio.create_task(
            paced.run(asked, far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "packets arrived" not in await said.get():
            pass
        async with asyncio.timeout(2), far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert stopped.runs == 1
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running


@pytest.mark.asyncio
async def test_cancelled_it_ends_at_both_ends(tmp_path: Path) -> None:
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint") as far:
        before = await asyncio.to_thread(children)
        asked = plan(Direction.DOWN, seconds=20)
        running = asyncio.create_task(
            paced.run(asked, far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "packets arrived" not in await said.get():
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


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"direction": Direction.BOTH}, "direction"),
        ({"offered_bps": 99_999}, "offered"),
        ({"offered_bps": 10_000_000_001}, "offered"),
        ({"seconds": 0.5}, "seconds"),
        ({"payload_bytes": 61}, "payload"),
        ({"payload_bytes": 1471}, "payload"),
    ],
)
def test_plans_that_cannot_be(more: dict[str, object], word: str) -> None:
    with pytest.raises(UserMistake, match=word):
        replace(plan(), **more)  # type: ignore[arg-type]
