"""The daemon with its own methods and database against a real endpoint, which dies and comes back."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from probe import daemon
from probe.daemon import Methods
from probe.endpoint import keys
from probe.methods import rate, train
from probe.practice.relay import free_pair
from probe.reach import Reach
from probe.wire.invitation import write
from store.clock import NS_PER_S, Clock
from store.errors import StoreTrouble
from store.pace import Pace
from store.reader import Reader
from store.records import Failed, Gap, RateRun, Record, Skipped, TrainSpan
from store.site import EndpointRef, RunPlan, Site, Where
from store.unfinished import Standing
from store.writer import Writer
from tests.probe.sites import handoff, rate_run, run_plan, site, train_plan

LINEBOOK = Path(__file__).parents[2] / "linebook.py"
PATIENCE_S = 30.0  # far more than any step takes; a step that never comes fails the test

SITE = """
name = "Loopback (invented)"
invented = true
timezone = "UTC"
database = "line.db"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "A"
title = "Loopback"
[[endpoint]]
name = "north"
where = "outside"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 20
"""


@dataclass(kw_only=True)
class WatchedWriter:
    """The real writer, and a way to wait for what is handed to it."""

    writer: Writer
    seen: list[Record] = field(default_factory=list)
    more: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def last_alive_unix_ns(self) -> int | None:
        return self.writer.last_alive_unix_ns

    @property
    def trouble(self) -> StoreTrouble | None:
        return self.writer.trouble

    def append(self, record: Record, *, ends: int | None = None) -> None:
        self.writer.append(record, ends=ends)
        self.seen.append(record)
        self.more.set()

    def begin(self, what: str, *, handoff: str, endpoint: str, started_unix_ns: int) -> int:
        return self.writer.begin(what, handoff=handoff, endpoint=endpoint, started_unix_ns=started_unix_ns)

    def so_far(self, span: TrainSpan) -> None:
        self.writer.so_far(span)

    def stands(self, train: Standing) -> None:
        self.writer.stands(train)

    def stamp(self, head: int, token: bytes) -> None:
        self.writer.stamp(head, token)

    def mark_alive(self, unix_ns: int) -> None:
        self.writer.mark_alive(unix_ns)

    async def flush(self) -> None:
        await self.writer.flush()

    async def until(self, wanted: Callable[[Record], bool]) -> None:
        """Wait for a record that comes from now on."""
        looked_at = len(self.seen)
        async with asyncio.timeout(PATIENCE_S):
            while not any(wanted(record) for record in self.seen[looked_at:]):
                self.more.clear()
                await self.more.wait()


@contextlib.asynccontextmanager
async def served(directory: Path, port: int) -> AsyncIterator[None]:
    """An endpoint as a process of its own; killed at the end, without a goodbye."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(LINEBOOK), "endpoint", "serve", str(directory)),
        *("--listen", f"127.0.0.1:{port}"),
        stderr=asyncio.subprocess.PIPE,
    )
    assert process.stderr is not None
    try:
        async with asyncio.timeout(PATIENCE_S):
            assert b"answers on 127.0.0.1" in await process.stderr.readline()
        yield
    finally:
        process.kill()
        await process.wait()


def test_an_endpoint_that_dies_and_comes_back(tmp_path: Path) -> None:
    """Absent at the start, killed, and there again: every stage is on record, and measuring goes on."""
    port = free_pair()
    invited = keys.invite(tmp_path / "endpoint", address=f"127.0.0.1:{port}")
    asked = site(
        timezone="UTC",
        database=tmp_path / "line.db",
        endpoints=(EndpointRef(name="north", where=Where.OUTSIDE, invitation=write(invited)),),
        trains=(replace(train_plan(), span_s=1),),
        runs=(run_plan(every_s=6, seconds=1),),
    )
    writer = Writer.open(asked.database, clock=Clock())
    stop_took_s = asyncio.run(_life(asked, WatchedWriter(writer=writer), tmp_path / "endpoint", port))
    writer.close()
    assert stop_took_s < 2
    reader = Reader.open(asked.database)
    troubles = reader.troubles()
    reader.close()
    trains_failed = [one for one in troubles if isinstance(one, Failed) and one.what == "run train"]
    assert [f"nothing listens at 127.0.0.1:{port}; does the endpoint run?"] == [
        one.why for one in trains_failed
    ]
    gaps = [one.why for one in troubles if isinstance(one, Gap)]
    assert [
        f"no train: nothing listens at 127.0.0.1:{port}; does the endpoint run?",
        "the endpoint restarted, so what the line did meanwhile is not known",
    ] == gaps


async def _life(asked: Site, writer: WatchedWriter, directory: Path, port: int) -> float:
    """Seconds that the stop took."""
    task = asyncio.create_task(daemon.run(asked, clock=Clock(), writer=writer))
    await writer.until(lambda one: isinstance(one, Failed) and one.what == "run train")
    async with served(directory, port):
        await writer.until(lambda one: isinstance(one, Gap))
        await writer.until(lambda one: isinstance(one, RateRun) and one.up is not None)
    await writer.until(lambda one: isinstance(one, Failed) and one.what == "run rate")
    async with served(directory, port):
        await writer.until(lambda one: isinstance(one, Gap))
        await writer.until(lambda one: isinstance(one, TrainSpan) and one.received > 0 and not one.reasons)
        await writer.until(lambda one: isinstance(one, RateRun) and one.up is not None)
        asked_at = time.monotonic()
        task.cancel()
        await asyncio.wait({task})
        took_s = time.monotonic() - asked_at
    assert task.cancelled()
    return took_s


def test_a_stop_in_the_middle_of_a_run(tmp_path: Path) -> None:
    """The run ends at both ends within 2 s and is on record; so is the train's part of a minute."""
    port = free_pair()
    invited = keys.invite(tmp_path / "endpoint", address=f"127.0.0.1:{port}")
    asked = site(
        timezone="UTC",
        database=tmp_path / "line.db",
        endpoints=(EndpointRef(name="north", where=Where.OUTSIDE, invitation=write(invited)),),
        trains=(train_plan(),),
        runs=(run_plan(every_s=2, seconds=30),),  # no room to draw from: it starts as its slot begins
    )
    writer = Writer.open(tmp_path / "line.db", clock=Clock())
    watched = WatchedWriter(writer=writer)
    stop_took_s = asyncio.run(_stop_in_a_run(asked, watched, tmp_path / "endpoint", port))
    writer.close()
    assert stop_took_s < 2
    failed = [record for record in watched.seen if isinstance(record, Failed)]
    assert ["the probe was stopped during the run"] == [one.why for one in failed]
    sent = [(span.sent, span.received) for span in watched.seen if isinstance(span, TrainSpan)]
    gaps = [
        gap for gap in watched.seen if isinstance(gap, Gap)
    ]  # none where all ended within a packet's time
    assert len(watched.seen) == 1 + len(sent) + len(gaps)
    assert {gap.why for gap in gaps} <= {"the probe was being stopped"}
    assert sum(count for count, _ in sent) == sum(count for _, count in sent) > 0


async def _stop_in_a_run(asked: Site, writer: WatchedWriter, directory: Path, port: int) -> float:
    """Seconds that the stop took."""
    flowing = asyncio.Event()

    async def run_rate(plan: RunPlan, where: Reach, clock: Clock, /, *, pace: Pace) -> RateRun | Failed:
        request = rate.RatePlan(direction=plan.direction, flows=plan.flows, seconds=plan.seconds, pace=pace)
        return await rate.run(
            request, where, clock, on_progress=lambda said: flowing.set() if "payload" in said else None
        )

    async with served(directory, port):
        methods = Methods(rate=run_rate, train=train.keep)
        task = asyncio.create_task(daemon.run(asked, clock=Clock(), writer=writer, methods=methods))
        async with asyncio.timeout(PATIENCE_S):
            await flowing.wait()
        asked_at = time.monotonic()
        task.cancel()
        await asyncio.wait({task})
        return time.monotonic() - asked_at


def test_what_was_spent_before_a_restart_counts(tmp_path: Path) -> None:
    """The month's purse is read from the database, so starting again does not fill it."""
    limited = replace(handoff(), allowance_bytes=10**9)
    asked = site(
        timezone="UTC",
        database=tmp_path / "line.db",
        handoffs=(limited,),
        runs=(run_plan(every_s=6, seconds=1),),  # room for a host that wakes up late
    )
    writer = Writer.open(asked.database, clock=Clock())
    writer.append(replace(rate_run(spent_bytes=10**9), started_unix_ns=Clock().unix_ns()))
    writer.flush_blocking()
    watched = WatchedWriter(writer=writer)

    def about_money(one: Record) -> bool:  # not about a slot that was missed
        return isinstance(one, Skipped) and "late" not in one.why

    async def life() -> None:
        task = asyncio.create_task(daemon.run(asked, clock=Clock(), writer=watched))
        await watched.until(about_money)
        task.cancel()
        await asyncio.wait({task})

    asyncio.run(life())
    writer.close()
    assert "0 bytes of this month's test allowance of 1 GB are left and the run needs about 2.5 MB" == (
        next(one.why for one in watched.seen if about_money(one))
    )
    assert not any(isinstance(one, RateRun | Failed) for one in watched.seen)


async def _stopped_by(number: signal.Signals, site_file: Path) -> tuple[int, float]:
    """Exit code of a probe that got the signal once it measured, and seconds until it was gone."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, str(LINEBOOK), "probe", str(site_file), stderr=asyncio.subprocess.PIPE
    )
    assert process.stderr is not None
    try:
        async with asyncio.timeout(PATIENCE_S):
            assert b"probe started" in await process.stderr.readline()
            while b"train failed" not in (said := await process.stderr.readline()):
                assert said, "it ended by itself"
        asked_at = time.monotonic()
        process.send_signal(number)
        async with asyncio.timeout(PATIENCE_S):
            await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    return process.returncode or 0, time.monotonic() - asked_at


def test_signals_end_the_probe_and_the_next_start_knows(tmp_path: Path) -> None:
    """SIGTERM and SIGINT: exit code 0 within 2 s, and the time in between is a gap."""
    invited = keys.invite(tmp_path / "endpoint", address=f"127.0.0.1:{free_pair()}")
    site_file = tmp_path / "site.toml"
    site_file.touch(mode=0o600)
    site_file.write_text(SITE.format(invitation=write(invited)))
    for number in (signal.SIGTERM, signal.SIGINT):
        code, took_s = asyncio.run(_stopped_by(number, site_file))
        assert (0, True) == (code, took_s < 2), took_s
    reader = Reader.open(tmp_path / "line.db")
    gaps = [one for one in reader.troubles() if isinstance(one, Gap) and not one.handoff]
    alive_ns = reader.last_alive_ns() or 0
    reader.close()
    assert ["the probe was not running"] == [gap.why for gap in gaps]
    assert alive_ns > gaps[0].ended_unix_ns > gaps[0].started_unix_ns > alive_ns - 60 * NS_PER_S
