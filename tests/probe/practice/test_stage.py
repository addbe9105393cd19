"""`linebook practice`: what it refuses, what it says when a part of it dies, and how it ends.

The parts are real processes throughout; where one must misbehave, a small program of that part's words
stands in for it. The last tests are of the whole: the real command, its records, and nothing left behind.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from probe.practice import stage
from store import site as sites
from store.clock import Clock, zone
from store.errors import UserMistake
from store.reader import Reader
from store.records import Direction, RateRun, Stall, Standing, TrainSpan

STAND_IN = """\
import sys, time
if sys.argv[1] == "endpoint":
    print("answers", flush=True)
    time.sleep(60)
print("the disk is full", flush=True)
sys.exit(7)
"""


def test_a_taken_port_is_a_sentence(tmp_path: Path) -> None:
    """Nothing is started, and the sentence names the option."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UserMistake, match=f"--port {port}: another program"):
            stage.run(command=["false"], keep=tmp_path / "new", port=port, out=io.StringIO())
    assert not (tmp_path / "new").exists()


def test_a_directory_in_use_is_a_sentence(tmp_path: Path) -> None:
    """What somebody keeps is never written over; an earlier practice gets its way to be looked at."""
    (tmp_path / "site.toml").write_text("kept")
    with pytest.raises(UserMistake, match=r"--keep .* not empty.*linebook dashboard"):
        stage.run(command=["false"], keep=tmp_path, port=None, out=io.StringIO())
    with pytest.raises(UserMistake, match=r"--keep .*: this is a file"):
        stage.run(command=["false"], keep=tmp_path / "site.toml", port=None, out=io.StringIO())
    assert (tmp_path / "site.toml").read_text() == "kept"


def test_a_part_that_dies_is_named_with_its_last_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 1, the part, how it ended and why; the others are ended and the directory is gone."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    program = tmp_path / "linebook_stand_in.py"
    program.write_text(STAND_IN)
    out = io.StringIO()
    code = stage.run(command=[sys.executable, str(program)], keep=None, port=None, out=out)
    assert code == 1
    assert "The probe ended unexpectedly (exit code 7). It last said:\nthe disk is full\n" in out.getvalue()
    assert not list(temporary.iterdir())
    assert not [pid for pid in os.listdir("/proc") if pid.isdigit() and str(program) in command_of(pid)]


def command_of(pid: str) -> str:
    """The command line of a process; empty when it has just gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except OSError:
        return ""


@pytest.mark.parametrize("setting", ["Europe/Lisbon", ":Europe/Lisbon", "CET-1", None])
def test_the_time_zone_is_this_machines(setting: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name where there is one, and always something that the site file accepts."""
    if setting is None:
        monkeypatch.delenv("TZ", raising=False)
    else:
        monkeypatch.setenv("TZ", setting)
    name = stage._timezone(Clock())
    zone(name)
    if setting and "Lisbon" in setting:
        assert name == "Europe/Lisbon"


# The whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """A practice under way in a session of its own, with its temporary files where `temporary` says."""

    process: subprocess.Popen[str]
    temporary: Path
    address: str

    def members(self) -> set[int]:
        """Every process of its session but itself: what it started, and what those started."""
        found = set()
        for pid in filter(str.isdigit, os.listdir("/proc")):
            with contextlib.suppress(OSError):
                after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                state, session = after_name[0], int(after_name[3])
                if session == self.process.pid and state != "Z":
                    found.add(int(pid))
        return found - {self.process.pid}


@contextlib.contextmanager
def practising(tmp_path: Path, *words: str) -> Iterator[Practice]:
    """`linebook practice`, from its dashboard's address on; killed at the end if it still runs."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    command = [sys.executable, str(Path(__file__).parents[3] / "linebook.py"), "practice", *words]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "TMPDIR": str(temporary)},
    )
    assert process.stdout is not None
    with process, process.stdout:
        try:
            said = ""
            for words_said in process.stdout:
                said += words_said
                if found := re.search(r"Dashboard: (http://127\.0\.0\.1:[0-9]+/)", words_said):
                    break
            else:
                pytest.fail(f"it ended before its dashboard answered: {said}")
            assert "invented" in said
            assert "60 times as often as in life" in said
            yield Practice(process=process, temporary=temporary, address=found[1])
        finally:
            if process.poll() is None:
                process.kill()


Minute = tuple[list[RateRun], list[TrainSpan], list[Stall]]


def records_until_whole(practice: Practice, *, limit_s: float) -> Minute:
    """The records once there are a run up, one down, a span and a stall."""
    (database,) = practice.temporary.glob("*/site/line.db")
    reader = Reader.open(database)
    ends = time.monotonic() + limit_s
    try:
        while time.monotonic() < ends:
            with contextlib.suppress(subprocess.TimeoutExpired):
                practice.process.wait(0.5)
                pytest.fail("the practice ended by itself")
            runs, spans, stalls = reader.rate_runs(), reader.train_spans(), reader.stalls()
            directions = [run.direction for run in runs]
            if {Direction.UP, Direction.DOWN} <= set(directions) and spans and stalls:
                return runs, spans, stalls
    finally:
        reader.close()
    raise AssertionError(f"within {limit_s} s only {directions}, {len(spans)} spans, {len(stalls)} stalls")


def test_a_minute_of_practice_and_its_end(tmp_path: Path) -> None:
    """Runs, spans and stalls as the old line has them; then SIGINT ends all within 2 s and leaves nothing.

    Runs start at random moments of their slots, so the first down may come a little after the minute; the
    limit allows for that.
    """
    with practising(tmp_path) as practice:
        runs, spans, stalls = records_until_whole(practice, limit_s=80)
        with urllib.request.urlopen(practice.address, timeout=10) as page:
            today = page.read().decode()
        assert len(practice.members()) >= 4
        asked = time.monotonic()
        practice.process.send_signal(signal.SIGINT)
        assert practice.process.wait(10) == 0
        assert time.monotonic() - asked < 2
        assert not practice.members()
        assert not list(practice.temporary.iterdir())
    assert "invented" in today
    assert "Evening class" in today
    # rates of the old line, sag and stalls included; RTT 21 ms when idle, 35 in the sag
    for run in runs:
        for direction, side in run.sides().items():
            low, high = (1e6, 18.2e6) if direction is Direction.UP else (150e6, 275e6)
            assert low < side.rates.goodput_bps < high
    assert Standing.VALID in {run.standing for run in runs}
    assert 20_000 <= min(span.rtt.min or 0 for span in spans) <= 22_500
    assert {stall.direction for stall in stalls} <= {Direction.UP, Direction.BOTH}


def test_keeping_and_an_end_by_sigterm(tmp_path: Path) -> None:
    """`--keep` leaves the database and a site file that can be read; everything else goes."""
    kept = tmp_path / "kept"
    with practising(tmp_path, "--keep", str(kept)) as practice:
        practice.process.terminate()
        assert practice.process.stdout is not None
        assert f"Practice ended; the database and the site file stay in {kept}.\n" in practice.process.stdout
        assert practice.process.wait(10) == 0
        assert not practice.members()
        assert not list(practice.temporary.iterdir())
    site = sites.load(kept / "site.toml")
    assert site.invented
    Reader.open(site.database).close()


def test_nobody_outlives_a_killed_practice(tmp_path: Path) -> None:
    """kill -9 gives no chance to tidy up; the processes end all the same, and cleanly."""
    with practising(tmp_path) as practice:
        members = practice.members()
        watches = [os.pidfd_open(pid) for pid in members]
        practice.process.kill()
        ends = time.monotonic() + 10
        for watch in watches:
            assert select.select([watch], [], [], max(0, ends - time.monotonic()))[0]
            os.close(watch)
    assert len(members) >= 4
    assert not practice.members()
