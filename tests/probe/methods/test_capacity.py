"""Capacity runs against a real endpoint on 127.0.0.1, held to a few Mb/s; shaped lines are in tests/links."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Awaitable, Callable
from dataclasses import fields
from pathlib import Path

import pytest

from probe.endpoint.front import Front
from probe.load_rate import FEEDBACK_NS, Feedback, Search, rate_bps
from probe.methods import capacity
from probe.methods.capacity import CapacityPlan
from probe.wire.invitation import write
from store.capacity import CapacityRun
from store.clock import NS_PER_US, Clock
from store.errors import UserMistake
from store.records import Carrier, Direction, Failed, Limit, Owner, Standing
from tests.probe.children import children
from tests.probe.endpoint.far import Far, far_end

LINEBOOK = Path(__file__).parents[3] / "linebook.py"
SLOW = "[caller]\npaced_bps = 5_500_000\n"


async def failed(far: Far, asked: CapacityPlan) -> Failed:
    found = await capacity.run(asked, far.reaches["a"], Clock())
    assert isinstance(found, Failed), found
    assert (found.what, found.handoff, found.endpoint) == ("run capacity", "handoff", "endpoint")
    return found


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_one_direction(tmp_path: Path, direction: Direction) -> None:
    """Up to the most that the endpoint allows, which is then its limit; rates follow from its reports."""
    async with far_end(tmp_path / "endpoint", limits=SLOW) as far:
        run = await capacity.run(CapacityPlan(direction=direction, seconds=2), far.reaches["a"], Clock())
        async with far.control() as control:
            hello = await control.hello()
    assert isinstance(run, CapacityRun), run
    assert (run.direction, run.payload_bytes, run.most_bps, run.top_bps) == (
        *(direction, 1220),
        *(5_000_000, 5_000_000),
    )
    assert [each.start_ms for each in run.sub_intervals] == [0, 1000]
    assert [each.start_ms for each in run.bins] == list(range(0, 2000, 100))
    assert run.ip_capacity_bps == max(each.ip_bps for each in run.sub_intervals) <= 5_100_000
    assert run.ip_capacity_bps == run.rates.ip_bps
    assert (run.limited_by, run.standing) == (Limit.ENDPOINT, Standing.VOID)
    assert run.reasons == ("endpoint_limit",)
    assert run.circumstances.carrier is Carrier.LOOPBACK
    assert not isinstance(hello, Failed)
    assert hello.bytes_left == 2_000_000_000_000 - run.spent_bytes  # booked at the endpoint
    search = Search(row_max=5)
    for step in run.steps:  # anybody can follow the search from the record
        if step.sequence_errors is None or step.delay_range_us is None:
            search.silence()
        else:
            search.report(
                Feedback(sequence_errors=step.sequence_errors, delay_range_ns=step.delay_range_us * NS_PER_US)
            )
        assert step.rate_bps == rate_bps(search.row)
    assert 25 <= len(run.steps) <= 2 * 10**9 // FEEDBACK_NS + 4


@pytest.mark.asyncio
async def test_one_at_a_time(tmp_path: Path) -> None:
    """A second start, and another caller, get one sentence; the run under way goes on."""
    said: asyncio.Queue[str] = asyncio.Queue()
    async with far_end(tmp_path / "endpoint", limits=SLOW + "[endpoint]\nruns = 4\n") as far:
        asked = CapacityPlan(direction=Direction.UP, seconds=2)
        first = asyncio.create_task(
            capacity.run(asked, far.reaches["a"], Clock(), on_progress=said.put_nowait)
        )
        while "packets arrived" not in await said.get():
            pass
        second = await failed(far, asked)
        assert second.whose is Owner.ENDPOINT
        assert "a capacity run is under way, and nothing else runs beside it; free again in" in second.why
        assert isinstance(await first, CapacityRun)


@pytest.mark.asyncio
async def test_the_command_up_and_then_down(tmp_path: Path) -> None:
    """One object for both ways, each whole under its direction, with the worse standing and all reasons."""
    async with far_end(tmp_path / "endpoint", limits=SLOW) as far:
        line = write(far.reaches["a"].invitation)
        words = ("run", "capacity", "--endpoint", line, "--direction", "both", "--seconds", "2", "--json")
        running = await asyncio.create_subprocess_exec(
            *(sys.executable, str(LINEBOOK), *words),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        out, said = await running.communicate()
    assert running.returncode == 0, said
    found = json.loads(out)
    assert (found["kind"], found["schema"], found["direction"]) == ("capacity", 1, "both")
    assert (found["standing"], found["reasons"]) == ("void", ["endpoint_limit"])
    assert [found[way]["direction"] for way in ("up", "down")] == ["up", "down"]
    assert found["up"]["started"] < found["down"]["started"]
    for way in ("up", "down"):
        run = found[way]
        assert (run["kind"], run["ip_capacity_bps"]) == ("capacity", run["ip_bps"])
        assert run["ethernet_bps"] == pytest.approx(run["ip_bps"] * 1266 / 1248, rel=1e-6)
        assert {"loss_ratio", "bins", "sub_intervals", "steps", "limited_by"} <= set(run)
    assert b"fills the line" in said


@pytest.mark.asyncio
async def test_an_endpoint_of_a_version_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    know: Callable[..., None] = Front.__init__

    def older(self: Front, answers: dict[tuple[str, str], Callable[..., Awaitable[object]]], **more: object):
        know(self, {key: each for key, each in answers.items() if key[1] != "capacity_runs"}, **more)

    monkeypatch.setattr(Front, "__init__", older)
    async with far_end(tmp_path / "endpoint") as far:
        found = await failed(far, CapacityPlan(direction=Direction.UP))
    assert found.why == "the endpoint's Linebook is older than capacity runs; update it there"


@pytest.mark.asyncio
@pytest.mark.parametrize("direction", [Direction.UP, Direction.DOWN])
async def test_stopped_it_ends_at_both_ends_within_two_seconds(tmp_path: Path, direction: Direction) -> None:
    """By a stop from elsewhere, and by being cancelled here."""
    async with far_end(tmp_path / "endpoint", limits=SLOW) as far:
        before = await asyncio.to_thread(children)
        for from_elsewhere in (True, False):
            said: asyncio.Queue[str] = asyncio.Queue()
            asked = CapacityPlan(direction=direction, seconds=20)
            running = asyncio.create_task(
                capacity.run(asked, far.reaches["a"], Clock(), on_progress=said.put_nowait)
            )
            while "packets arrived" not in await said.get():
                pass
            async with asyncio.timeout(2), far.control() as control:
                if from_elsewhere:
                    stopped = await control.stop()
                    assert not isinstance(stopped, Failed)
                    assert stopped.runs == 1
                running.cancel()
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
        ({"seconds": 1}, "seconds"),
        ({"seconds": 61}, "seconds"),
        ({"payload_bytes": 1221}, "payload"),
        ({"payload_bytes": 1476}, "payload"),
    ],
)
def test_plans_that_cannot_be(more: dict[str, object], word: str) -> None:
    with pytest.raises(UserMistake, match=word):
        CapacityPlan(**({"direction": Direction.UP} | more))  # type: ignore[arg-type]


def test_nobody_tells_it_the_contracted_rate() -> None:
    """RFC 9097 section 2: the search "SHALL NOT be provided with the exact capacity value". A plan has no
    place for it, and the module knows no card.
    """
    assert {one.name for one in fields(CapacityPlan)} == {"direction", "seconds", "payload_bytes"}
    assert not [name for name in vars(capacity) if "card" in name.lower() or "contract" in name.lower()]
