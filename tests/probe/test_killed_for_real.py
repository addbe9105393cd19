"""A real probe, killed and out of memory in truth, begun again as a service manager does: nothing is lost.

`kill -9` at moments drawn from a seed, the start included, and the kernel's own killer in a control group
whose memory is used up; allocations that fail within stand in `test_starved.py`. Each time every second of
the train is measured or a gap, the chain verifies, and the record says why.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from probe.endpoint import keys
from probe.practice.relay import free_pair
from probe.wire.invitation import write
from store import verify
from store.clock import NS_PER_S
from store.reader import Reader
from store.records import Failed, Gap, TrainSpan
from store.unfinished import SEAM_NS
from tests.lacking import lacking

LINEBOOK = Path(__file__).parents[2] / "linebook.py"
MEMORY = Path("/sys/fs/cgroup/memory")  # version 1 of control groups; version 2 has one tree
UNIFIED = Path("/sys/fs/cgroup")
PATIENCE_S = 60
RESTART_S = 0.3  # RestartSec= of the unit is 5
SITE = """
name = "Loopback (invented)"
invented = true
timezone = "UTC"
database = "line.db"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "A"
[[endpoint]]
name = "north"
where = "outside"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 20
[[run]]
handoff = "A"
endpoint = "north"
direction = "both"
seconds = 3
every = "1 min"
"""


@dataclass(kw_only=True)
class Supervised:
    """A probe as a unit with Restart=on-failure has it; `ends` are the codes with which it ended."""

    folder: Path
    process: subprocess.Popen[bytes] | None = None
    ends: list[int] = field(default_factory=list)
    left: bytes = b""  # what the process before had not finished, when this one was begun

    @property
    def database(self) -> Path:
        return self.folder / "line.db"

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def begin(self) -> None:
        self.left = self._unfinished()
        words = [sys.executable, str(LINEBOOK), "probe", str(self.folder / "site.toml")]
        with (self.folder / "probe.log").open("ab") as log:
            self.process = subprocess.Popen(words, stdout=log, stderr=log)

    def poll(self) -> None:
        """Begin it again if it ended."""
        if self.process is not None and (code := self.process.poll()) is not None:
            self.ends.append(code)
            time.sleep(RESTART_S)
            self.begin()

    def supervise(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self.poll()
            time.sleep(0.02)

    def until(self, holds: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not holds():
            assert time.monotonic() < deadline, (self.folder / "probe.log").read_text()[-3000:]
            self.supervise(0.1)

    def measures(self) -> bool:
        """Whether the process that runs now has put something of its train's minute on the disk."""
        found = self._unfinished()
        return found != self.left and b'"sent"' in found

    def _unfinished(self) -> bytes:
        beside = self.folder / "line.db.unfinished"
        return beside.read_bytes() if beside.exists() else b""

    def stop(self) -> None:
        assert self.process is not None
        self.process.terminate()
        assert self.process.wait(timeout=PATIENCE_S) == 0


@pytest.fixture
def probe(tmp_path: Path) -> Iterator[Supervised]:
    """A probe that measures, and its endpoint."""
    port = free_pair()
    invited = keys.invite(tmp_path / "endpoint", address=f"127.0.0.1:{port}")
    site_file = tmp_path / "site.toml"
    site_file.touch(mode=0o600)
    site_file.write_text(SITE.format(invitation=write(invited)))
    words = [sys.executable, str(LINEBOOK), "endpoint", "serve", str(tmp_path / "endpoint")]
    with subprocess.Popen([*words, "--listen", f"127.0.0.1:{port}"], stderr=subprocess.PIPE) as far:
        made = Supervised(folder=tmp_path)
        try:
            assert far.stderr is not None
            assert b"answers on" in far.stderr.readline()
            made.begin()
            made.until(made.measures)
            yield made
        finally:
            far.kill()
            if made.process is not None and made.process.poll() is None:
                made.process.kill()
                made.process.wait()


def nothing_is_left_out(probe: Supervised) -> tuple[list[Gap], list[TrainSpan]]:
    """Each second from the first on is measured or a gap, and all of it fits its chain."""
    with closing(Reader.open(probe.database)) as reader:
        spans, troubles, alive_ns = reader.train_spans(), reader.troubles(), reader.last_alive_ns() or 0
    gaps = [one for one in troubles if isinstance(one, Gap)]
    covered = [
        (one.started_unix_ns, one.started_unix_ns + round(one.seconds * NS_PER_S), "span") for one in spans
    ]
    covered += [(one.started_unix_ns, one.ended_unix_ns, one.why) for one in gaps]
    holes, reached_ns = [], min(covered)[0]
    for start_ns, end_ns, _why in sorted([*covered, (alive_ns, alive_ns, "")]):
        if start_ns - reached_ns > SEAM_NS:
            holes.append((start_ns - reached_ns) / NS_PER_S)
        reached_ns = max(reached_ns, end_ns)
    assert [] == holes
    assert [] == verify.database(probe.database).findings
    assert [] == [one.why for one in troubles if isinstance(one, Failed) and "unexpected" in one.why]
    return gaps, spans


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2])
def test_killed_at_any_moment(probe: Supervised, seed: int) -> None:
    """Six times each, within the start and after it, in a run and between two."""
    chance = Random(seed)
    for number in range(6):
        probe.supervise(chance.uniform(0, 1.5) if number % 2 else chance.uniform(2, 8))
        os.kill(probe.pid, signal.SIGKILL)
        probe.until(lambda made=number + 1: len(probe.ends) == made)
    probe.until(probe.measures)
    probe.supervise(2)
    probe.stop()
    assert [-signal.SIGKILL] * 6 == probe.ends
    gaps, spans = nothing_is_left_out(probe)
    absences = [one for one in gaps if one.why == "the probe was not running"]
    assert 1 <= len(absences) <= 6  # one that was killed before it began to measure left no gap of its own
    assert spans


@contextlib.contextmanager
def control_group(name: str) -> Iterator[tuple[Path, str, str]]:
    """A group for memory of its own: its folder, and the files with what it uses and what it may."""
    old = (MEMORY / "memory.limit_in_bytes").exists()
    group = (MEMORY if old else UNIFIED) / name
    try:
        group.mkdir()
    except OSError as error:
        lacking(f"control groups for memory that this account may make ({error})")
    try:
        use, limit = (
            ("memory.usage_in_bytes", "memory.limit_in_bytes") if old else ("memory.current", "memory.max")
        )
        if not (group / limit).exists():
            lacking("the memory controller in the root control group")
        yield group, use, limit
    finally:
        for _ in range(100):
            with contextlib.suppress(OSError):
                group.rmdir()
                break
            time.sleep(0.1)


@pytest.mark.long
def test_the_kernels_killer(probe: Supervised) -> None:
    """No memory in the probe's group for what it needs next: the kernel kills, and it is begun again."""
    with control_group(f"linebook-test-{os.getpid()}") as (group, use, limit):
        for number in range(2):
            (group / "cgroup.procs").write_text(str(probe.pid))
            # what a process had before it came is charged elsewhere; only what it takes from now on counts
            allowed = int((group / use).read_text()) + (number + 1) * 200_000
            (group / limit).write_text(str(allowed))
            probe.until(lambda made=number + 1: len(probe.ends) == made)
            (group / limit).write_text(str(10**9))
            probe.until(probe.measures)
        probe.supervise(2)
        probe.stop()
    assert [-signal.SIGKILL] * 2 == probe.ends
    gaps, spans = nothing_is_left_out(probe)
    assert 2 == [one.why for one in gaps].count("the probe was not running")
    assert spans[-1].received > 0
