"""The daemon with methods that are fakes: what it stores, when, and that nothing takes it down.

Time jumps (tests.probe.jumping), so that hours pass in a moment; the real methods and a real endpoint
come last, on 127.0.0.1.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import count, pairwise
from random import Random
from typing import Any, NoReturn, TypeVar

import pytest

from probe import daemon
from probe.answering import Answering
from probe.ceilings import Ceilings
from probe.daemon import Methods
from probe.reach import Reach
from probe.runs import Measured
from probe.schedule import slot_at
from probe.trains import Deliver
from store.clock import NS_PER_S, Clock, zone
from store.errors import StoreTrouble, UserMistake
from store.events import Event
from store.histogram import Histogram
from store.pace import Pace
from store.records import (
    Failed,
    Gap,
    Owner,
    RateRun,
    Record,
    Skipped,
    Stamps,
    TrainSpan,
)
from store.site import EndpointRef, RunPlan, Site, TrainPlan, Where, WindowKind
from store.unfinished import Standing
from tests.probe.jumping import Leap, run_from, unhurried
from tests.probe.sites import INVITATION, handoff, rate_run, run_plan, site, train_plan, window

START_NS = int(datetime(2026, 6, 3, tzinfo=UTC).timestamp()) * NS_PER_S  # a Wednesday, 01:00 in Lisbon
HOUR_S = 3600.0
LISBON = zone("Europe/Lisbon")
NONE_OF_THAT: dict[str, Any] = dict.fromkeys(
    (
        *("lost_up", "lost_down", "lost_unattributed", "held_up", "held_down", "duplicated_up"),
        *("duplicated_down", "reordered_up", "reordered_down", "blips"),
    ),
    0,
)
SKIPPED = Skipped(what="run rate", why="a mark", planned_unix_ns=0, handoff="A", endpoint="north")

T = TypeVar("T")


@dataclass(kw_only=True)
class MemoryStore:
    """Keeps what it is given, with the moment it came."""

    last_alive_unix_ns: int | None = None
    trouble: StoreTrouble | None = None
    waiting: int = 0
    records: list[Record] = field(default_factory=list)
    alive_ns: list[int] = field(default_factory=list)
    flushed: int = 0

    standing: dict[tuple[str, str], Standing] = field(default_factory=dict)
    begun: dict[int, int] = field(default_factory=dict)  # when what is under way started, by its number
    numbers: Iterator[int] = field(default_factory=count)
    began: int = 0

    def append(self, record: Record, *, ends: int | None = None) -> None:
        self.records.append(record)
        if ends is not None:
            del self.begun[ends]

    def begin(self, what: str, *, handoff: str, endpoint: str, started_unix_ns: int) -> int:
        number = self.began = self.began + 1
        self.begun[number] = started_unix_ns
        return number

    def so_far(self, span: TrainSpan) -> None:
        raise AssertionError("no method here tells what it has so far")

    def stands(self, train: Standing) -> None:
        self.standing[train.handoff, train.endpoint] = train

    def stamp(self, head: int, token: bytes) -> None:
        raise AssertionError("no test has its heads stamped")

    def mark_alive(self, unix_ns: int) -> None:
        self.alive_ns.append(unix_ns)

    async def flush(self) -> None:
        self.flushed += 1
        if self.trouble is not None:
            raise self.trouble

    def of(self, kind: type[T]) -> list[T]:
        """The records of one kind, in the order they came."""
        return [record for record in self.records if isinstance(record, kind)]


@dataclass(kw_only=True)
class FakeRate:
    """Takes the plan's seconds, notes when, and ends in what `outcome` makes of the run's number."""

    outcome: Callable[[int], Measured | Failed | Exception] = lambda number: rate_run()
    lasts_s: float | None = None
    runs: list[tuple[RunPlan, int, int]] = field(default_factory=list)
    paces: list[Pace] = field(default_factory=list)
    at_once: int = 0
    most_at_once: int = 0

    async def __call__(
        self, plan: RunPlan, where: Reach, clock: Clock, /, *, pace: Pace
    ) -> Measured | Failed:
        self.paces.append(pace)
        began_ns = clock.unix_ns()
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        try:
            await asyncio.sleep(plan.seconds if self.lasts_s is None else self.lasts_s)
        finally:
            self.at_once -= 1
            self.runs.append((plan, began_ns, clock.unix_ns()))
        found = self.outcome(len(self.runs))
        if isinstance(found, Exception):
            raise found
        return found


@dataclass(kw_only=True)
class FakeTrain:
    """Goes for as many minutes an attempt as `minutes` says, for ever after the last, and notes its starts.

    Every packet has its reply, which it says once a minute.

    An exception among them is raised. Cancelled, it delivers the minute it is in.
    """

    minutes: tuple[int | Exception, ...] = ()
    opened_ns: list[int] = field(default_factory=list)

    async def __call__(self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
        self.opened_ns.append(clock.unix_ns())
        number, since_ns = len(self.opened_ns) - 1, clock.monotonic_ns()
        lasts = self.minutes[number] if number < len(self.minutes) else 10**9
        if isinstance(lasts, Exception):
            raise lasts
        for _ in range(lasts):
            began_ns = clock.unix_ns()
            try:
                await asyncio.sleep(60)
            finally:
                if clock.unix_ns() > began_ns:
                    deliver(answering(plan, since_ns=since_ns, heard_ns=clock.monotonic_ns()))
                    deliver(train_span(plan, began_ns, (clock.unix_ns() - began_ns) / NS_PER_S))
        return Failed(what="run train", why=f"attempt {number + 1} was refused", whose=Owner.ENDPOINT)


def answering(plan: TrainPlan, *, since_ns: int, heard_ns: int) -> Answering:
    return Answering(handoff=plan.handoff, endpoint=plan.endpoint, since_ns=since_ns, heard_ns=heard_ns)


def train_span(plan: TrainPlan, started_unix_ns: int, seconds: float) -> TrainSpan:
    """A span without loss."""
    packets = round(plan.per_second * seconds)
    return TrainSpan(
        handoff=plan.handoff,
        endpoint=plan.endpoint,
        started_unix_ns=started_unix_ns,
        seconds=seconds,
        per_second=plan.per_second,
        packet_bytes=112,
        waiting_s=3,
        sent=packets,
        received=packets,
        **NONE_OF_THAT,
        rtt=Histogram(),
        pdv_up=Histogram(),
        pdv_down=Histogram(),
        jitter_up_us=None,
        jitter_down_us=None,
        timestamps=Stamps.KERNEL,
    )


def lived(
    asked: Site,
    *,
    for_s: float,
    rate: FakeRate | None = None,
    train: FakeTrain | None = None,
    store: MemoryStore | None = None,
    spent_bytes: dict[str, int] | None = None,
    from_ns: int = START_NS,
    leaps: tuple[Leap, ...] = (),
) -> MemoryStore:
    """The store after a daemon lived so many seconds and was cancelled."""
    kept = store or MemoryStore()

    async def life(clock: Clock) -> None:
        task = asyncio.create_task(
            daemon.run(
                asked,
                clock=clock,
                writer=kept,
                methods=Methods(rate=rate or FakeRate(), train=train or FakeTrain()),
                random=Random(1),
                spent_bytes=spent_bytes or {},
            )
        )
        await asyncio.wait({task}, timeout=for_s)
        asked_ns = clock.monotonic_ns()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert clock.monotonic_ns() - asked_ns < 2 * NS_PER_S

    with unhurried() if for_s > 24 * HOUR_S else nullcontext():
        run_from(from_ns, life, leaps=leaps)
    return kept


# Rate runs


@pytest.mark.parametrize(
    ("midnight", "hours"),
    [  # clock changes of 2026 by Directive 2000/84/EC: 29 March and 25 October at 01:00 UTC
        (datetime(2026, 3, 29, tzinfo=UTC), 23),
        (datetime(2026, 10, 24, 23, tzinfo=UTC), 25),
    ],
)
def test_a_day_of_a_clock_change_has_one_run_each_hour(midnight: datetime, hours: int) -> None:
    """Every hourly slot of a day of 23 and of 25 hours gets exactly one run, which ends within it."""
    rate, from_ns = FakeRate(), int(midnight.timestamp()) * NS_PER_S
    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=hours * HOUR_S, rate=rate, from_ns=from_ns)
    slots = [slot_at(began_ns, every_s=3600, where=LISBON) for _, began_ns, _ in rate.runs]
    assert hours == len(kept.of(RateRun)) == len(set(slots))
    assert all(ended_ns <= slot.end_ns for slot, (_, _, ended_ns) in zip(slots, rate.runs, strict=True))
    assert [] == kept.of(Skipped)


def test_runs_of_one_handoff_take_turns() -> None:
    """RFC 9097 section 8.3: one test at a time on a path. Every slot has its run or says why it has none."""
    rate = FakeRate()
    plans = (run_plan(every_s=120, seconds=40), run_plan(every_s=120, seconds=50), run_plan(every_s=60))
    kept = lived(site(runs=plans), for_s=2 * HOUR_S, rate=rate)
    assert 1 == rate.most_at_once
    assert 60 + 60 + 120 == len(kept.of(RateRun)) + len(kept.of(Skipped))
    assert {"another run kept the handoff busy until too late in its slot"} == {
        skipped.why for skipped in kept.of(Skipped)
    }
    assert all(one[2] <= other[1] for one, other in pairwise(rate.runs))


def test_a_long_run_lets_no_slot_pass_unsaid() -> None:
    """A run of 45 minutes covers dozens of slots of a minute; each of them is on record."""
    plans = (run_plan(every_s=3600, seconds=2700), run_plan(every_s=60))
    kept = lived(site(runs=plans), for_s=2 * HOUR_S)
    assert 2 + 120 == len(kept.of(RateRun)) + len(kept.of(Skipped))
    assert len(kept.of(Skipped)) > 60


def test_handoffs_do_not_wait_for_each_other() -> None:
    """Two handoffs whose runs fill their slots run at the same time."""
    rate = FakeRate()
    plans = tuple(run_plan(every_s=60, seconds=50, handoff=name) for name in "AB")
    lived(site(handoffs=(handoff("A"), handoff("B")), runs=plans), for_s=600, rate=rate)
    assert 2 == rate.most_at_once


def test_no_run_touches_a_window() -> None:
    """Lisbon's 03:00 to 05:00 is 02:00 to 04:00 UTC in June: those two runs are skipped with the reason."""
    rate, quiet = FakeRate(), window(WindowKind.QUIET, minutes=(180, 300))
    kept = lived(site(runs=(run_plan(every_s=3600),), windows=(quiet,)), for_s=8 * HOUR_S, rate=rate)
    hours = [(began_ns - START_NS) / NS_PER_S / HOUR_S for _, began_ns, _ in rate.runs]
    assert [0, 1, 4, 5, 6, 7] == [int(hour) for hour in hours]
    assert ["it would touch quiet window 'quiet hours'"] * 2 == [found.why for found in kept.of(Skipped)]
    assert [2, 3] == [
        int((found.planned_unix_ns - START_NS) / NS_PER_S / HOUR_S) for found in kept.of(Skipped)
    ]


def test_runs_stop_when_the_allowance_is_spent() -> None:
    """With 700 MB left of 1 GB, 28 runs of 25 MB would go; of the last ones, from 80 % on, fewer do."""
    limited = replace(handoff(), allowance_bytes=10**9)
    asked = site(handoffs=(limited,), runs=(run_plan(every_s=3600),))
    kept = lived(asked, for_s=60 * HOUR_S, spent_bytes={"A": 3 * 10**8})
    assert 20 <= len(kept.of(RateRun)) <= 28
    assert 60 == len(kept.of(RateRun)) + len(kept.of(Skipped))
    assert all("of the test allowance of 1 GB are spent" in one.why for one in kept.of(Skipped))


def test_a_new_month_has_its_own_allowance() -> None:
    """Nothing was left in June; July begins at 23:00 UTC in Lisbon, and runs go again."""
    limited = replace(handoff(), allowance_bytes=10**9)
    asked = site(handoffs=(limited,), runs=(run_plan(every_s=3600),))
    from_ns = int(datetime(2026, 6, 30, 20, tzinfo=UTC).timestamp()) * NS_PER_S
    kept = lived(asked, for_s=6 * HOUR_S, spent_bytes={"A": 10**9}, from_ns=from_ns)
    assert [Skipped] * 3 + [RateRun] * 3 == [type(record) for record in kept.records]


def test_trains_and_failed_runs_are_paid_from_the_allowance() -> None:
    """20/s x 60 s x 280 bytes = 336 kB a minute, 20.16 MB an hour: of 150 MB 69 are left for runs.

    That is two of 25 MB in the last four hours of June. A failed run of full length is charged as if it
    had moved everything, as nobody counted.
    """
    limited = replace(handoff(), allowance_bytes=15 * 10**7)
    asked = site(handoffs=(limited,), runs=(run_plan(every_s=3600),), trains=(train_plan(),))
    rate = FakeRate(outcome=lambda number: Failed(what="run rate", why="no", whose=Owner.ENDPOINT))
    from_ns = int(datetime(2026, 6, 30, 19, tzinfo=UTC).timestamp()) * NS_PER_S
    kept = lived(asked, for_s=4 * HOUR_S, rate=rate, from_ns=from_ns)
    assert [2, 2] == [len(kept.of(Failed)), len(kept.of(Skipped))]
    assert 4 * 60 == len(kept.of(TrainSpan))


def test_a_metered_handoff_is_left_alone_but_for_its_train() -> None:
    """Each slot says why it had no run; the train goes."""
    metered = replace(handoff(), metered=True)
    rate = FakeRate()
    kept = lived(
        site(handoffs=(metered,), runs=(run_plan(every_s=3600),), trains=(train_plan(),)),
        for_s=3 * HOUR_S,
        rate=rate,
    )
    assert [] == rate.runs
    assert ["handoff A is metered, so it gets no rate runs"] * 3 == [one.why for one in kept.of(Skipped)]
    assert 180 == len(kept.of(TrainSpan))


def test_a_failed_run_is_on_record_with_its_path_and_time() -> None:
    """The method need not know its names; the schedule goes on."""
    rate = FakeRate(outcome=lambda number: Failed(what="run rate", why="refused", whose=Owner.ENDPOINT))
    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=2 * HOUR_S, rate=rate)
    assert [
        Failed(
            what="run rate",
            why="refused",
            whose=Owner.ENDPOINT,
            started_unix_ns=began_ns,
            handoff="A",
            endpoint="north",
            spent_bytes=25_000_000,  # 20 Mb/s for 10 s
        )
        for _, began_ns, _ in rate.runs
    ] == kept.records


def test_a_run_that_never_ends_is_given_up() -> None:
    """A minute after its time; the next slot has its run."""
    rate = FakeRate(lasts_s=10**6)
    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=2 * HOUR_S, rate=rate)
    assert ["it had not ended 60 s after its time, and was given up"] * 2 == [
        one.why for one in kept.of(Failed)
    ]
    assert [70 * NS_PER_S] * 2 == [ended_ns - began_ns for _, began_ns, ended_ns in rate.runs]


@pytest.mark.parametrize(
    ("leap", "says"),
    [
        (Leap(awake_s=HOUR_S, slept_s=72 * HOUR_S), "this host slept"),
        (Leap(awake_s=HOUR_S, set_s=72 * HOUR_S), "the clock was set forward over it, by 259200.000 s"),
    ],
    ids=["asleep", "set"],
)
def test_after_days_asleep_the_schedule_goes_on_from_now(leap: Leap, says: str) -> None:
    """A clock that jumps by three days brings two skipped runs, the second for all the rest."""
    rate = FakeRate()
    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=3 * HOUR_S, rate=rate, leaps=(leap,))
    first, rest = [one.why for one in kept.of(Skipped)]
    assert says == first
    assert rest.startswith(f"{says}, and every slot up to 2026-06-06T01:00")
    assert rest.endswith("is let go")
    assert len(kept.of(RateRun)) in (2, 3)


@pytest.mark.parametrize(
    ("started_s", "set_s"),
    [
        (5000.0, -2.0),
        (5000.0, -3600.0),  # 00:23 again, and the slot of 00:00 has had its run
        (600.0, -7200.0),  # to before the probe began: those slots had none
        (600.0, -86_400.0 * 365),  # a clock that was a year ahead
        (3 * 86_400.0, -2 * 86_400.0),  # rather some slots twice than two days without a run
    ],
)
def test_a_clock_set_back_repeats_no_slot_and_nothing_waits_for_it(started_s: float, set_s: float) -> None:
    """Two hours at most pass between hourly runs, by a clock nobody sets; three if an hour comes twice."""
    awake_s: list[float] = []

    class Noting(FakeRate):
        async def __call__(
            self, plan: RunPlan, where: Reach, clock: Clock, /, **more: Any
        ) -> RateRun | Failed:
            awake_s.append(clock.monotonic_ns() / NS_PER_S)
            return await super().__call__(plan, where, clock, **more)

    rate, leap = Noting(), Leap(awake_s=started_s, set_s=set_s)
    lived(site(runs=(run_plan(every_s=3600),)), for_s=started_s + 4 * HOUR_S, rate=rate, leaps=(leap,))
    edges = [0.0, *awake_s, started_s + 4 * HOUR_S]
    longest_s = 2 * HOUR_S + (HOUR_S if set_s == -HOUR_S else 0)
    assert max(later - earlier for earlier, later in pairwise(edges)) <= longest_s
    if set_s > -86_400:
        slots = [slot_at(began_ns, every_s=3600, where=LISBON) for _, began_ns, _ in rate.runs]
        assert len(slots) == len(set(slots))


# Trains


def test_an_outage_of_a_train_is_one_failed_and_one_gap() -> None:
    """Four attempts in vain, then it goes: the first failure and the gap to the first packet are kept."""
    train = FakeTrain(minutes=(0, 0, 0, 0))
    kept = lived(site(trains=(train_plan(),)), for_s=600, train=train)
    measured = [record for record in kept.records if not isinstance(record, Event)]
    assert [Failed, Gap] == [type(record) for record in measured[:2]]
    assert {TrainSpan} == {type(record) for record in measured[2:]}
    assert measured[1] == Gap(
        started_unix_ns=START_NS,
        ended_unix_ns=train.opened_ns[4],
        why="no train: attempt 1 was refused",
        handoff="A",
        endpoint="north",
    )


def test_attempts_come_at_random_and_less_often() -> None:
    """2 to 4 s after the first failure, doubling up to 30 to 60 s, and no two pauses alike."""
    train = FakeTrain(minutes=(0,) * 200)
    lived(site(trains=(train_plan(),)), for_s=HOUR_S, train=train)
    pauses_s = [(later - earlier) / NS_PER_S for earlier, later in pairwise(train.opened_ns)]
    ceilings_s = [4, 8, 16, 32, *[60] * (len(pauses_s) - 4)]
    assert all(ceiling / 2 <= pause <= ceiling for pause, ceiling in zip(pauses_s, ceilings_s, strict=True))
    assert len(pauses_s) == len(set(pauses_s)) > 60


def test_each_outage_has_its_own_failed_and_gap() -> None:
    """Five minutes, an outage, three minutes, an outage: each gap begins where the record ended."""
    train = FakeTrain(minutes=(5, 0, 3, 0))
    kept = lived(site(trains=(train_plan(),)), for_s=HOUR_S, train=train)
    first, second = kept.of(Gap)
    assert ["attempt 1 was refused", "attempt 3 was refused"] == [one.why for one in kept.of(Failed)]
    assert START_NS + 300 * NS_PER_S == first.started_unix_ns
    assert train.opened_ns[2] == first.ended_unix_ns
    assert (train.opened_ns[2] + 180 * NS_PER_S, train.opened_ns[4]) == (
        second.started_unix_ns,
        second.ended_unix_ns,
    )
    covered_ns = sum(round(span.seconds * NS_PER_S) for span in kept.of(TrainSpan))
    gaps_ns = sum(gap.ended_unix_ns - gap.started_unix_ns for gap in kept.of(Gap))
    assert 3600 * NS_PER_S == covered_ns + gaps_ns


def test_a_first_pause_is_short_again_after_the_train_went() -> None:
    """What it was tried in vain long ago does not make the next outage longer."""
    train = FakeTrain(minutes=(0, 0, 0, 0, 0, 1, 1))
    lived(site(trains=(train_plan(),)), for_s=HOUR_S, train=train)
    assert train.opened_ns[6] - train.opened_ns[5] <= 64 * NS_PER_S


def test_an_outage_that_lasts_until_the_stop_is_a_gap_up_to_it() -> None:
    """Otherwise nobody would know of it after the next start."""
    kept = lived(site(trains=(train_plan(),)), for_s=100, train=FakeTrain(minutes=(0,) * 99))
    (gap,) = kept.of(Gap)
    assert (START_NS, START_NS + 100 * NS_PER_S) == (gap.started_unix_ns, gap.ended_unix_ns)


# Nothing takes it down


def test_what_nobody_foresaw_is_a_failed_and_life_goes_on(caplog: pytest.LogCaptureFixture) -> None:
    """A train and a run that raise are on record as unknown, with a traceback in the log."""
    rate = FakeRate(outcome=lambda number: ValueError("a slip") if number == 1 else rate_run())
    train = FakeTrain(minutes=(2, RuntimeError("another"), 3))
    asked = site(runs=(run_plan(every_s=600),), trains=(train_plan(),))
    kept = lived(asked, for_s=HOUR_S, rate=rate, train=train)
    assert {("attempt 1 was refused", "endpoint"), ("unexpected ValueError: a slip", "unknown")} <= {
        (failed.why, str(failed.whose)) for failed in kept.of(Failed)
    }
    assert [5, 1] == [len(kept.of(RateRun)), sum("slip" in failed.why for failed in kept.of(Failed))]
    assert len(kept.of(TrainSpan)) > 55
    assert {"ValueError", "RuntimeError"} == {
        record.exc_info[0].__name__ for record in caplog.records if record.exc_info and record.exc_info[0]
    }


def test_a_mistake_of_ours_after_a_run_makes_no_second_run(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Runs begin again ten seconds later: with the next slot, since this one has moved its bytes."""

    def slip(*_: object, **__: object) -> NoReturn:
        raise RuntimeError("a slip")

    monkeypatch.setattr(Ceilings, "judged", slip)
    rate = FakeRate()
    lived(site(runs=(run_plan(every_s=600),)), for_s=HOUR_S, rate=rate)
    assert len(rate.runs) == 6
    assert "begins again what=runs A" in caplog.text


def test_a_record_that_cannot_be_stored_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    """The store refuses a value that no column holds; the daemon keeps going."""

    class Refusing(MemoryStore):
        def append(self, record: Record, *, ends: int | None = None) -> None:
            if isinstance(record, RateRun) and not self.of(Skipped):
                self.records.append(SKIPPED)
                raise ValueError("no column holds it")
            super().append(record, ends=ends)

    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=3 * HOUR_S, store=Refusing())
    assert [Skipped, Failed, RateRun, RateRun] == [type(record) for record in kept.records]
    assert {} == kept.begun  # or the next start would say that the probe ended in the middle of it
    assert "record not stored kind=rate" in caplog.text


def test_a_disk_in_trouble_is_said_once_and_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """Not every ten seconds, and the stop is clean though nothing can be flushed."""
    store = MemoryStore(trouble=StoreTrouble("the disk is full"))
    lived(site(trains=(train_plan(),)), for_s=300, store=store)
    messages = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert ["store trouble why=the disk is full", "store not flushed why=the disk is full"] == messages


# Start and stop


def test_a_stop_keeps_what_there_is() -> None:
    """A run that is on ends as failed, the train delivers its part of a minute, and all of it is flushed."""
    kept = lived(
        site(runs=(run_plan(every_s=3600, seconds=3500),), trains=(train_plan(),)), for_s=20 * 60 + 7.5
    )
    (failed,) = kept.of(Failed)
    assert ("run rate", "the probe was stopped during the run") == (failed.what, failed.why)
    assert [60.0] * 20 + [7.5] == [span.seconds for span in kept.of(TrainSpan)]
    assert 1 == kept.flushed


def test_a_start_after_an_absence_leaves_a_gap() -> None:
    """From the last sign of life to now, for all handoffs."""
    kept = lived(site(), for_s=1, store=MemoryStore(last_alive_unix_ns=START_NS - 90 * NS_PER_S))
    assert [
        Gap(
            started_unix_ns=START_NS - 90 * NS_PER_S,
            ended_unix_ns=START_NS,
            why="the probe was not running",
        )
    ] == kept.records


@pytest.mark.parametrize("last_alive_unix_ns", [None, START_NS + NS_PER_S], ids=["first start", "clock back"])
def test_no_gap_is_made_up(last_alive_unix_ns: int | None) -> None:
    """Neither on the first start nor when the clock stands before the last sign of life."""
    assert [] == lived(site(), for_s=1, store=MemoryStore(last_alive_unix_ns=last_alive_unix_ns)).records


def test_a_sign_of_life_every_ten_seconds() -> None:
    """And one at the stop, so that the next start knows when it was."""
    kept = lived(site(), for_s=35)
    assert [0, 10, 20, 30, 35] == [(ns - START_NS) // NS_PER_S for ns in kept.alive_ns]


def test_a_bad_invitation_names_its_endpoint() -> None:
    """A user's mistake, said before anything is measured, without the key."""
    bad = EndpointRef(name="south", where=Where.OUTSIDE, invitation=INVITATION[:-9])
    store = MemoryStore()
    with pytest.raises(UserMistake, match=r"^endpoint 'south': invitation: its pin is not 32 bytes"):
        run_from(
            START_NS,
            lambda clock: daemon.run(site(endpoints=(bad,)), clock=clock, writer=store, spent_bytes={}),
        )
    assert [] == store.records
