"""Soaks of a daemon's own train, in jumping time: on record, ended over restarts, held back by nothing."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import date
from pathlib import Path

from probe.running import _left
from probe.soaks import stored
from store.clock import NS_PER_S, Clock
from store.records import Gap, Standing, TrainSpan
from store.site import Method, RunPlan, Site, Times, WindowKind
from store.soaks import Kept, Soak, SoakBegun
from store.writer import Writer
from tests.probe.jumping import run_from, unhurried
from tests.probe.living import START_NS, MemoryStore, alive
from tests.probe.sites import run_plan, site, train_plan, window
from tests.store import samples

DAY_S = 86_400
PLAN = replace(run_plan(every_s=2 * DAY_S, seconds=DAY_S), method=Method.SOAK, flows=1)


def planned(*plans: RunPlan) -> Site:
    """Every minute of it in a quiet window, in which no run goes."""
    quiet = window(WindowKind.QUIET, minutes=(0, 24 * 60))
    return site(trains=(train_plan(per_second=50),), soaks=plans, windows=(quiet,))


class Stores:
    """What several lives of a daemon left, as a database would have it."""

    def __init__(self) -> None:
        self.all: list[MemoryStore] = []

    async def read(self, begun: SoakBegun) -> Kept:
        spans = [span for store in self.all for span in store.of(TrainSpan)]
        gaps = [gap for store in self.all for gap in store.of(Gap)]
        return Kept(spans=tuple(spans), stalls=(), gaps=tuple(gaps))

    def soaks(self) -> list[SoakBegun | Soak]:
        return [one for store in self.all for kind in (SoakBegun, Soak) for one in store.of(kind)]


def lived(site: Site, *days_on_and_off: tuple[float, float]) -> Stores:
    """Lives of a daemon, each on for so many days and then off."""
    stores = Stores()

    async def live(clock: Clock) -> None:
        for on, off in days_on_and_off:
            async with alive(clock, site, soaks=stores.soaks(), kept=stores.read) as life:
                stores.all.append(life.store)
                await asyncio.sleep(on * DAY_S)
            await asyncio.sleep(off * DAY_S)

    with unhurried():
        run_from(START_NS, live)
    return stores


def of(stores: Stores) -> tuple[list[SoakBegun], list[Soak]]:
    found = stores.soaks()
    return [one for one in found if isinstance(one, SoakBegun)], [
        one for one in found if isinstance(one, Soak)
    ]


def test_one_in_each_slot() -> None:
    """In six days three at most and two at least, each of a day, whole, and valid; the train has no gap."""
    begun, soaks = of(lived(planned(PLAN), (6.2, 0)))
    assert len(begun) in (2, 3)
    for one, soak in zip(begun, soaks, strict=False):
        assert one.started_unix_ns % (60 * NS_PER_S) == 0
        assert soak.started_unix_ns == one.started_unix_ns
        assert one.ends_unix_ns - one.started_unix_ns == DAY_S * NS_PER_S
        assert soak.watched_s > DAY_S - 60
        assert soak.standing is Standing.VALID
    assert len(soaks) >= 2


def test_a_restart_in_the_middle_changes_no_end() -> None:
    """Off for an hour and a half in the middle of it: the same soak, to the end it had, with that gap."""
    [first, *_], _ = of(lived(planned(PLAN), (2.2, 0)))
    middle = (first.started_unix_ns - START_NS) / NS_PER_S / DAY_S + 0.5
    stores = lived(planned(PLAN), (middle, 1.5 / 24), (1.0, 0))
    begun, [soak, *_] = of(stores)
    assert [one for one in begun if one.started_unix_ns == first.started_unix_ns] == [first]
    assert soak.started_unix_ns == first.started_unix_ns
    assert soak.seconds == DAY_S
    [gap] = [one for one in soak.gaps if one.seconds > 120]
    assert 5400 - 60 <= gap.seconds <= 5400 + 60
    assert gap.started_unix_ns / NS_PER_S == (START_NS / NS_PER_S + middle * DAY_S)


def test_an_end_that_passed_unseen_is_made_up_for() -> None:
    """Off at its end and for two days more: at the next start its record is made, once, and no other begins
    in its slot."""
    [first, *_], _ = of(lived(planned(PLAN), (2.2, 0)))
    middle = (first.started_unix_ns - START_NS) / NS_PER_S / DAY_S + 0.9
    stores = lived(planned(PLAN), (middle, 2.0), (0.01, 0.01), (0.01, 0))
    _, soaks = of(stores)
    assert [one.started_unix_ns for one in soaks] == [first.started_unix_ns]
    assert soaks[0].reasons == ("thin_watch",)  # 90 % of it


def test_a_soak_that_the_site_no_longer_plans_ends_as_planned() -> None:
    """What was fixed before stays: nobody drops a soak for what it shows."""
    [first, *_], _ = of(lived(planned(PLAN), (2.2, 0)))
    since = (first.started_unix_ns - START_NS) / NS_PER_S / DAY_S
    stores = Stores()

    async def live(clock: Clock) -> None:
        async with alive(clock, planned(PLAN), kept=stores.read) as life:
            stores.all.append(life.store)
            await asyncio.sleep((since + 0.3) * DAY_S)
            assert [one.started_unix_ns for one in life.daemon.status().soaks] == [first.started_unix_ns]
            await life.daemon.reload(planned())
            await asyncio.sleep(1.5 * DAY_S)
            assert life.daemon.status().soaks == ()

    with unhurried():
        run_from(START_NS, live)
    begun, soaks = of(stores)
    assert len(begun) == len(soaks) == 1
    assert soaks[0].watched_s > DAY_S - 60


def test_a_plan_whose_dates_were_over_before_a_soak_began() -> None:
    """The site file was changed since: no slot of the plan is as late as the soak, and the daemon goes on."""
    times = Times(weekdays=frozenset(), dates=frozenset({date(2026, 5, 1)}), from_minute=0, to_minute=0)
    stores = lived(planned(PLAN), (2.2, 0))

    async def live(clock: Clock) -> None:
        changed = planned(replace(PLAN, times=times))
        async with alive(clock, changed, soaks=stores.soaks(), kept=stores.read) as life:
            stores.all.append(life.store)
            await asyncio.sleep(DAY_S)

    with unhurried():
        run_from(START_NS + 3 * DAY_S * NS_PER_S, live)
    begun, soaks = of(stores)
    assert [len(begun), len(soaks)] == [1, 1]
    assert len(stores.all[-1].of(TrainSpan)) >= DAY_S // 60 - 1


def test_a_store_that_cannot_be_read_is_asked_again() -> None:
    """Nothing else of the daemon goes down with it, and the record is made later."""
    stores, asked = Stores(), []

    async def read(begun: SoakBegun) -> Kept:
        asked.append(begun)
        if len(asked) < 3:
            raise OSError("the disk is away")
        return await stores.read(begun)

    async def live(clock: Clock) -> None:
        begun = samples.soak_begun(START_NS)
        async with alive(clock, planned(), soaks=[begun], kept=read) as life:
            stores.all.append(life.store)
            await asyncio.sleep(600)

    run_from(START_NS, live)
    assert len(stores.soaks()) == 1
    assert len(asked) == 3


def test_a_last_span_that_is_still_in_doubt_is_waited_for() -> None:
    """The line fell silent before the end, and whose that was is not told yet: no gap is made of it."""
    stores, asked = Stores(), []

    async def read(begun: SoakBegun) -> Kept:
        asked.append(begun)
        kept = await stores.read(begun)
        doubted = kept.spans if len(asked) > 5 else kept.spans[:5]
        return Kept(spans=doubted, stalls=(), gaps=())

    async def live(clock: Clock) -> None:
        begun = replace(samples.soak_begun(START_NS), ends_unix_ns=START_NS + 600 * NS_PER_S, span_s=60)
        async with alive(clock, planned(), soaks=[begun], kept=read) as life:
            stores.all.append(life.store)
            await asyncio.sleep(1500)

    run_from(START_NS, live)
    _, [soak] = of(stores)
    assert (soak.watched_s, soak.gaps) == (600, ())


def test_what_the_database_has_of_it(tmp_path: Path) -> None:
    """A database gives back what a soak is made of, and says what has begun and what is done."""
    begun, minute_ns = samples.soak_begun(DAY_S * NS_PER_S), 60 * NS_PER_S
    start_ns = begun.started_unix_ns
    gap = Gap(started_unix_ns=start_ns - 5, ended_unix_ns=start_ns + 5, why="the probe was not running")
    spans = [samples.span(start_ns + number * minute_ns) for number in (-1, 0, 1, 2)]
    others = samples.span(start_ns, endpoint="lan")
    stall = replace(samples.stall(), started_unix_ns=start_ns + 7)
    home = replace(site(), database=tmp_path / "book.db")
    writer = Writer.open(home.database, clock=Clock())
    for record in (begun, gap, *spans, others, stall, samples.soak(1)):
        writer.append(record)
    writer.close()
    kept = asyncio.run(stored(home.database)(begun))
    assert [span.started_unix_ns for span in kept.spans] == [start_ns, start_ns + minute_ns]
    assert {span.endpoint for span in kept.spans} == {"north"}
    assert kept.spans[0].rtt.count == 3
    assert (kept.stalls, kept.gaps) == ((stall,), (gap,))
    left = list(_left(home, now_ns=start_ns)["soaks"])
    assert [(one.kind, one.started_unix_ns) for one in left] == [("soak begun", start_ns), ("soak", 1)]
