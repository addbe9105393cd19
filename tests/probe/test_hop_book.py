"""The hops as the daemon keeps them, with a fake method and time that jumps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from probe.hop_book import MINUTES
from probe.hops import Asked
from probe.reach import Reach
from store.clock import NS_PER_S, Clock
from store.records import Direction, Failed, Owner, Stall
from store.segments import Hops, Witnesses
from store.site import HopPlan, Site
from tests.probe.jumping import Leap, run_from
from tests.probe.living import START_NS, Life, alive
from tests.probe.sites import handoff, site, train_plan

WATCHED = site(
    timezone="UTC",
    handoffs=(replace(handoff("A"), hops=HopPlan(watch=True)), handoff("B")),
    trains=(train_plan(),),
)


class FakeHops:
    """Two routers, asked once a second; the second one misses what `missing` says."""

    def __init__(self, missing: Callable[[float], bool] = lambda at_s: False) -> None:
        self.missing = missing
        self.asked: list[str] = []
        self.ended = 0

    async def __call__(
        self, where: Reach, clock: Clock, plan: HopPlan, take: Callable[[Asked], None], /
    ) -> Failed:
        self.asked.append(where.handoff)
        try:
            while True:
                await asyncio.sleep(1)
                now_ns = clock.unix_ns()
                for ttl in (1, 2):
                    miss = ttl == 2 and self.missing((now_ns - START_NS) / NS_PER_S)
                    take(
                        Asked(
                            ttl=ttl,
                            sent_unix_ns=now_ns,
                            rtt_us=None if miss else 1000 * ttl,
                            sender="" if miss else f"198.51.100.{ttl}",
                            reached=False,
                        )
                    )
        finally:
            self.ended += 1


def lived(
    hops: FakeHops, work: Callable[[Life], object], *, asked: Site = WATCHED, leaps: Sequence[Leap] = ()
) -> Life:
    """A daemon's life with these hops, in which `work` (a coroutine function) is done."""

    async def live(clock: Clock) -> Life:
        async with alive(clock, asked, hops=hops) as life:
            await work(life)  # type: ignore[misc]
        return life

    return run_from(START_NS, live, leaps=leaps)


async def half_an_hour(life: Life) -> None:
    await asyncio.sleep(30 * 60 + 30)


def test_counts_are_kept_by_the_minute() -> None:
    """Ten minutes to a record; each hop's packets by the minute, those answered beside them."""
    hops = FakeHops(lambda at_s: at_s < 120)
    records = lived(hops, half_an_hour).store.of(Hops)
    assert hops.asked == ["A"]
    assert [one.minutes for one in records[:3]] == [MINUTES] * 3
    first = records[0]
    assert (first.handoff, first.endpoint, first.house_hops) == ("A", "north", 1)
    assert [(one.ttl, one.names) for one in first.counts] == [(1, ("198.51.100.1",)), (2, ("198.51.100.2",))]
    assert sum(sum(one.counts[0].sent) for one in records) == pytest.approx(30 * 60 + 30, abs=1)
    near, far = first.counts
    assert near.sent == near.answered == far.sent
    assert far.answered[0] < far.sent[0]
    assert far.answered[5] == far.sent[5] == 60
    assert (near.p50_us, far.p50_us) == (1000, 2000)


@pytest.mark.parametrize("set_s", [-365 * 86_400.0, 20 * 365 * 86_400.0])
def test_a_clock_that_is_set_by_years_keeps_no_packet_from_the_record(set_s: float) -> None:
    """As on a host without a battery, whose clock is right once the network is there."""
    records = lived(FakeHops(), half_an_hour, leaps=[Leap(awake_s=300.5, set_s=set_s)]).store.of(Hops)
    assert sum(sum(one.counts[0].sent) for one in records) == pytest.approx(30 * 60 + 30, abs=2)
    before, *after = records
    assert before.minutes == 6
    assert all(abs(one.started_unix_ns - START_NS - set_s * NS_PER_S) < 1_900 * NS_PER_S for one in after)


def a_stall(at_s: float, *, handoff: str = "A") -> Stall:
    return Stall(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=START_NS + round(at_s * NS_PER_S),
        duration_us=1_500_000,
        direction=Direction.UP,
        how="lost",
        lost=30,
        held=0,
    )


def test_what_was_answered_around_a_stall_is_kept() -> None:
    """Its own handoff's alone; with the answers of the seconds before, by which one sees what is usual."""

    async def work(life: Life) -> None:
        await asyncio.sleep(303)
        life.daemon.book.keep(a_stall(300.2))
        life.daemon.book.keep(a_stall(300.2, handoff="B"))
        await asyncio.sleep(60)

    (found,) = lived(FakeHops(lambda at_s: 300 < at_s < 302), work).store.of(Witnesses)
    assert (found.handoff, found.endpoint, found.duration_us) == ("A", "north", 1_500_000)
    assert found.started_unix_ns == a_stall(300.2).started_unix_ns
    near, far = found.seen
    assert (near.missed_ms, far.missed_ms) == ((), (800,))
    assert min(near.answered_ms) >= -15_000
    assert max(near.answered_ms) <= 3_500
    assert found.answered_before == found.sent_before == (300, 300)


def test_what_earlier_stalls_took_is_not_what_is_usual() -> None:
    """The second stall's hop is held against its answers outside of the first one."""

    async def work(life: Life) -> None:
        for at_s in (100.2, 200.2):
            await asyncio.sleep(at_s + 3 - (life.clock.unix_ns() - START_NS) / NS_PER_S)
            life.daemon.book.keep(a_stall(at_s))
        await asyncio.sleep(30)

    hops = FakeHops(lambda at_s: 100 < at_s < 102 or 200 < at_s < 202)
    _, second = lived(hops, work).store.of(Witnesses)
    assert second.sent_before == second.answered_before
    assert second.seen[1].missed_ms == (800,)


def test_a_stop_ends_them_too() -> None:
    async def work(life: Life) -> None:
        await asyncio.sleep(10)
        await life.daemon.stop(minutes=60, why="a test")
        assert hops.ended == 1
        await asyncio.sleep(10)
        life.daemon.resume(why="a test")
        await asyncio.sleep(10)

    hops = FakeHops()
    found = lived(hops, work).store.of(Hops)
    assert hops.asked == ["A", "A"]
    assert sum(sum(one.counts[0].sent) for one in found) <= 20


def test_one_that_cannot_is_tried_again() -> None:
    class Cannot(FakeHops):
        async def __call__(self, where: Reach, *_: object) -> Failed:
            self.asked.append(where.handoff)
            return Failed(what="watch hops", why="no such interface", whose=Owner.HOUSE)

    async def five_minutes(life: Life) -> None:
        await asyncio.sleep(290)

    hops = Cannot()
    lived(hops, five_minutes)
    assert len(hops.asked) == 5
