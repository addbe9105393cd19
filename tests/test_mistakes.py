"""What a person sees after a mistake or with a far end gone: one clear sentence, the right exit code.

What goes on until it is stopped, and what fails halfway, runs in a process of its own, as a person would
start it; a mistake that ends a command at once is read from the command's own function.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from linebook import main
from probe.practice.relay import free_pair

GOING_ON = {"probe", "endpoint", "dashboard", "practice"}  # they change how their whole process logs and ends
HOUSE = Path(__file__).parent.parent
LINEBOOK = [sys.executable, str(HOUSE / "linebook.py")]

INVITATION = f"linebook://192.0.2.1:9/?v=1&key={'A' * 43}&pin={'A' * 43}"

SITE = f"""
name = "Mistakes"
invented = true
timezone = "UTC"
database = "line.db"

[[handoff]]
name = "old"
title = "Old line"
[handoff.card]
rate_up = "18 Mb/s"

[[endpoint]]
name = "north"
where = "outside"
invitation = "{INVITATION}"

[[plan]]
name = "P1"
title = "Evening class"
handoff = "old"
days = ["Mon"]
hours = "19:00-21:00"
[[plan.destination]]
name = "one"
video = "4.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
"""


def linebook(*words: str, timeout_s: float = 60) -> subprocess.CompletedProcess[str]:
    """One command, to its end."""
    return subprocess.run([*LINEBOOK, *words], capture_output=True, text=True, timeout=timeout_s, check=False)


def here(*words: str) -> subprocess.CompletedProcess[str]:
    """The same command in this process, which spares the start of a Python."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code: str | int | None = main(list(words))
        except SystemExit as end:
            code = end.code
    assert isinstance(code, int)
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())


def mistake(*words: str) -> str:
    """The one sentence of a command that must end with exit code 2 and print nothing else."""
    done = (linebook if words[0] in GOING_ON else here)(*words)
    assert (done.returncode, done.stdout) == (2, ""), done
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    return lines[0]


def failure(*words: str) -> dict[str, str]:
    """The failed object of a command that must end with exit code 3."""
    done = linebook(*words, "--json")
    assert done.returncode == 3, done
    assert "Traceback" not in done.stderr
    found: dict[str, str] = json.loads(done.stdout)
    assert found["kind"] == "failed"
    assert {"what", "why", "whose"} <= set(found)
    return found


class Endpoint:
    """An endpoint served on loopback in a process of its own."""

    def __init__(self, directory: Path) -> None:
        self.port = free_pair()
        self.directory = directory
        address = f"127.0.0.1:{self.port}"
        invited = linebook("endpoint", "invite", str(directory), "--address", address)
        self.invitation = invited.stdout.strip()
        self.process = subprocess.Popen(
            [*LINEBOOK, "endpoint", "serve", str(directory), "--listen", "127.0.0.1"],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stderr is not None
        assert self.process.stderr.readline()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        self.process.communicate(timeout=10)


@pytest.fixture
def endpoint(tmp_path: Path) -> Iterator[Endpoint]:
    """A served endpoint, ended afterwards."""
    made = Endpoint(tmp_path / "endpoint")
    yield made
    made.close()


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file without mistakes, readable by its owner alone."""
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    path.chmod(0o600)
    return path


class TestUsage:
    def test_unknown_option_gets_its_near_match(self) -> None:
        assert "--seconds" in mistake("run", "rate", "--endpoint", "x", "--secnds", "3")

    def test_unknown_command_gets_its_near_match(self) -> None:
        assert "practice" in mistake("practise")

    @pytest.mark.parametrize(
        ("option", "value"),
        [
            ("--flows", "17"),
            ("--flows", "x"),
            ("--seconds", "0"),
            ("--seconds", "-3"),
            ("--direction", "sideways"),
            ("--at-most", "150"),
            ("--at-most", "0 Mb/s"),
            ("--at-most", "150 MB"),
            ("--at-most", "150 kb/s"),  # too little for the usual four flows
        ],
    )
    def test_a_value_out_of_range_names_its_option(self, option: str, value: str) -> None:
        assert option in mistake("run", "rate", "--endpoint", "x", f"{option}={value}")

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("events", "S", "--from", "0001-01-01"), "--from: '0001-01-01' is not a date"),
            (("findings", "S", "--to", "9999-12-31"), "in a year from 1970 to 2199"),
            (("samples", "S", "--from", "9999-12-31T00:00"), "--from: "),
            (("compare", "S", "--to", "0001-01-02"), "--to: "),
            (("ticket", "S", "T-1", "--opened", "0001-01-01T00:00"), "--opened: "),
            (("ticket", "S", "T\n1", "--says", "x"), "REFERENCE: holds a line's end"),
            (("ticket", "S", "T-1", "--says", " "), "--says: is empty"),
            (("correct", "S", "1", "--what", "", "--why", "x"), "--what: is empty"),
            (("pack", "S", "--hide", ""), "--hide: is empty"),
            (("export", "S", "S", "--format", "csv"), "is a file; name a directory"),
            (("findings", "S", "--list", "/nowhere.csv"), "/nowhere.csv cannot be read: No such file"),
            (("receipt", "S", "--to", "x", "--size", "1 GB", "--seconds", "0"), "from 1 to 2678400"),
        ],
    )
    def test_a_value_that_cannot_be_names_its_option(
        self, site: Path, words: tuple[str, ...], says: str
    ) -> None:
        assert says in mistake(*(str(site) if word == "S" else word for word in words))

    def test_a_file_where_a_folder_belongs(self, site: Path) -> None:
        assert f"--keep: {site} cannot be a folder" in mistake("practice", "--history", "--keep", str(site))

    def test_a_line_of_another_handoff_names_the_option_that_was_given(self, site: Path) -> None:
        site.write_text(
            SITE.replace('title = "Old line"', 'interface = "eth0"').replace(
                "[[endpoint]]", '[[handoff]]\nname = "A"\ninterface = "eth1"\n[[endpoint]]'
            )
        )
        assert "--new: " in mistake("compare", str(site), "--old", "old", "--new", "B")

    def test_a_folder_that_is_no_endpoints_says_what_makes_one(self, tmp_path: Path) -> None:
        for words in (("callers", str(tmp_path)), ("revoke", str(tmp_path / "far"), "--name", "probe")):
            done = here("endpoint", *words)
            assert (done.returncode, done.stdout) == (2, "")
            assert f"`linebook endpoint invite {words[1]} --address HOST` makes it" in done.stderr

    def test_what_is_no_text_is_no_invitation(self, tmp_path: Path) -> None:
        (tmp_path / "line").write_bytes(b"\xff\xfe")
        assert "--endpoint: " in mistake("run", "train", "--endpoint", str(tmp_path / "line"))

    def test_what_is_no_invitation(self) -> None:
        assert "--endpoint" in mistake("run", "rate", "--endpoint", "nowhere")
        assert "linebook://" in mistake("run", "train", "--endpoint", "https://192.0.2.1/")

    def test_a_cut_invitation_does_not_show_its_key(self, endpoint: Endpoint) -> None:
        sentence = mistake("run", "train", "--endpoint", endpoint.invitation[:-20])
        key = endpoint.invitation.partition("key=")[2][:43]
        assert "invitation" in sentence
        assert key[:12] not in sentence


class TestSiteFile:
    @pytest.mark.parametrize(
        ("right", "wrong", "expected"),
        [
            ('rate_up = "18 Mb/s"', "rate_up = 18", ("rate_up", "Mb/s")),
            ('rate_up = "18 Mb/s"', 'rate_up = "18 MB"', ("rate_up", "Mb/s")),
            ('rate_up = "18 Mb/s"', 'rate_up = "-18 Mb/s"', ("rate_up",)),
            ('rate_up = "18 Mb/s"', 'rate_upp = "18 Mb/s"', ("rate_upp", "rate_up")),
            (
                'rate_up = "18 Mb/s"',
                "service_start = 2026-06-22\nterm_end = 2025-06-22",
                ("term_end", "service_start"),
            ),
            ('hours = "19:00-21:00"', 'hours = "19-21"', ("hours", "19:00-21:00")),
            ('handoff = "old"\ndays', 'handoff = "odl"\ndays', ("handoff", "old")),
            ('timezone = "UTC"', 'timezone = "Mars/Olympus"', ("timezone",)),
            ('name = "Mistakes"', 'name = "Mistakes', ("line 2",)),
        ],
    )
    def test_names_key_line_and_what_would_be_right(
        self, site: Path, right: str, wrong: str, expected: tuple[str, ...]
    ) -> None:
        text = SITE.replace(right, wrong)
        assert text != SITE
        site.write_text(text)
        *_, changed = (row for row in wrong.splitlines() if row not in right.splitlines())
        line = text.splitlines().index(changed) + 1
        sentence = mistake("site", "check", str(site))
        assert f"line {line}" in sentence
        assert all(word in sentence for word in expected), sentence

    def test_missing_file(self, tmp_path: Path) -> None:
        assert "nothing.toml" in mistake("site", "check", str(tmp_path / "nothing.toml"))

    def test_unknown_plan_is_told_which_there_are(self, site: Path) -> None:
        assert "P1" in mistake("check", str(site), "--plan", "P2")

    def test_a_rehearsal_names_what_it_does_not_find(self, site: Path) -> None:
        rehearsal = ("run", "rehearsal", str(site), "--plan")
        assert "it has P1" in mistake(*rehearsal, "P2")
        assert "north" in mistake(*rehearsal, "P1", "--endpoint", "nroth")
        assert "--seconds" in mistake(*rehearsal, "P1", "--seconds", "3601")

    def test_no_rehearsal_before_somebody_answered_for_the_line(self, site: Path) -> None:
        """The file says nothing of [safety]: it names the key, and nothing is sent."""
        found = failure("run", "rehearsal", str(site), "--plan", "P1")
        assert found["what"] == "run rehearsal"
        assert "[safety]" in found["why"]
        assert found["whose"] == "house"

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("--handoff", "odl"), "--handoff: "),
            (("--handoff", "odl"), "did you mean 'old'?"),
            (("--seconds", "3600"), "--seconds: '3600' is not a number from 5 to 1800"),
        ],
    )
    def test_a_split_of_what_is_not_there(self, site: Path, words: tuple[str, ...], says: str) -> None:
        assert says in mistake("split", str(site), *words)

    def test_a_split_needs_a_handoff_named_where_there_are_several(self, site: Path) -> None:
        site.write_text(
            SITE.replace('title = "Old line"', 'interface = "eth0"').replace(
                "[[endpoint]]", '[[handoff]]\nname = "A"\ninterface = "eth1"\n[[endpoint]]'
            )
        )
        assert "--handoff: " in (found := mistake("split", str(site)))
        assert "name one of old, A" in found

    def test_a_split_needs_an_endpoint_outside(self, site: Path) -> None:
        trains = '[[train]]\nhandoff = "old"\nendpoint = "north"\nper_second = 1\n'
        trains += (
            '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "up"\nseconds = 5\nevery = "1 h"\n'
        )
        site.write_text(SITE.replace('where = "outside"', 'where = "house"') + trains)
        assert "endpoint: none stands outside" in mistake("split", str(site))

    def test_a_failover_needs_two_uplinks_that_can_be_told_apart(self, site: Path) -> None:
        assert "a failover needs two" in mistake("failover", str(site))
        second = '[[handoff]]\nname = "A"\ninterface = "eth1"\n[[endpoint]]'
        site.write_text(
            SITE.replace('title = "Old line"', 'interface = "eth0"').replace("[[endpoint]]", second)
        )
        assert "did you mean 'old'?" in mistake("failover", str(site), "--main", "odl")
        assert "--backup: 'A' is the main uplink" in mistake(
            "failover", str(site), "--main", "A", "--backup", "A"
        )
        assert "north" in mistake("failover", str(site), "--endpoint", "nroth")
        assert "5 to 3600" in mistake("failover", str(site), "--seconds", "4")

    def test_a_right_one_says_what_it_costs_and_what_is_open(self, site: Path) -> None:
        done = here("site", "check", str(site))
        assert done.returncode == 0, done.stderr
        assert "no mistakes found" in done.stdout
        assert "open question" in done.stdout

    def test_light_runs_alone_are_told_what_they_cannot_show(self, site: Path) -> None:
        site.write_text(
            SITE
            + '[[run]]\nhandoff = "old"\nendpoint = "north"\ndirection = "up"\nseconds = 5\nevery = "1 h"\n'
            'share = "10 %"\n'
        )
        done = here("site", "check", str(site))
        assert done.returncode == 0, done.stderr
        assert "light run at 10 % to north, up, 5 s every hour" in done.stdout
        assert "no full run is planned, so nothing will be said of it" in done.stdout


class TestTerminal:
    def test_one_without_every_character(self, site: Path) -> None:
        """Groups of thousands are parted by U+202F, which ISO 8859-1 does not have: no traceback."""
        site.write_text(SITE.replace("Old line", "Old\u202fline"))
        latin = os.environ | {"PYTHONIOENCODING": "latin-1"}
        done = subprocess.run([*LINEBOOK, "site", "check", site], capture_output=True, env=latin, check=False)
        assert done.returncode == 0, done.stderr
        assert b"(Old?line)" in done.stdout

    def test_output_for_which_there_is_no_space(self) -> None:
        """full(4): every write to this device fails as on a full disk."""
        with open("/dev/full", "w") as full:
            done = subprocess.run(
                [*LINEBOOK, "--version"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
            )
        assert (done.returncode, done.stderr) == (
            3,
            "linebook: what it has to say cannot be written (No space left on device)\n",
        )


class TestNoProbe:
    @pytest.mark.parametrize("words", [("status",), ("stop",), ("window", "open")])
    def test_nobody_to_ask(self, site: Path, words: tuple[str, ...]) -> None:
        """Whoever reads the JSON hears it too."""
        done = here(*words, str(site), "--json")
        assert done.returncode == 3
        assert json.loads(done.stdout)["what"] == words[0]


class TestDatabase:
    def test_one_that_is_not_there(self, site: Path) -> None:
        assert "line.db" in mistake("check", str(site), "--plan", "P1")

    def test_one_that_is_none(self, site: Path) -> None:
        database = site.with_name("line.db")
        database.write_bytes(b"a text, not a database" * 400)
        for command in (["check", str(site), "--plan", "P1"], ["probe", str(site)], ["dashboard", str(site)]):
            assert "line.db" in mistake(*command)
        assert database.read_bytes() == b"a text, not a database" * 400

    def test_a_newer_one_is_refused_and_left_alone(self, site: Path) -> None:
        database = site.with_name("line.db")
        with sqlite3.connect(database) as made:
            made.execute("create table kept (n integer)")
            made.execute(f"pragma application_id = {_application_id()}")
            made.execute("pragma user_version = 9999")
        made.close()
        before = database.read_bytes()
        assert "newer" in mistake("probe", str(site))
        assert "newer" in mistake("check", str(site), "--plan", "P1")
        assert database.read_bytes() == before

    def test_a_folder_in_its_place(self, site: Path) -> None:
        site.with_name("line.db").mkdir()
        assert "line.db" in mistake("probe", str(site))


class TestDisk:
    @pytest.mark.namespace
    def test_a_full_one(self, tmp_path: Path) -> None:
        """A tmpfs without a free block: the probe says so, and the endpoint's keys are not half made."""
        full = tmp_path / "full"
        full.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "linebook-test", str(full)], check=True)
        try:
            (full / "site.toml").write_text(SITE)
            (full / "site.toml").chmod(0o600)
            with contextlib.suppress(OSError), (full / "rest").open("wb", buffering=0) as rest:
                while True:
                    rest.write(bytes(4096))
            assert "full" in mistake("probe", str(full / "site.toml"))
            assert "No space left" in mistake("endpoint", "invite", str(full / "e"), "--address", "192.0.2.1")
        finally:
            subprocess.run(["umount", str(full)], check=True)

    def test_a_place_that_cannot_be_written(self) -> None:
        assert "--keep" in mistake("practice", "--keep", "/proc/nothing")
        assert "--samples" in mistake(
            "run", "train", "--endpoint", INVITATION, "--samples", "/proc/nothing/x"
        )


def until(there: Callable[[], bool]) -> None:
    """Look twenty times a second until it is so; AssertionError after half a minute."""
    ends = time.monotonic() + 30
    while not there():
        assert time.monotonic() < ends
        time.sleep(0.05)


def has_udp(pid: int) -> bool:
    """Whether the process has a UDP socket, as one that sends a train does: proc(5), fd and net/udp."""
    sockets = set()
    for descriptor in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed since it was listed
            sockets.add(os.readlink(descriptor))
    rows = Path(f"/proc/{pid}/net/udp").read_text().splitlines()[1:]
    return bool(sockets & {f"socket:[{row.split()[9]}]" for row in rows})


class TestFarEnd:
    def test_nothing_listens(self, tmp_path: Path) -> None:
        port = free_pair()
        invited = linebook("endpoint", "invite", str(tmp_path / "e"), "--address", f"127.0.0.1:{port}")
        found = failure("run", "train", "--endpoint", invited.stdout.strip(), "--seconds", "1")
        assert str(port) in found["why"]

    def test_a_name_that_does_not_resolve(self, endpoint: Endpoint) -> None:
        # RFC 6761 section 6.4: names under .invalid never resolve
        line = endpoint.invitation.replace("127.0.0.1", "nowhere.invalid")
        assert "nowhere.invalid" in failure("run", "train", "--endpoint", line, "--seconds", "1")["why"]

    def test_a_soak_that_never_went(self, tmp_path: Path) -> None:
        """It leaves no file behind, and what is somebody's is no soak's."""
        line, kept = INVITATION.replace("192.0.2.1", "nowhere.invalid"), tmp_path / "kept"
        assert "nowhere.invalid" in failure("run", "soak", "--endpoint", line, "--kept", str(kept))["why"]
        assert not kept.exists()
        kept.write_text("tiles to glaze\n")
        assert "something else" in mistake("run", "soak", "--endpoint", line, "--kept", str(kept))
        assert kept.read_text() == "tiles to glaze\n"
        assert "--kept" in mistake("run", "soak", "--endpoint", line)

    def test_wrong_key(self, endpoint: Endpoint) -> None:
        head, _, tail = endpoint.invitation.partition("key=")
        wrong = f"{head}key={'A' * 43}{tail[43:]}"
        assert "key" in failure("run", "rate", "--endpoint", wrong, "--seconds", "1")["why"]

    def test_wrong_fingerprint(self, endpoint: Endpoint) -> None:
        head, _, tail = endpoint.invitation.partition("pin=")
        wrong = f"{head}pin={'A' * 43}{tail[43:]}"
        assert "certificate" in failure("run", "rate", "--endpoint", wrong, "--seconds", "1")["why"]

    @pytest.mark.parametrize("method", ["rate", "train"])
    def test_it_dies_in_the_middle(self, endpoint: Endpoint, tmp_path: Path, method: str) -> None:
        """What had arrived is kept: an aborted record, or a failure that says whose it is."""
        seconds = "8" if method == "rate" else "4"
        asked = [*LINEBOOK, "run", method, "--endpoint", endpoint.invitation, "--seconds", seconds, "--json"]
        said = tmp_path / "said"
        with said.open("w") as saying:
            run = subprocess.Popen(asked, stdout=subprocess.PIPE, stderr=saying, text=True)
        with run:
            if method == "rate":
                until(lambda: "payload" in said.read_text())
            else:
                until(lambda: has_udp(run.pid))
                time.sleep(1)  # twenty packets
            assert run.poll() is None
            endpoint.process.kill()
            printed, _ = run.communicate(timeout=40)
        assert "Traceback" not in said.read_text()
        found = json.loads(printed)
        if method == "rate":
            assert run.returncode == 0, said.read_text()
            assert (found["standing"], "aborted" in found["reasons"]) == ("void", True)
            assert found["bins"]
        else:
            assert run.returncode == 0, said.read_text()
            assert 0 < found["lost_unattributed"] < found["sent"]

    def test_port_taken(self, endpoint: Endpoint) -> None:
        sentence = mistake("endpoint", "serve", str(endpoint.directory), "--listen", "127.0.0.1")
        assert str(endpoint.port) in sentence

    def test_dashboard_port_taken(self, site: Path) -> None:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            assert str(port) in mistake("dashboard", str(site), "--port", str(port))
            assert str(port) in mistake("practice", "--port", str(port))

    def test_dashboard_beyond_this_machine(self, site: Path) -> None:
        assert "--host" in mistake("dashboard", str(site), "--host", "0.0.0.0")


def _application_id() -> int:
    from store import schema

    return schema.APPLICATION_ID
