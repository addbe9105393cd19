"""Burst runs against a real endpoint on 127.0.0.1; what limited lines show stands in tests/links."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from probe.methods import burst, carrying
from probe.methods.burst import BurstPlan
from store.bursts import BurstRun, Limiter
from store.clock import Clock
from store.errors import UserMistake
from store.records import Carrier, Direction, Failed, Owner
from tests.probe.children import children
from tests.probe.endpoint.far import far_end


def plan(direction: Direction = Direction.UP, *, most_bytes: int = 96_000) -> BurstPlan:
    return BurstPlan(direction=direction, most_bytes=most_bytes, idle_s=0.1)


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_a_line_without_a_limit(tmp_path: Path, direction: Direction) -> None:
    """Two bursts pass whole, and the endpoint books what they moved."""
    async with far_end(tmp_path / "endpoint") as far:
        run = await burst.run(plan(direction), far.reaches["a"], Clock())
        async with far.control() as control:
            hello = await control.hello()
    assert isinstance(run, BurstRun), run
    assert [one.sent for one in run.bursts] == [16, 64]
    assert [one.received for one in run.bursts] == [16, 64]
    assert (run.limiter, run.committed_bytes, run.undisturbed_bytes) == (Limiter.NONE, None, 96_000)
    assert (run.direction, run.payload_bytes, run.reasons) == (direction, 1472, ())
    assert run.circumstances.carrier is Carrier.LOOPBACK
    assert run.spent_bytes == 80 * 1472
    assert not isinstance(hello, Failed)
    assert hello.bytes_left == 2_000_000_000_000 - 80 * 1472


@pytest.mark.asyncio
async def test_an_endpoint_that_caps_the_rate(tmp_path: Path) -> None:
    limits = "[caller]\npaced_bps = 5_000_000\n"
    async with far_end(tmp_path / "endpoint", limits=limits) as far:
        found = await burst.run(plan(), far.reaches["a"], Clock())
    assert isinstance(found, Failed)
    assert (found.what, "paced_bps" in found.why, found.whose) == ("run burst", True, Owner.ENDPOINT)


@pytest.mark.asyncio
async def test_cancelled_it_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the answer to its opening is under way: no worker stays, and the endpoint has no run of it."""
    monkeypatch.setattr(carrying, "_LET_GO_S", 10.0)  # a busy machine may take long for the goodbye
    async with far_end(tmp_path / "endpoint") as far:
        before = await asyncio.to_thread(children)
        sent = asyncio.Event()
        work = asyncio.create_task(
            burst.run(plan(), far.reaches["a"], Clock(), on_progress=lambda _: sent.set())
        )
        await sent.wait()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
        async with far.control() as control:
            stopped = await control.stop()
        assert not isinstance(stopped, Failed)
        assert stopped.runs == 0
        assert await asyncio.to_thread(children) == before


@pytest.mark.parametrize(
    ("wrong", "names"), [({"direction": Direction.BOTH}, "direction"), ({"most_bytes": 1_000}, "most")]
)
def test_what_no_endpoint_grants(wrong: dict[str, object], names: str) -> None:
    given: dict[str, object] = {"direction": Direction.UP}
    with pytest.raises(UserMistake, match=names):
        BurstPlan(**given | wrong)  # type: ignore[arg-type]
