"""Each second of a train is measured or a gap, however it, its endpoint and the probe end.

A life of the daemon goes in time that jumps; what it told its store up to a moment is what a kill at that
moment leaves, in a real database, which the next life opens.
"""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from probe import daemon
from probe.daemon import Methods
from probe.reach import Reach
from probe.trains import OPENING, Deliver
from store import verify
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import Failed, Gap, Owner, Record, TrainSpan
from store.site import EndpointRef, TrainPlan, Where
from store.unfinished import SEAM_NS, SoFar, Standing
from store.writer import Writer
from tests.probe.jumping import run_from
from tests.probe.sites import INVITATION, site, train_plan
from tests.probe.test_daemon import START_NS, FakeRate, MemoryStore, train_span

ENDPOINTS = ("north", "south")
LIVED_S = 330


@dataclass(kw_only=True)
class Told(MemoryStore):
    """Everything that its store was told, with when."""

    clock: Clock
    calls: list[tuple[int, Callable[[Writer], None]]] = field(default_factory=list)

    def _told(self, call: Callable[[Writer], None]) -> None:
        self.calls.append((self.clock.unix_ns(), call))

    def append(self, record: Record, *, ends: int | None = None) -> None:
        super().append(record, ends=ends)
        self._told(lambda writer: writer.append(record))

    def so_far(self, span: TrainSpan) -> None:
        self._told(lambda writer: writer.so_far(span))

    def stands(self, train: Standing) -> None:
        self._told(lambda writer: writer.stands(train))

    def mark_alive(self, unix_ns: int) -> None:
        self._told(lambda writer: writer.mark_alive(unix_ns))


@dataclass(kw_only=True)
class Fickle:
    """A train that takes a while to be opened, goes for a while, and fails, as drawn.

    Its spans end with the minutes of the clock. What it has so far it tells in some seconds only.
    """

    chance: Random

    async def __call__(self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
        await asyncio.sleep(self.chance.choice((0.0, 0.3, 8.0)))
        failed = Failed(what="run train", why="does not answer", whose=Owner.ENDPOINT)
        if self.chance.random() < 0.4:
            return failed
        began_ns, ends_ns = clock.unix_ns(), clock.unix_ns() + round(self.chance.uniform(0, 200) * NS_PER_S)
        try:
            while clock.unix_ns() < ends_ns:
                await asyncio.sleep(1)
                began_ns = self._cut(plan, began_ns, clock, deliver)
                if clock.unix_ns() > began_ns and self.chance.random() < 0.3:
                    seconds = (clock.unix_ns() - began_ns) / NS_PER_S
                    deliver(SoFar(train_span(plan, began_ns, seconds)))
        finally:
            if clock.unix_ns() > began_ns:
                deliver(train_span(plan, began_ns, (clock.unix_ns() - began_ns) / NS_PER_S))
        return failed

    def _cut(self, plan: TrainPlan, began_ns: int, clock: Clock, deliver: Deliver) -> int:
        minute_ns = clock.unix_ns() // (60 * NS_PER_S) * 60 * NS_PER_S
        if began_ns >= minute_ns:
            return began_ns
        if self.chance.random() < 0.9:  # else no packet could leave in this minute
            deliver(train_span(plan, began_ns, (minute_ns - began_ns) / NS_PER_S))
        return minute_ns


def life(from_ns: int, *, chance: Random, last_alive_ns: int | None) -> Told:
    """What the store of a daemon was told until it was stopped."""
    refs = tuple(EndpointRef(name=name, where=Where.OUTSIDE, invitation=INVITATION) for name in ENDPOINTS)
    trains = tuple(train_plan(endpoint=name) for name in ENDPOINTS)
    asked = site(endpoints=refs, trains=trains)

    async def lives(clock: Clock) -> Told:
        store = Told(clock=clock, last_alive_unix_ns=last_alive_ns)
        methods = Methods(rate=FakeRate(), train=Fickle(chance=chance))
        running = daemon.run(
            asked, clock=clock, writer=store, methods=methods, random=Random(1), spent_bytes={}
        )
        with suppress(TimeoutError):
            async with asyncio.timeout(LIVED_S):
                await running
        return store

    return run_from(from_ns, lives)


def left_by(told: Told, path: Path, *, until_ns: int, to: Path) -> Path:
    """The database as a kill at this moment leaves it, with what was told up to then committed."""
    with closing(Writer.open(path, clock=Clock())) as writer:
        for at_ns, call in told.calls:
            if at_ns <= until_ns:
                call(writer)
        writer.flush_blocking()
        to.mkdir()
        for file in path.parent.glob("line.db*"):
            shutil.copy(file, to / file.name)
    return to / path.name


def holes(path: Path, endpoint: str, from_ns: int, to_ns: int) -> list[tuple[float, float]]:
    """Seconds from the start on, from and to, that no span and no gap of this train covers."""
    with closing(Reader.open(path)) as reader:
        covered = [
            (one.started_unix_ns, one.started_unix_ns + round(one.seconds * NS_PER_S))
            for one in reader.train_spans(endpoint=endpoint)
        ]
        gaps = [one for one in reader.troubles(endpoint=endpoint) if isinstance(one, Gap)]
        covered += [(one.started_unix_ns, one.ended_unix_ns) for one in gaps]
    found, reached_ns = [], from_ns
    for start_ns, end_ns in sorted([*covered, (to_ns, to_ns)]):
        if start_ns - reached_ns > SEAM_NS:
            found.append(((reached_ns - START_NS) / NS_PER_S, (start_ns - START_NS) / NS_PER_S))
        reached_ns = max(reached_ns, end_ns)
    return found


@pytest.mark.parametrize("seed", range(8))
def test_three_lives_leave_no_second_out(tmp_path: Path, seed: int) -> None:
    """Two killed at a moment drawn, one stopped: from the first start to the stop nothing is neither."""
    chance = Random(seed)
    path, now_ns, last_alive_ns = tmp_path / "line.db", START_NS, None
    for number in range(3):
        told = life(now_ns, chance=chance, last_alive_ns=last_alive_ns)
        killed_ns = now_ns + round(chance.uniform(0.1, LIVED_S + 5) * NS_PER_S)
        if number == 2:
            killed_ns = now_ns + LIVED_S * NS_PER_S + 5 * NS_PER_S
        path = left_by(told, path, until_ns=killed_ns, to=tmp_path / f"life {number}")
        with closing(Writer.open(path, clock=Clock())) as writer:
            last_alive_ns = writer.last_alive_unix_ns
        assert last_alive_ns is not None
        now_ns = killed_ns + round(chance.uniform(0, 40) * NS_PER_S)
    for endpoint in ENDPOINTS:
        assert [] == holes(path, endpoint, START_NS, last_alive_ns or 0)
    assert last_alive_ns - START_NS > LIVED_S * NS_PER_S
    assert [] == verify.database(path).findings


def test_an_endpoint_that_is_gone_when_the_probe_is_killed(tmp_path: Path) -> None:
    """The words: opened, no answer, and from the last sign of life on the probe was not running."""

    @dataclass(kw_only=True)
    class Gone(Fickle):
        async def __call__(self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
            await asyncio.sleep(0.25)
            if clock.unix_ns() < START_NS + 10 * NS_PER_S:
                began_ns = clock.unix_ns()
                await asyncio.sleep(20)
                deliver(train_span(plan, began_ns, 20))
            return Failed(what="run train", why="does not answer", whose=Owner.ENDPOINT)

    asked = site(trains=(train_plan(),))

    async def lives(clock: Clock) -> Told:
        store = Told(clock=clock)
        methods = Methods(rate=FakeRate(), train=Gone(chance=Random(0)))
        with suppress(TimeoutError):
            async with asyncio.timeout(120):
                await daemon.run(asked, clock=clock, writer=store, methods=methods, spent_bytes={})
        return store

    told = run_from(START_NS, lives)
    path = left_by(told, tmp_path / "line.db", until_ns=START_NS + 97 * NS_PER_S, to=tmp_path / "left")
    with closing(Writer.open(path, clock=Clock())) as writer:
        assert START_NS + 90 * NS_PER_S == writer.last_alive_unix_ns
        writer.flush_blocking()
        with closing(Reader.open(path)) as reader:
            gaps = [one for one in reader.troubles() if isinstance(one, Gap)]
    told_s = [
        ((one.started_unix_ns - START_NS) / NS_PER_S, (one.ended_unix_ns - START_NS) / NS_PER_S, one.why)
        for one in gaps
    ]
    assert [(0, 0.25, OPENING), (20.25, 90, "no train: does not answer")] == told_s
