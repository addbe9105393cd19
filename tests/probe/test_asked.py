"""Runs that a person asks for: by the schedule's own rules, on record with who asked, ended at once."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from probe import asked, progress
from probe.door import opened
from store import door
from store.asked_for import AskedFor
from store.clock import Clock
from store.errors import UserMistake
from store.records import Direction, Failed, Gap, RateRun, Standing
from store.site import Method, RunPlan, Safety, TrainPlan, WindowKind
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, FakeRate, Life, alive
from tests.probe.sites import handoff, run_plan, site, train_plan, window

QUIET = site(timezone="UTC", handoffs=(handoff("A"), handoff("B")), trains=(train_plan(),))
RATE = {"handoff": "A", "direction": "up", "seconds": 10}


@asynccontextmanager
async def at_home(folder: Path, *, rate: FakeRate | None = None) -> AsyncIterator[Life]:
    """A daemon with fakes and nothing planned but a train, its door open."""
    here = replace(QUIET, database=folder / "line.db")
    async with alive(Clock(), here, rate=rate) as one, opened(here.database, one.daemon):
        yield one


async def _refused(folder: Path, runs: list[Any], says: str, *, confirmed: bool = True) -> None:
    with pytest.raises(UserMistake, match=says):
        await door.ask(folder / "line.db", door.Act.RUN, {"runs": runs, "confirmed": confirmed})


@pytest.mark.asyncio
async def test_runs_go_one_after_the_other_and_are_on_record(tmp_path: Path) -> None:
    """Those of one handoff; the other handoff's goes beside them. None counts as drawn by the schedule."""
    rate = FakeRate(lasts_s=0.01)
    async with at_home(tmp_path, rate=rate) as one:
        runs = [
            RATE,
            RATE | {"direction": "down"},
            RATE | {"handoff": "B", "method": "paced", "offered_bps": 10**6},
        ]
        why = "asked for on the Circuit page by anna"
        answer = await door.ask(
            tmp_path / "line.db", door.Act.RUN, {"runs": runs, "confirmed": True, "why": why}
        )
        assert door.said(answer).startswith("Taken on: rate run up on A to north, 10 s; rate run down on A")
        async with asyncio.timeout(10):
            await one.daemon.book.board.until(lambda: True if len(rate.runs) == 3 else None)
        own = [plan for plan, _, _ in rate.runs if plan.handoff == "A"]
        assert [plan.direction for plan in own] == [Direction.UP, Direction.DOWN]
        assert [(kept.what[:12], kept.why) for kept in one.store.of(AskedFor)] == [
            ("rate run up ", why),
            ("rate run dow", why),
            ("paced run up", why),
        ]
        await asyncio.sleep(0)
        assert {kept.circumstances.planned_unix_ns for kept in one.store.of(RateRun)} == {None}
        assert all(
            "asked" in kept.reasons and kept.standing is Standing.VALID for kept in one.store.of(RateRun)
        )
        assert one.daemon.asked_waiting() == ()


@pytest.mark.asyncio
async def test_rules_hold_for_a_person_too(tmp_path: Path) -> None:
    """A show window, a stop, an open safety question: the sentence of the rule, and nothing is taken on."""
    async with at_home(tmp_path) as one:
        await _refused(tmp_path, [RATE], "confirmed: expected true.*Emergency calls", confirmed=False)
        await one.daemon.open_show("A", minutes=None, why="a show")
        await _refused(tmp_path, [RATE | {"handoff": "B"}, RATE], "it may not run now: a show window is open")
        await one.daemon.stop(minutes=1, why="a test")
        await _refused(tmp_path, [RATE | {"handoff": "B"}], "all tests are stopped: a test")
        await _refused(tmp_path, [{"handoff": "B", "method": "train"}], "all tests are stopped: a test")
        one.daemon.resume(why="a test")
        await _refused(tmp_path, [{"handoff": "A", "method": "train"}], "a train goes on A to north already")
        assert one.store.of(AskedFor) == []
        assert one.rate.runs == []


def test_windows_of_the_file_and_safety_are_seen_ahead() -> None:
    """A run that would reach into a show window is refused before it; one on a line without answers, too."""

    async def life(clock: Clock) -> list[str]:
        soon = window(WindowKind.SHOW, minutes=(30, 60), name="early")
        open_ = replace(handoff("B"), safety=Safety())
        here = replace(QUIET, handoffs=(handoff("A"), open_), windows=(soon,))
        said = []
        async with alive(clock, here) as one:
            for name in ("A", "B"):
                try:
                    one.daemon.ask(
                        [run_plan(every_s=86_400, seconds=3600, handoff=name)], seconds=1, why="a test"
                    )
                except UserMistake as mistake:
                    said.append(str(mistake))
        return said

    first, second = run_from(START_NS, life)
    assert "it would touch show window 'early'" in first
    assert "emergency_calls" in second


def test_between_two_trains_that_were_asked_for_nothing_was_to_go() -> None:
    """Five minutes each and an hour between them, on a handoff without a train: no gap stands there."""
    asked_for = train_plan(handoff="B")

    async def life(clock: Clock) -> list[Gap]:
        async with alive(clock, QUIET) as one:
            for _ in range(2):
                one.daemon.ask([asked_for], seconds=300, why="by anna")
                await asyncio.sleep(3600)
        return [gap for gap in one.store.of(Gap) if gap.handoff == "B"]

    assert run_from(START_NS, life) == []


@pytest.mark.asyncio
async def test_progress_is_told_and_a_run_is_ended(tmp_path: Path) -> None:
    """The method's newest sentence stands in the status; ended, the record says why."""

    class Saying(FakeRate):
        async def __call__(self, plan: RunPlan, *rest: Any, **more: Any) -> Any:
            tell = progress.listener()
            assert tell is not None
            tell("up after 3 s: 17.20 Mb/s payload")
            return await super().__call__(plan, *rest, **more)

    rate = Saying(lasts_s=60)
    async with at_home(tmp_path, rate=rate) as one:
        await door.ask(
            tmp_path / "line.db", door.Act.RUN, {"runs": [RATE, RATE], "confirmed": True, "why": "by anna"}
        )
        async with asyncio.timeout(10):
            await one.daemon.book.board.until(lambda: True if one.daemon.book.board.progress else None)
        status = await door.ask(tmp_path / "line.db", door.Act.STATUS)
        assert [(run["progress"], run["asked"]) for run in status["running"]] == [
            ("up after 3 s: 17.20 Mb/s payload", "by anna")
        ]
        assert [run["why"] for run in status["asked"]] == ["by anna"]
        answer = await door.ask(tmp_path / "line.db", door.Act.END, {"handoff": "A", "why": "by ben"})
        assert answer["ended"] == 2
        async with asyncio.timeout(10):
            await one.daemon.book.board.until(lambda: None if one.daemon.book.board.runs else True)
        await asyncio.sleep(0)
        assert [failed.why for failed in one.store.of(Failed)] == ["aborted: by ben"]
        assert one.store.of(AskedFor)[-1].what == "end of 2 runs on A"
        assert len(rate.runs) == 1
        again = await door.ask(tmp_path / "line.db", door.Act.END, {})
        assert door.said(again) == "Nothing was under way."


@pytest.mark.parametrize(
    ("run", "says"),
    [
        ({"handoff": "C"}, "handoff: expected one of A, B"),
        (RATE | {"endpoint": "moon"}, "endpoint: expected one of"),
        (RATE | {"method": "flood"}, "method: expected one of rate, paced"),
        (RATE | {"seconds": 7200}, "seconds: expected a whole number from 1 to 3600"),
        (RATE | {"seconds": True}, "seconds: expected a whole number"),
        (RATE | {"flows": 64}, "flows: expected a whole number from 1 to 16"),
        (RATE | {"share_ratio": 2}, "share_ratio: expected a number from 0.01 to 1"),
        (RATE | {"method": "paced"}, "offered_bps: expected a whole number"),
        (RATE | {"method": "paced", "offered_bps": 10**6, "direction": "both"}, "goes one way"),
        (RATE | {"method": "paced", "share_ratio": 0.5}, "only a rate run can be light"),
        (RATE | {"method": "loaded-delay", "loads": []}, "loads: expected a list"),
        (RATE | {"method": "rehearsal", "plan": "none"}, "plan: expected one of none, for there is none"),
        (RATE | {"rate": 1}, "'rate' is not known here"),
        ("rate", "runs: expected objects"),
    ],
)
def test_what_is_wrong_is_named(run: Any, says: str) -> None:
    """The key, and what would be right."""
    with pytest.raises(UserMistake, match=says):
        asked.plan_of(run, QUIET)


def test_what_fills_the_line() -> None:
    """Everything but a light run, a path MTU search and a train."""
    words = ("rate", "capacity", "mtu", "train", "burst")
    plans = [asked.plan_of({"handoff": "A", "method": word}, QUIET) for word in words]
    assert [asked.fills(plan) for plan in plans] == [True, True, False, False, True]
    assert isinstance(plans[3], TrainPlan)
    light = asked.plan_of(RATE | {"share_ratio": 0.1}, QUIET)
    assert isinstance(light, RunPlan)
    assert (light.method, light.light, asked.fills(light)) == (Method.RATE, True, False)
