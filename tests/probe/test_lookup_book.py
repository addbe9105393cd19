"""Lookups as the daemon keeps them, with a fake resolver and time that jumps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from probe.reach import Binding
from store.clock import NS_PER_S, Clock
from store.lookups import Heard, Lookups, NameAsked
from store.records import Owner
from store.site import LookupPlan, Site
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, Life, alive
from tests.probe.sites import handoff, site, train_plan

PLAN = LookupPlan(names=("one.example.net", "two.example.net"), resolver="192.0.2.254", run_by=Owner.HOUSE)


def asking(plan: LookupPlan) -> Site:
    return site(
        timezone="UTC",
        handoffs=(
            replace(handoff("A"), lookups=plan),
            replace(handoff("B"), lookups=LookupPlan(watch=False)),
        ),
        trains=(train_plan(),),
    )


class FakeResolver:
    def __init__(self) -> None:
        self.asked: list[tuple[str, str, float]] = []

    async def __call__(
        self, name: str, address: str, binding: Binding, clock: Clock, /, *, started_ns: int
    ) -> NameAsked:
        now_ns = clock.unix_ns()
        self.asked.append((name, address, (now_ns - START_NS) / NS_PER_S))
        at_ms = (now_ns - started_ns) // 1_000_000
        return NameAsked(name=name, at_ms=at_ms, told=Heard.ANSWERED, took_us=9_000, ttl_s=60)


def lived(plan: LookupPlan, work: Callable[[Life], object]) -> tuple[list[Lookups], FakeResolver]:
    resolver = FakeResolver()

    async def live(clock: Clock) -> Life:
        async with alive(clock, asking(plan), lookup=resolver) as life:
            await work(life)  # type: ignore[misc]
        return life

    return run_from(START_NS, live).store.of(Lookups), resolver


def test_an_hour_to_a_record() -> None:
    """Each name once in every interval, at moments of their own; the last record is not lost."""

    async def work(life: Life) -> None:
        await asyncio.sleep(2.5 * 3600)

    records, resolver = lived(PLAN, work)
    assert len(records) == 3
    assert {(one.handoff, one.resolver, one.run_by) for one in records} == {("A", "192.0.2.254", Owner.HOUSE)}
    assert sum(len(one.asked) for one in records) == len(resolver.asked) == 30
    for name in PLAN.names:
        moments = [at_s for asked, _, at_s in resolver.asked if asked == name]
        assert [int(at_s // 600) for at_s in moments] == list(range(15))
        assert len({round(at_s % 600) for at_s in moments}) > 10
    first = records[0]
    told = [(first.started_unix_ns - START_NS) / NS_PER_S + one.at_ms / 1000 for one in first.asked]
    assert told == pytest.approx([at_s for _, _, at_s in resolver.asked[: len(told)]], abs=0.002)


def test_none_while_all_tests_are_stopped() -> None:
    """As trains: none for the hour of a stop, and again after it."""

    async def work(life: Life) -> None:
        await asyncio.sleep(1800)
        await life.daemon.stop(minutes=60, why="a visit")
        await asyncio.sleep(2 * 3600)

    _, resolver = lived(PLAN, work)
    assert not [at_s for _, _, at_s in resolver.asked if 1800 < at_s < 1800 + 3600]
    assert [at_s for _, _, at_s in resolver.asked if at_s > 5400]


def test_endpoints_by_address_have_nothing_to_look_up() -> None:
    """The record says so, once."""

    async def work(life: Life) -> None:
        await asyncio.sleep(2 * 3600)

    (found,), resolver = lived(LookupPlan(resolver="192.0.2.254"), work)
    assert (found.asked, resolver.asked) == ((), [])
    assert found.missed is not None
    assert "so there is nothing to look up: north (" in found.missed
