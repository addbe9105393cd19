"""A stop of everything and a show opened at once: what ends, what is on record, and when it goes on."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from probe.board import TrainState
from store.clock import NS_PER_S, Clock
from store.records import (
    Failed,
    Gap,
    Opener,
    OpenKind,
    Owner,
    RateRun,
    Skipped,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)
from store.site import WindowKind
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, FakeRate, FakeTrain, alive
from tests.probe.sites import handoff, run_plan, site, train_plan, window

MINUTE_S, HOUR_S = 60.0, 3600.0
BUSY = site(runs=(run_plan(every_s=3600, seconds=3500),), trains=(train_plan(),))  # a run nearly always


def test_a_stop_ends_runs_and_trains_and_says_so() -> None:
    """The run is on record as aborted with the reason, the train's part of a minute is kept."""

    async def life(clock: Clock) -> None:
        async with alive(clock, BUSY) as one:
            await asyncio.sleep(20 * MINUTE_S + 7.5)
            ended = await one.daemon.stop(minutes=60, why="a viewer called")
            assert clock.unix_ns() == START_NS + round((20 * MINUTE_S + 7.5) * NS_PER_S)
            assert (["A"], 1, ()) == (
                [run.plan.handoff for run in ended.runs],
                ended.trains,
                ended.unanswered,
            )
            assert ["north"] == one.told
            (failed,) = one.store.of(Failed)
            assert "aborted: all tests are stopped: a viewer called" == failed.why
            assert Owner.HOUSE is failed.whose
            assert 7.5 == one.store.of(TrainSpan)[-1].seconds
            assert {TrainState.STOPPED} == {train.state for train in one.daemon.status().trains.values()}

    run_from(START_NS, life)


def test_an_endpoint_that_does_not_answer_is_named() -> None:
    """The stop is complete on this side all the same."""

    async def life(clock: Clock) -> None:
        async with alive(clock, BUSY, deaf=True) as one:
            await asyncio.sleep(20 * MINUTE_S)
            ended = await one.daemon.stop(minutes=60, why="a test")
            assert ("north",) == ended.unanswered
            assert () == one.daemon.status().runs

    run_from(START_NS, life)


@pytest.mark.parametrize("resumed", [False, True], ids=["its time is over", "by hand"])
def test_measuring_goes_on_after_a_stop(resumed: bool) -> None:
    """After the stated time, or when told to: the slots in between are skipped, the train's gap is one."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        asked = site(runs=(run_plan(every_s=600),), trains=(train_plan(),))
        async with alive(clock, asked, rate=rate) as one:
            await asyncio.sleep(HOUR_S)
            await one.daemon.stop(minutes=120, why="a test")
            await asyncio.sleep(HOUR_S)
            if resumed:
                assert one.daemon.resume(why="it is over")
                assert not one.daemon.resume(why="once more")
            await asyncio.sleep(2 * HOUR_S)
            lasted_s = HOUR_S if resumed else 2 * HOUR_S
            (gap,) = one.store.of(Gap)
            assert (HOUR_S, HOUR_S + lasted_s) == (
                one.seconds(gap.started_unix_ns),
                one.seconds(gap.ended_unix_ns),
            )
            assert "all tests are stopped: a test" == gap.why
            assert lasted_s / 600 == len(one.store.of(Skipped))
            assert {"all tests are stopped: a test"} == {one.why for one in one.store.of(Skipped)}
            assert 24 - lasted_s / 600 == len(one.store.of(RateRun))
            (opened,), (closed,) = one.store.of(WindowOpened), one.store.of(WindowClosed)
            assert opened.started_unix_ns == closed.opened_unix_ns
            assert HOUR_S + lasted_s == one.seconds(closed.started_unix_ns)
            assert ("it is over" if resumed else "its time was over") == closed.why
            assert [] == one.store.of(Failed)

    run_from(START_NS, life)


def test_a_stop_survives_a_restart() -> None:
    """What was open when the last probe ended is open still: nothing is sent until its time is over."""
    stop = WindowOpened(
        started_unix_ns=START_NS - 600 * NS_PER_S,
        name="stop",
        window=OpenKind.STOP,
        opener=Opener.PERSON,
        why="a test",
        ends_unix_ns=START_NS + 1800 * NS_PER_S,
    )

    async def life(clock: Clock) -> None:
        async with alive(clock, BUSY, opened=[stop]) as one:
            await asyncio.sleep(1799)
            assert [] == one.train.opened_ns
            await asyncio.sleep(2)
            assert [1800.0] == [one.seconds(at_ns) for at_ns in one.train.opened_ns]
            (closed,) = one.store.of(WindowClosed)
            assert stop.started_unix_ns == closed.opened_unix_ns

    run_from(START_NS, life)


def test_a_second_stop_takes_the_place_of_the_first() -> None:
    """Its time counts from then on."""

    async def life(clock: Clock) -> None:
        async with alive(clock, site(trains=(train_plan(),))) as one:
            await one.daemon.stop(minutes=60, why="first")
            await asyncio.sleep(30 * MINUTE_S)
            await one.daemon.stop(minutes=60, why="second")
            assert ["second"] == [window.why for window in one.daemon.status().windows]
            await asyncio.sleep(89 * MINUTE_S - 30 * MINUTE_S)
            assert 1 == len(one.train.opened_ns)
            await asyncio.sleep(2 * MINUTE_S)
            assert 2 == len(one.train.opened_ns)

    run_from(START_NS, life)


def test_a_stop_in_an_outage_is_two_gaps() -> None:
    """Until the stop there was no train because the endpoint refused; then because it was stopped."""

    async def life(clock: Clock) -> None:
        train = FakeTrain(minutes=(5, 0, 0, 0, 0, 0, 0, 0))
        async with alive(clock, site(trains=(train_plan(),)), train=train) as one:
            await asyncio.sleep(330)
            await one.daemon.stop(minutes=10, why="a test")
            await asyncio.sleep(700)
            first, second = one.store.of(Gap)
            assert ("no train: attempt 1 was refused", "all tests are stopped: a test") == (
                first.why,
                second.why,
            )
            assert [300, 330, 330, 930] == [
                one.seconds(at_ns)
                for gap in (first, second)
                for at_ns in (gap.started_unix_ns, gap.ended_unix_ns)
            ]

    run_from(START_NS, life)


def test_a_show_opened_at_once_ends_the_run_and_leaves_the_train() -> None:
    """Trade's rule: nothing that fills the line during a show; small packets go on."""

    async def life(clock: Clock) -> None:
        async with alive(clock, BUSY) as one:
            await asyncio.sleep(20 * MINUTE_S)
            ended = await one.daemon.open_show("", minutes=None, why="we are on air")
            assert ["A"] == [run.plan.handoff for run in ended.runs]
            assert ["aborted: a show window is open: we are on air"] == [
                failed.why for failed in one.store.of(Failed)
            ]
            await asyncio.sleep(3 * HOUR_S)
            assert 3 == len(one.store.of(Skipped))
            assert 1 == one.daemon.close_show("", why="done")
            assert 0 == one.daemon.close_show("", why="again")
            await asyncio.sleep(2 * HOUR_S - 1)
            assert one.store.of(RateRun)
            assert [60.0] * (5 * 60 + 20 - 1) == [span.seconds for span in one.store.of(TrainSpan)]

    run_from(START_NS, life)


def test_a_show_on_one_handoff_leaves_the_others() -> None:
    """And a close of another one closes nothing."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        plans = tuple(run_plan(every_s=3600, handoff=name) for name in "AB")
        asked = site(handoffs=(handoff("A"), handoff("B")), runs=plans)
        async with alive(clock, asked, rate=rate) as one:
            await one.daemon.open_show("A", minutes=240, why="on air")
            assert 0 == one.daemon.close_show("B", why="a slip")
            await asyncio.sleep(4 * HOUR_S + 1)
            assert ["B"] * 4 == [plan.handoff for plan, _, _ in rate.runs]
            assert ["its time was over"] == [closed.why for closed in one.store.of(WindowClosed)]
            await asyncio.sleep(HOUR_S)
            assert "A" in [plan.handoff for plan, _, _ in rate.runs]

    run_from(START_NS, life)


def test_hours_of_the_site_file_are_on_record_with_their_true_edges() -> None:
    """02:00 to 05:00 in Lisbon's summer is 01:00 to 04:00 UTC; the provider's notice stands beside it."""
    works = replace(window(WindowKind.MAINTENANCE, minutes=(120, 300)), reference="notice 12")

    async def life(clock: Clock) -> None:
        async with alive(clock, site(windows=(works,))) as one:
            await asyncio.sleep(6 * HOUR_S)
            (opened,), (closed,) = one.store.of(WindowOpened), one.store.of(WindowClosed)
            assert (OpenKind.MAINTENANCE, Opener.SITE, "notice 12") == (
                opened.window,
                opened.opener,
                opened.reference,
            )
            assert (HOUR_S, 4 * HOUR_S) == (
                one.seconds(opened.started_unix_ns),
                one.seconds(closed.started_unix_ns),
            )
            assert "its hours are over" == closed.why

    run_from(START_NS, life)


def test_a_window_that_was_open_at_the_last_end_is_not_opened_twice() -> None:
    """Nor is one whose hours were over meanwhile left open: it closed when its hours said."""
    works = window(WindowKind.MAINTENANCE, minutes=(0, 300))
    known = WindowOpened(
        started_unix_ns=START_NS - 3600 * NS_PER_S,
        name=works.name,
        window=OpenKind.MAINTENANCE,
        opener=Opener.SITE,
        why="its hours in the site file",
        ends_unix_ns=START_NS + 4 * 3600 * NS_PER_S,
    )
    over = replace(known, name="old", ends_unix_ns=START_NS - 60 * NS_PER_S)

    async def life(clock: Clock) -> None:
        async with alive(clock, site(windows=(works,)), opened=[known, over]) as one:
            await asyncio.sleep(60)
            assert [] == one.store.of(WindowOpened)
            assert [("old", -60.0)] == [
                (closed.name, one.seconds(closed.started_unix_ns)) for closed in one.store.of(WindowClosed)
            ]

    run_from(START_NS, life)
