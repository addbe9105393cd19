"""A probe without file descriptors or memory: what it says meanwhile, and that it goes on after.

In a process of its own, which lowers its own limit (setrlimit(2)) and lifts it again. The kernel refuses by
that limit; the probe knows nothing of the test.
"""

from __future__ import annotations

import errno
import json
import logging
import subprocess
import sys
from datetime import UTC
from pathlib import Path
from typing import cast

import pytest

from probe.allowance import Purse
from probe.book import Book, Store
from store.clock import Clock
from store.records import Owner
from tests.probe.test_daemon import MemoryStore

HOUSE = Path(__file__).parents[2]
STARVED = """
import asyncio, json, os, resource, sys
from dataclasses import replace
from pathlib import Path
sys.path.insert(0, sys.argv[1])
folder = Path(sys.argv[2])
from probe import daemon
from probe.endpoint import keys
from probe.wire.invitation import write
from store.clock import Clock
from store.records import Failed, Gap, RateRun, TrainSpan
from store.site import EndpointRef, Where
from store.standby import stand_by
from store.writer import Writer
from probe.practice.relay import free_pair
from tests.probe.sites import run_plan, site, train_plan
from tests.probe.test_daemon_for_real import WatchedWriter, served

port = free_pair()
invited = keys.invite(folder / "endpoint", address=f"127.0.0.1:{port}")
asked = site(
    timezone="UTC",
    database=folder / "line.db",
    endpoints=(EndpointRef(name="north", where=Where.OUTSIDE, invitation=write(invited)),),
    trains=(replace(train_plan(), span_s=1),),
    runs=(run_plan(every_s=4, seconds=1),),
)

def starve():
    what, least = {
        "files": (resource.RLIMIT_NOFILE, len(os.listdir("/proc/self/fd")) - 1),
        "memory": (resource.RLIMIT_AS, 1 << 20),  # far below what it has, so that the kernel gives it no more
    }[sys.argv[3]]
    before = resource.getrlimit(what)
    resource.setrlimit(what, (least, before[1]))
    return lambda: resource.setrlimit(what, before)

async def life(writer):
    await stand_by()
    task = asyncio.create_task(daemon.run(asked, clock=Clock(), writer=writer))
    async with served(folder / "endpoint", port):
        await writer.until(lambda one: isinstance(one, RateRun))
        seen, feed = len(writer.seen), starve()
        await writer.until(lambda one: isinstance(one, Failed) and one.what == "run rate")
        feed()
        said = [(one.why, str(one.whose)) for one in writer.seen[seen:] if isinstance(one, Failed)]
        await writer.until(lambda one: isinstance(one, RateRun))
        await writer.until(lambda one: isinstance(one, TrainSpan) and one.received > 0)
        alive = not task.done()
        task.cancel()
        await asyncio.wait({task})
    spans = [one for one in writer.seen if isinstance(one, TrainSpan)]
    gaps = [one for one in writer.seen if isinstance(one, Gap)]
    covered = sum(one.seconds for one in spans)
    covered += sum(one.ended_unix_ns - one.started_unix_ns for one in gaps) / 1e9
    began = min(one.started_unix_ns for one in (*spans, *gaps))
    whole = (spans[-1].started_unix_ns - began) / 1e9 + spans[-1].seconds
    failed = [one.why for one in writer.seen if isinstance(one, Failed)]
    print(json.dumps({"said": said, "alive": alive, "covered": covered, "whole": whole, "failed": failed}))

writer = Writer.open(asked.database, clock=Clock())
asyncio.run(life(WatchedWriter(writer=writer)))
writer.close()
"""


@pytest.mark.long
def test_without_descriptors_it_says_so_and_goes_on_when_there_are_some(tmp_path: Path) -> None:
    command = [sys.executable, "-c", STARVED, str(HOUSE), str(tmp_path), "files"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["alive"]
    for said, whose in found["said"]:
        assert (said, whose) == (
            "this host lets the probe open no more files (its limit is reached)",
            "house",
        )
    assert found["covered"] == pytest.approx(found["whole"], abs=0.5)  # each second is measured, or a gap


@pytest.mark.long
def test_without_memory_it_says_so_and_goes_on_when_there_is_some(tmp_path: Path) -> None:
    command = [sys.executable, "-c", STARVED, str(HOUSE), str(tmp_path), "memory"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["alive"]
    said = {said.rpartition(": ")[2] for said, _ in found["said"]}
    # a child that the kernel lets begin has no memory for its libraries
    assert said <= {"this host has no memory left for it", "the probe's bulk worker died"}
    assert {whose for _, whose in found["said"]} == {"house"}
    assert found["covered"] == pytest.approx(found["whole"], abs=0.5)


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (MemoryError(), "this host has no memory left for it"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), "this host has no memory left for it"),
        (OSError(errno.EAGAIN, "Resource temporarily unavailable"), "this host lets the probe start no more"),
        (OSError(errno.ENFILE, "Too many open files in system"), "(all of the host's are in use)"),
    ],
)
def test_a_measurement_that_lacked_something_failed_by_the_house(error: Exception, why: str) -> None:
    """Numbers of errno(3), as fork(2), mmap(2) and open(2) give them."""
    purse = Purse(where=UTC, month_ns=0, spent={})
    book = Book(store=cast(Store, MemoryStore()), purse=purse, clock=Clock(), log=logging.getLogger("test"))
    found = book.unexpected(error, what="run rate")
    assert why in found.why
    assert (found.what, found.whose) == ("run rate", Owner.HOUSE)
