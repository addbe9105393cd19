"""A check before a show as the daemon has it made: one at a time, by the rules of every run, ended like one.

What it measures and answers is the command's (`tests/links/test_before_show_truth.py`); here a fake takes its
place, and once a command that cannot be carried out.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import pytest

from probe import before_show, progress
from probe.door import opened
from store import door
from store.asked_for import AskedFor
from store.before_show import Stage
from store.clock import Clock
from store.errors import UserMistake
from store.records import Failed, Skipped
from store.site import StreamPlan, Times
from tests.dashboard.judge.made import destination
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, Life, alive
from tests.probe.sites import handoff, run_plan, site

PLAN = StreamPlan(
    name="evening",
    title="Evening class",
    handoff="A",
    times=Times(weekdays=frozenset(), dates=frozenset({date(2020, 1, 6)}), from_minute=1140, to_minute=1200),
    destinations=(destination(4_500_000),),
)
SITE = site(timezone="UTC", handoffs=(handoff("A"), handoff("B")), plans=(PLAN,))
ASKED = {"plan": "evening", "before": "1h", "confirmed": True}


@dataclass(kw_only=True)
class FakeCheck:
    """Goes until it is let go, or is cancelled."""

    goes: asyncio.Event = field(default_factory=asyncio.Event)
    over: asyncio.Event = field(default_factory=asyncio.Event)
    asked: list[tuple[Path, str, Stage]] = field(default_factory=list)
    let_go: int = 0

    async def __call__(self, file: Path, plan: str, stage: Stage, /) -> Failed | None:
        self.asked.append((file, plan, stage))
        tell = progress.listener()
        assert tell is not None
        tell("A: up after 3 s: 6.90 Mb/s payload")
        self.goes.set()
        try:
            await self.over.wait()
        finally:
            self.let_go += 1
        return None


@asynccontextmanager
async def checking(folder: Path, check: FakeCheck) -> AsyncIterator[Life]:
    asked = replace(SITE, database=folder / "line.db")
    async with (
        asyncio.timeout(20),
        alive(Clock(), asked, check=check) as one,
        opened(asked.database, one.daemon),
    ):
        yield one


async def ask(one: Life, act: door.Act, **more: object) -> dict[str, object]:
    return await door.ask(one.daemon.site.database, act, more)


@pytest.mark.asyncio
async def test_a_check_is_told_while_it_goes_and_is_one_at_a_time(tmp_path: Path) -> None:
    """With its newest sentence and its handoffs; it is on record who asked."""
    check = FakeCheck()
    async with checking(tmp_path, check) as one:
        answer = await ask(one, door.Act.CHECK, **ASKED, why="asked for on the Shows page")
        assert answer["taken_on"] == ["check 1h before Evening class on A, B"]
        await check.goes.wait()
        (told,) = (await door.ask(one.daemon.site.database, door.Act.STATUS))["checks"]
        assert (told["handoffs"], told["before"], told["seconds"]) == (["A", "B"], "1h", 60)
        assert told["progress"] == "A: up after 3 s: 6.90 Mb/s payload"
        with pytest.raises(UserMistake, match="a check before Evening class is under way"):
            await ask(one, door.Act.CHECK, **ASKED)
        check.over.set()
        await one.daemon.book.board.until(lambda: True if one.daemon.book.board.check is None else None)
        assert check.asked == [(one.daemon.site.file, "evening", Stage.HOUR)]
        assert [each.why for each in one.store.of(AskedFor)] == ["asked for on the Shows page"]
        assert one.store.of(Failed) == []


@pytest.mark.parametrize("how", ["end", "show on B", "stop"])
@pytest.mark.asyncio
async def test_a_check_is_ended_like_a_run(tmp_path: Path, how: str) -> None:
    """By a person, by a show window on any of its handoffs, by a stop; each is on record with its reason."""
    check = FakeCheck()
    async with checking(tmp_path, check) as one:
        await ask(one, door.Act.CHECK, **ASKED)
        await check.goes.wait()
        if how == "end":
            assert (await ask(one, door.Act.END, handoff="B", why="ended on the Today page"))["ended"] == 1
            await one.daemon.book.board.until(lambda: True if one.daemon.book.board.check is None else None)
        elif how == "stop":
            await ask(one, door.Act.STOP, minutes=1)
        else:
            await ask(one, door.Act.SHOW, open=True, handoff="B")
        assert one.daemon.book.board.check is None, "the answer came before the end"
        await asyncio.sleep(0)
        (failed,) = one.store.of(Failed)
        assert (check.let_go, failed.what, failed.handoff) == (1, "check before a show", "A")
        why = {"end": "ended on the Today page", "show on B": "a show window is open", "stop": "stopped"}[how]
        assert failed.why.startswith("aborted: ")
        assert why in failed.why


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"plan": "morning"}, "plan: expected one of evening"),
        ({"before": "2h"}, "before: expected one of 24h, 1h, 10min"),
        ({"confirmed": False}, "confirmed: expected true, for it may fill the line"),
    ],
)
@pytest.mark.asyncio
async def test_what_is_wrong_is_named(tmp_path: Path, more: dict[str, object], says: str) -> None:
    async with checking(tmp_path, FakeCheck()) as one:
        with pytest.raises(UserMistake, match=says):
            await ask(one, door.Act.CHECK, **(ASKED | more))


@pytest.mark.asyncio
async def test_a_show_window_refuses_it_with_the_sentence_of_a_run(tmp_path: Path) -> None:
    """Word for word."""
    async with checking(tmp_path, FakeCheck()) as one:
        await ask(one, door.Act.SHOW, open=True, handoff="A")
        whys = []
        for act, asked in ((door.Act.CHECK, ASKED), (door.Act.RUN, {"runs": [{"handoff": "A"}]})):
            with pytest.raises(UserMistake) as refused:
                await ask(one, act, **asked, **({} if act is door.Act.CHECK else {"confirmed": True}))
            whys.append(str(refused.value))
        assert whys[0] == whys[1]
        assert whys[0].startswith("it may not run now: a show window is open")


def test_a_run_of_the_schedule_lets_a_check_go_first() -> None:
    """It waits, and is skipped on record when its slot is over before the check is."""
    check = FakeCheck()

    async def life(clock: Clock) -> Life:
        asked = replace(SITE, runs=(run_plan(every_s=300, seconds=10),))
        async with alive(clock, asked, check=check) as one:
            one.daemon.check("evening", Stage.HOUR, why="asked for")
            await asyncio.sleep(600)
            assert one.rate.runs == []
            check.over.set()
            await asyncio.sleep(600)
        return one

    one = run_from(START_NS, life)
    assert {each.why for each in one.store.of(Skipped)} == {
        "a check before a show was under way, until it was too late in its slot"
    }
    assert one.rate.runs


def test_a_check_that_never_ends_is_given_up() -> None:
    """Or no run of its handoffs would go again until somebody noticed."""
    check = FakeCheck()

    async def life(clock: Clock) -> Life:
        asked = replace(SITE, runs=(run_plan(every_s=300, seconds=10),))
        async with alive(clock, asked, check=check) as one:
            one.daemon.check("evening", Stage.HOUR, why="asked for")
            await asyncio.sleep(3600)
            assert one.daemon.book.board.check is None
        return one

    one = run_from(START_NS, life)
    assert [each.why for each in one.store.of(Failed)] == [
        "aborted: it had not ended after 15 min, and was given up"
    ]
    assert check.let_go == 1
    assert one.rate.runs


@pytest.mark.asyncio
async def test_a_command_that_cannot_be_carried_out_is_a_failure(tmp_path: Path) -> None:
    """The real command, in its own process: what it said last is why."""
    said: list[str] = []
    with progress.heard_by(said.append):
        found = await before_show.by_command(tmp_path / "none.toml", "evening", Stage.MINUTES)
    assert isinstance(found, Failed)
    assert "none.toml" in found.why
    assert said == [found.why]
