"""`linebook practice`: what it refuses, what it says when a part of it dies, and how it ends.

The parts are real processes throughout; where one must misbehave, a small program of that part's words
stands in for it. The last test is the whole: the real command, its records, and nothing left behind.
"""

from __future__ import annotations

import io
import os
import socket
import sys
from pathlib import Path

import pytest

from probe.practice import stage
from store.clock import Clock, zone
from store.errors import UserMistake

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
