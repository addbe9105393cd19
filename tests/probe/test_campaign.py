"""Campaigns: fixed and stored before the first run, deaf to later edits, every planned run accounted for."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest
from scipy import stats

from dashboard.judge.campaign import Outcome, result
from probe import campaign, daemon
from probe.daemon import Daemon, Methods
from probe.schedule import midnight_ns, run_ns
from store import verify
from store.clock import NS_PER_S, Clock, local, zone
from store.errors import StoreTrouble, UserMistake
from store.reader import Reader
from store.records import Campaign, Failed, Owner, RateRun, Skipped, TrainSpan
from store.site import EVENINGS, CampaignPlan, Site, WindowKind
from store.writer import Writer
from tests.probe.jumping import run_from, unhurried
from tests.probe.sites import rate_run, run_plan, site, train_plan, window
from tests.probe.test_daemon import FakeRate, FakeTrain, MemoryStore
from tests.store import samples

LISBON = zone("Europe/Lisbon")
FIRST = date(2026, 6, 4)
BEFORE_NS = int(datetime(2026, 6, 3, 12, tzinfo=UTC).timestamp()) * NS_PER_S


def plan(**more: Any) -> CampaignPlan:
    """Half-hourly runs in the evenings of two days: twenty of them."""
    made = CampaignPlan(
        name="evenings",
        question="Does the upload reach 15 Mb/s?",
        run=replace(run_plan(every_s=1800), times=EVENINGS),
        first_day=FIRST,
        last_day=date(2026, 6, 5),
        count=None,
    )
    return replace(made, **more)


def drawn(asked: CampaignPlan, *, now_ns: int = BEFORE_NS, seed: str = "7") -> Campaign:
    return campaign.drawn(asked, now_ns=now_ns, timezone="Europe/Lisbon", seed=seed)


def lived(
    asked: Site,
    body: Callable[[Daemon, Clock], Coroutine[Any, Any, None]],
    *,
    rate: FakeRate,
    store: MemoryStore,
    from_ns: int = BEFORE_NS,
    sealed: tuple[Campaign, ...] = (),
) -> None:
    """A daemon in jumping time, as long as `body` lasts."""

    async def life(clock: Clock) -> None:
        made = await daemon.prepared(
            asked,
            clock=clock,
            writer=store,
            methods=Methods(rate=rate, train=FakeTrain()),
            random=Random(1),
            spent_bytes={},
            sealed=sealed,
        )
        task = asyncio.create_task(made.run())
        await body(made, clock)
        task.cancel()
        await asyncio.wait({task})

    with unhurried():
        run_from(from_ns, life)


async def days(made: Daemon, clock: Clock, count: float = 3) -> None:
    await asyncio.sleep(count * 86_400)


class TestDrawing:
    def test_one_moment_in_each_slot_and_the_same_ones_from_the_same_seed(self) -> None:
        """Twenty slots of half an hour between 18:00 and 23:00; the draw can be repeated from the record."""
        found = drawn(plan())
        assert 20 == len(found.planned) == campaign.runs_planned(plan(), where=LISBON)
        assert found == drawn(plan())
        assert found.planned != drawn(plan(), seed="8").planned
        slots = [
            (local(one.start_unix_ns, LISBON).day, local(one.start_unix_ns, LISBON).hour * 2)
            for one in found.planned
        ]
        assert {4, 5} == {day for day, _ in slots}
        assert all(18 <= hour / 2 < 23 for _, hour in slots)
        run = campaign.run_plan(found)
        assert all(
            one.latest_unix_ns - one.start_unix_ns <= 1800 * NS_PER_S - run_ns(run) for one in found.planned
        )

    def test_moments_are_uniform_and_independent(self) -> None:
        """RFC 3432 section 3, scipy: a Kolmogorov-Smirnov test and the rank correlation of neighbours."""
        asked = plan(run=run_plan(every_s=1800), last_day=None, count=3000)
        found = drawn(asked).planned
        begin_ns, room_ns = midnight_ns(FIRST, where=LISBON), 1800 * NS_PER_S - run_ns(asked.run)
        shares = [((one.start_unix_ns - begin_ns) % (1800 * NS_PER_S)) / room_ns for one in found]
        assert 3000 == len(found)
        assert stats.kstest(shares, "uniform").pvalue > 0.01
        assert stats.spearmanr(shares[:-1], shares[1:]).pvalue > 0.01

    @pytest.mark.parametrize(
        ("first", "last", "runs"),
        [  # days of 23 and 25 hours (Directive 2000/84/EC) and a leap day (2028)
            (date(2026, 3, 29), date(2026, 3, 29), 23),
            (date(2026, 10, 25), date(2026, 10, 25), 25),
            (date(2028, 2, 28), date(2028, 3, 1), 72),
        ],
    )
    def test_days_have_the_hours_that_they_have(self, first: date, last: date, runs: int) -> None:
        """One run an hour."""
        asked = plan(run=run_plan(every_s=3600), first_day=first, last_day=last)
        assert runs == campaign.runs_planned(asked, where=LISBON) == len(drawn(asked, now_ns=0).planned)

    def test_begun_late_it_plans_nothing_in_the_past(self) -> None:
        """A probe that was installed on the second evening has that evening's rest."""
        now_ns = int(datetime(2026, 6, 5, 20, tzinfo=UTC).timestamp()) * NS_PER_S  # 21:00 in Lisbon
        found = drawn(plan(), now_ns=now_ns).planned
        assert 4 == len(found)
        assert all(one.start_unix_ns >= now_ns for one in found)


class TestLiving:
    def test_it_is_on_record_and_flushed_before_its_first_run(self) -> None:
        """The record comes first, nothing of the campaign runs before it, and every run names it."""
        store, rate = MemoryStore(), FakeRate()
        lived(site(campaigns=(plan(),)), days, rate=rate, store=store)
        (sealed,) = store.of(Campaign)
        runs = store.of(RateRun)
        assert store.records.index(sealed) < min(store.records.index(run) for run in runs)
        assert midnight_ns(FIRST, where=LISBON) <= sealed.started_unix_ns < sealed.planned[0].start_unix_ns
        assert [one.start_unix_ns for one in sealed.planned] == [
            run.circumstances.planned_unix_ns for run in runs
        ]
        assert {"evenings"} == {run.circumstances.campaign for run in runs}
        assert [one.start_unix_ns for one in sealed.planned] == [began_ns for _, began_ns, _ in rate.runs]

    def test_no_run_goes_while_it_cannot_be_written(self) -> None:
        """The disk is full from the start; once it is not, the rest goes, and what passed is missing."""
        store, rate = MemoryStore(trouble=StoreTrouble("the disk is full")), FakeRate()

        async def body(made: Daemon, clock: Clock) -> None:
            await days(made, clock, 1.3)  # 20:12 on the first evening in Lisbon
            assert [] == rate.runs
            store.trouble = None
            await days(made, clock, 1.7)

        lived(site(campaigns=(plan(),)), body, rate=rate, store=store)
        (sealed,) = store.of(Campaign)
        counts = result(sealed, store.records, now_unix_ns=2**62).counts
        assert (20, 0) == (counts[Outcome.MISSING] + len(rate.runs), counts[Outcome.VALID] - len(rate.runs))
        assert 3 <= counts[Outcome.MISSING] <= 6

    def test_it_goes_beside_the_schedule_one_at_a_time(self) -> None:
        """Its moments are kept though the schedule has runs of its own; none of these counts for it."""
        store, rate = MemoryStore(), FakeRate()
        lived(site(campaigns=(plan(),), runs=(run_plan(every_s=3600),)), days, rate=rate, store=store)
        (sealed,) = store.of(Campaign)
        assert 1 == rate.most_at_once
        assert 20 == result(sealed, store.records, now_unix_ns=2**62).counts[Outcome.VALID]
        assert 72 == sum(run.circumstances.campaign is None for run in store.of(RateRun))

    def test_a_later_edit_is_refused_and_changes_nothing(self) -> None:
        """At a reload with a sentence, and nothing is taken over; the sealed one goes on to its end."""
        store, rate = MemoryStore(), FakeRate()

        async def body(made: Daemon, clock: Clock) -> None:
            await days(made, clock, 1.3)
            changed = plan(last_day=date(2026, 6, 4), question="Is it fine?")
            with pytest.raises(UserMistake, match=r"campaign 'evenings' has begun .*\(question, to\)"):
                await made.reload(site(campaigns=(changed,)))
            await days(made, clock, 1.7)

        lived(site(campaigns=(plan(),)), body, rate=rate, store=store)
        assert (1, 20) == (len(store.of(Campaign)), len(rate.runs))

    @pytest.mark.parametrize("edited", [(plan(count=2, last_day=None),), ()], ids=["changed", "left out"])
    def test_a_restart_goes_on_by_the_record(self, edited: tuple[CampaignPlan, ...]) -> None:
        """Whatever the site file says by then: same moments, no second record, and the log says so."""
        sealed = drawn(plan(), now_ns=midnight_ns(FIRST, where=LISBON))
        store, rate = MemoryStore(), FakeRate()
        from_ns = sealed.planned[7].start_unix_ns + NS_PER_S
        lived(site(campaigns=edited), days, rate=rate, store=store, from_ns=from_ns, sealed=(sealed,))
        assert [] == store.of(Campaign)
        assert [one.start_unix_ns for one in sealed.planned[8:]] == [began_ns for _, began_ns, _ in rate.runs]
        counts = result(sealed, store.records, now_unix_ns=2**62).counts
        assert (12, 8) == (counts[Outcome.VALID], counts[Outcome.MISSING])

    def test_every_planned_run_is_accounted_for(self) -> None:
        """A show takes some, an endpoint refuses some, the rest is valid: twenty, each by its moment."""
        rate = FakeRate(
            outcome=lambda number: (
                rate_run() if number % 3 else Failed(what="run rate", why="refused", whose=Owner.ENDPOINT)
            )
        )
        store, show = MemoryStore(), window(WindowKind.SHOW, minutes=(19 * 60, 21 * 60))
        asked = site(campaigns=(plan(),), windows=(show,), trains=(train_plan(),))
        lived(asked, days, rate=rate, store=store)
        (sealed,) = store.of(Campaign)
        found = result(sealed, store.records, now_unix_ns=2**62)
        assert [one.planned for one in found.fates] == list(sealed.planned)
        assert 20 == sum(found.counts.values())
        assert len(store.of(Skipped)) == found.counts[Outcome.SKIPPED] >= 8
        assert len(store.of(Failed)) == found.counts[Outcome.FAILED] >= 3
        assert {"run rate, campaign evenings"} == {
            one.what for one in (*store.of(Skipped), *store.of(Failed))
        }
        assert (Outcome.SKIPPED, "it would touch show window 'show hours'") in found.reasons
        assert store.of(TrainSpan)


def test_the_plan_is_under_the_seal(tmp_path: Path) -> None:
    """It comes back from the database as it was drawn, in the chain before the run that follows it."""
    path, sealed = tmp_path / "line.db", drawn(plan())
    writer = Writer.open(path, clock=Clock())
    writer.append(sealed)
    writer.append(samples.run())
    writer.close()
    reader = Reader.open(path)
    assert [sealed] == reader.campaigns()
    ((campaign_seq, _),), ((run_seq, _),) = list(reader.each("campaign")), list(reader.each("rate"))
    reader.close()
    assert campaign_seq < run_seq
    assert verify.database(path).verified
