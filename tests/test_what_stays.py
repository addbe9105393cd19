"""What hours of life leave in memory, in jumping time: nothing for a record, of a daemon and of the writer.

Counted are the blocks of Python's own allocator (sys.getallocatedblocks), after the collector of cycles and
with bounded caches empty. A record that something keeps takes one or more of them; the rule allows one for
two records: for timers that asyncio drops by the hundred, and for what is under way just then. Each test is
shown to fail where records are kept on purpose.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path

import pytest

from probe.reach import Reach
from probe.trains import Deliver
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.histogram import Histogram
from store.records import Failed, Gap, Owner, Record
from store.site import TrainPlan
from store.writer import Writer
from tests.bench.books import empty_caches
from tests.probe import living
from tests.probe.jumping import run_from, unhurried
from tests.probe.sites import run_plan, site, train_plan
from tests.probe.test_daemon import START_NS, FakeRate, MemoryStore, answering, train_span

A_RECORD_BLOCKS = 0.5
HOUR_S = 3600.0
DAY = 3 * 96  # records of the writer, three each quarter of an hour


def blocks() -> int:
    empty_caches()
    gc.collect()
    return sys.getallocatedblocks()


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The runner keeps what is logged."""
    caplog.set_level(logging.CRITICAL)


@dataclass(kw_only=True)
class Counts(MemoryStore):
    """Counts records and keeps none, unless it is to leak."""

    leaks: bool = False
    count: int = 0

    def append(self, record: Record, *, ends: int | None = None) -> None:
        self.count += 1
        if self.leaks:
            self.records.append(record)
        if ends is not None:
            del self.begun[ends]

    def mark_alive(self, unix_ns: int) -> None:
        pass


@dataclass(kw_only=True)
class Forgetful(FakeRate):
    """Notes no runs."""

    runs: list = field(default_factory=lambda: Never())
    paces: list = field(default_factory=lambda: Never())


class Never(list):
    def append(self, _: object) -> None:
        pass


async def failing(plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
    """A train that falls silent for a minute after each of three, and then fails."""
    for _ in range(3):
        began_ns, since_ns = clock.unix_ns(), clock.monotonic_ns()
        try:
            await asyncio.sleep(60)
        finally:
            if clock.unix_ns() > began_ns:
                deliver(answering(plan, since_ns=since_ns, heard_ns=clock.monotonic_ns()))
                deliver(train_span(plan, began_ns, (clock.unix_ns() - began_ns) / NS_PER_S))
        deliver(answering(plan, since_ns=since_ns, heard_ns=since_ns))
    return Failed(what="run train", why="the session is gone", whose=Owner.ENDPOINT)


@pytest.mark.parametrize("leaks", [False, True])
def test_six_hours_of_a_daemon_after_two(leaks: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Trains that fail and open again, runs, stops, shows and an outage every few minutes."""
    monkeypatch.setattr(living, "MemoryStore", lambda: Counts(leaks=leaks))

    async def work(clock: Clock) -> tuple[int, int]:
        asked = site(runs=(run_plan(every_s=600),), trains=(train_plan(),))
        async with living.alive(clock, asked, rate=Forgetful(), train=failing) as life:
            seen = []
            for hour in range(8):
                for _ in range(4):
                    await life.daemon.stop(minutes=5, why="a fault")
                    await asyncio.sleep(60)
                    life.daemon.resume(why="a fault")
                    await asyncio.sleep(HOUR_S / 4 - 60)
                if hour in (1, 7):
                    seen.append((blocks(), life.store.count))
            (before, first), (after, last) = seen
            return after - before, last - first

    with unhurried():
        left, records = run_from(START_NS, work)
    assert records > 500
    assert leaks == (left > A_RECORD_BLOCKS * records), f"{left} blocks are left of {records} records"


@pytest.mark.long
@pytest.mark.parametrize("leaks", [False, True])
def test_six_days_of_a_writer_after_six(leaks: bool, tmp_path: Path) -> None:
    """Spans of trains with full histograms, and the gaps and events between them."""
    now_ns, kept = START_NS, list[Record]()
    delays = Histogram(range(100, 20_000, 500))

    def records() -> Iterator[Record]:
        for number in count():
            at_ns = START_NS + number * 900 * NS_PER_S
            made = train_span(train_plan(), at_ns, 60.0)
            yield replace(made, rtt=delays, pdv_up=delays, pdv_down=delays)
            yield Gap(handoff="A", started_unix_ns=at_ns, ended_unix_ns=at_ns + NS_PER_S, why="a fault")
            yield Event(
                handoff="A",
                endpoint="north",
                started_unix_ns=at_ns,
                what=EventKind.OUTAGE_START,
                says="a fault",
                owner=Owner.UNKNOWN,
            )

    clock = Clock(
        monotonic_ns=lambda: now_ns, unix_ns=lambda: now_ns, boot_ns=lambda: now_ns, raw_ns=lambda: now_ns
    )
    seen = []
    with closing(Writer.open(tmp_path / "line.db", clock=clock, timezone="UTC")) as writer:
        for number, record in enumerate(records()):
            now_ns = max(now_ns, getattr(record, "started_unix_ns", now_ns))
            writer.append(record)
            kept += [record] * leaks
            if number % 9 == 8:
                writer.flush_blocking()
            if number in (6 * DAY, 12 * DAY):
                writer.flush_blocking()
                seen.append(blocks())
            if len(seen) == 2:
                break
    left = seen[1] - seen[0]
    assert leaks == (left > A_RECORD_BLOCKS * 6 * DAY), f"{left} blocks are left of {6 * DAY} records"
