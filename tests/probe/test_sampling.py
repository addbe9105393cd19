"""Which of a train's packets the daemon puts on record: those near stalls, and all on the days of a claim."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import date

from probe.daemon import Methods, prepared
from probe.reach import Reach
from probe.train_samples import Near, Sampled
from probe.trains import Deliver
from store.clock import Clock
from store.records import Failed
from store.samples import Sample, SampledFor, Samples
from store.site import Claim, Site, TrainPlan
from tests.probe.jumping import run_from
from tests.probe.living import FakeRate, MemoryStore
from tests.probe.sites import site, train_plan

S = 10**9
NOON_NS = 1_780_056_000 * S  # 29 May 2026, 12:00 UTC
TODAY = Claim(name="today", first_day=date(2026, 5, 29), last_day=date(2026, 5, 29), handoff="A")


def sampled(near: Near, numbers: range, *, at_ns: int = NOON_NS) -> Sampled:
    packets = tuple(
        Sample(sequence=n, sent_unix_ns=at_ns + n * S // 20, rtt_ns=9_000_000, lost=None, held=False)
        for n in numbers
    )
    return Sampled(near=near, packets=packets)


OUTAGE = (
    sampled(Near.NOTHING, range(100)),
    sampled(Near.STALL, range(100, 150)),
    sampled(Near.OUTAGE, range(150, 250)),
    sampled(Near.OUTAGE, range(250, 300)),
    sampled(Near.STALL, range(300, 350)),
    sampled(Near.NOTHING, range(350, 400)),
)


@dataclass
class Told:
    """A train that delivers this each minute, and nothing else."""

    found: tuple[Sampled, ...]

    async def __call__(self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
        while True:
            for each in self.found:
                deliver(each)
            await asyncio.sleep(60)


def kept(asked: Site, found: tuple[Sampled, ...], *, then: Site | None = None) -> list[Samples]:
    """What is on record after a minute, and of another one under a second site file."""

    async def live(clock: Clock) -> list[Samples]:
        store = MemoryStore()
        methods = Methods(rate=FakeRate(), train=Told(found))
        made = await prepared(asked, clock=clock, writer=store, methods=methods, spent_bytes={})
        task = asyncio.create_task(made.run(), name="daemon")
        await asyncio.sleep(30)
        if then is not None:
            await made.reload(then)
            await asyncio.sleep(60)
        task.cancel()
        await asyncio.wait({task})
        return store.of(Samples)

    return run_from(NOON_NS, live)


ASKED = site(trains=(train_plan(),))


def test_around_a_stall_and_how_many_between() -> None:
    first, second = kept(ASKED, OUTAGE)
    assert (first.packets, first.kept_for, first.left_out) == (50, SampledFor.STALL, None)
    assert (second.packets, second.kept_for, second.left_out) == (50, SampledFor.STALL, 150)
    assert (first.handoff, first.endpoint) == ("A", "north")
    assert second.started_unix_ns == NOON_NS + 15 * S


def test_all_of_them_on_a_day_of_a_claim() -> None:
    found = kept(site(trains=(train_plan(),), claims=(TODAY,)), OUTAGE)
    assert sum(one.packets for one in found) == 400
    assert [one.kept_for for one in found].count(SampledFor.STALL) == 2
    assert {one.left_out for one in found} == {None}


def test_not_of_another_day_or_handoff() -> None:
    """The site's day: Lisbon is an hour ahead of UTC in May, so 23:30 UTC is the next one."""
    late = (sampled(Near.NOTHING, range(10), at_ns=NOON_NS + 11 * 3600 * S + 1800 * S),)
    assert kept(site(trains=(train_plan(),), claims=(TODAY,)), late) == []
    other = Claim(name="b", first_day=TODAY.first_day, last_day=TODAY.last_day, handoff="B")
    assert len(kept(site(trains=(train_plan(),), claims=(other,)), OUTAGE)) == 2


def test_a_claim_that_is_taken_out_or_put_in_holds_from_then_on() -> None:
    """At a reload, and the train goes on."""
    claimed = site(trains=(train_plan(),), claims=(TODAY,))
    assert sum(one.packets for one in kept(claimed, OUTAGE, then=ASKED)) == 400 + 100
    assert sum(one.packets for one in kept(ASKED, OUTAGE, then=claimed)) == 100 + 400
