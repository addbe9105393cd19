"""The probe's local door, knocked at as other programs do: over its Unix socket, and by the command."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from probe.door import opened
from store import documents, door
from store.clock import Clock
from store.errors import NotRunning, StoreTrouble, UserMistake
from store.failovers import Failover
from store.records import Failed, OpenKind, WindowClosed, WindowOpened
from store.rehearsals import Rehearsal
from store.segments import Split
from tests.probe.living import Life, alive
from tests.probe.sites import handoff, run_plan, site, train_plan
from tests.store import samples

pytestmark = pytest.mark.asyncio

LINEBOOK = Path(__file__).parents[2] / "linebook.py"
BUSY = site(
    timezone="UTC",
    handoffs=(handoff("A"), handoff("B")),
    runs=(run_plan(every_s=1, seconds=30),),  # no room to draw from: a run is always under way
    trains=(train_plan(),),
)


@asynccontextmanager
async def at_home(folder: Path) -> AsyncIterator[Life]:
    """A daemon with fakes, in real time, with its door open beside ``line.db`` in the folder."""
    asked = replace(BUSY, database=folder / "line.db")
    async with alive(Clock(), asked) as one, opened(asked.database, one.daemon):
        yield one


async def run_begun(one: Life) -> None:
    """Wait until a run is under way."""
    board = one.daemon.book.board
    async with asyncio.timeout(10):
        await board.until(lambda: True if board.runs else None)


async def test_status_stop_and_resume(tmp_path: Path) -> None:
    """What is under way, the end of it, and how it goes on."""
    async with at_home(tmp_path) as one:
        await run_begun(one)
        found = await door.ask(tmp_path / "line.db", door.Act.STATUS)
        assert ("status", ["A"], ["A"], []) == (
            found["kind"],
            [run["handoff"] for run in found["running"]],
            [train["handoff"] for train in found["trains"]],
            found["windows"],
        )
        stopped = await door.ask(tmp_path / "line.db", door.Act.STOP, {"minutes": 5, "why": "a test"})
        assert (1, 1, []) == (len(stopped["runs"]), stopped["trains"], stopped["unanswered"])
        assert ["stop"] == [window["window"] for window in stopped["windows"]]
        assert door.said(stopped).startswith(
            "Ended: a run up on handoff A and 1 train. All tests are stopped until "
        )
        found = await door.ask(tmp_path / "line.db", door.Act.STATUS)
        assert ([], {"stopped"}) == (found["running"], {train["state"] for train in found["trains"]})
        resumed = await door.ask(tmp_path / "line.db", door.Act.RESUME, {})
        assert (True, []) == (resumed["was_stopped"], resumed["windows"])
        again = await door.ask(tmp_path / "line.db", door.Act.RESUME, {})
        assert "Nothing was stopped; tests go on." == door.said(again)
        (on_record,) = one.store.of(WindowOpened)
        assert (OpenKind.STOP, "a test") == (on_record.window, on_record.why)
        assert on_record.ends_unix_ns == on_record.started_unix_ns + 300 * 10**9
        assert 1 == len(one.store.of(WindowClosed))
        assert ["aborted: all tests are stopped: a test"] == [one.why for one in one.store.of(Failed)]


async def test_a_show_is_opened_and_closed(tmp_path: Path) -> None:
    """On one handoff for some minutes, or on all of them until it is closed."""
    async with at_home(tmp_path) as one:
        await run_begun(one)
        for asked in ({"open": True, "handoff": "B", "minutes": 30}, {"open": True}):
            answer = await door.ask(tmp_path / "line.db", door.Act.SHOW, asked)
        assert [("B", True), (None, False)] == [
            (window["handoff"], window["ends"] is not None) for window in answer["windows"]
        ]
        assert ["A"] == [run["handoff"] for run in answer["runs"]]
        assert "A show window is open: no run fills the line until" in door.said(answer)
        answer = await door.ask(tmp_path / "line.db", door.Act.SHOW, {"open": False})
        assert (2, []) == (answer["closed"], answer["windows"])
        assert "2 show windows closed; the hours of the site file hold as before." == door.said(answer)
        assert 2 == len(one.store.of(WindowClosed))


async def test_a_split_that_a_command_measured_is_put_on_record(tmp_path: Path) -> None:
    """Only one may write while a probe runs; what the split moved counts for the allowance."""
    split = replace(samples.split(10**18), handoff="A")
    asked = {
        "kind": "split",
        "handoff": "A",
        "started_unix_ns": 10**18,
        "text": documents.text_of(split),
    }
    async with at_home(tmp_path) as one:
        answer = await door.ask(tmp_path / "line.db", door.Act.KEEP, asked)
        assert answer["kind"] == "kept"
        assert one.store.of(Split) == [split]
        assert one.store.flushed, "told before it is on the disk"
        assert one.daemon.book.purse.spent["A"] >= split.spent_bytes


async def test_what_a_full_disk_does_not_take_yet_is_kept_all_the_same(tmp_path: Path) -> None:
    split = replace(samples.split(10**18), handoff="A")
    asked = {"kind": "split", "handoff": "A", "started_unix_ns": 10**18, "text": documents.text_of(split)}
    async with at_home(tmp_path) as one:
        one.store.trouble = StoreTrouble("the database cannot be written: the disk is full")
        answer = await door.ask(tmp_path / "line.db", door.Act.KEEP, asked)
        one.store.trouble = None
        assert (answer["kind"], one.store.of(Split)) == ("kept", [split])


async def test_a_failover_that_a_command_watched_is_put_on_record(tmp_path: Path) -> None:
    run = replace(samples.failover(10**18), handoff="A", backup="old")
    asked = {
        "kind": "failover",
        "handoff": "A",
        "endpoint": "north",
        "started_unix_ns": 10**18,
        "text": documents.text_of(run),
    }
    async with at_home(tmp_path) as one:
        answer = await door.ask(tmp_path / "line.db", door.Act.KEEP, asked)
        assert answer["kind"] == "kept"
        assert one.store.of(Failover) == [run]


async def test_a_rehearsal_that_a_command_did_is_put_on_record(tmp_path: Path) -> None:
    """With the endpoint that it went to; all of it went up."""
    run = replace(samples.rehearsal(10**18), handoff="A")
    asked = {
        "kind": "rehearsal",
        "handoff": "A",
        "endpoint": "north",
        "started_unix_ns": 10**18,
        "text": documents.text_of(run),
    }
    async with at_home(tmp_path) as one:
        answer = await door.ask(tmp_path / "line.db", door.Act.KEEP, asked)
        assert answer["kind"] == "kept"
        assert one.store.of(Rehearsal) == [run]
        assert one.daemon.book.purse.moved("A")[0] >= run.spent_bytes


@pytest.mark.parametrize(
    ("act", "asked", "says"),
    [
        (
            door.Act.KEEP,
            {"kind": "rehearsal", "text": "{}", "started_unix_ns": 1, "endpoint": "nowhere"},
            "endpoint: there is none called 'nowhere'",
        ),
        (
            door.Act.KEEP,
            {"kind": "stall"},
            "kind: expected acceptance note or check run or failover or forecast or paper or rehearsal or "
            "show report or split or ticket or upload "
            "receipt",
        ),
        (door.Act.KEEP, {"kind": "split", "text": "{}"}, "text and started_unix_ns: expected"),
        (
            door.Act.KEEP,
            {"kind": "split", "text": "{}", "started_unix_ns": 1},
            "text: is no record of this kind",
        ),
        (
            door.Act.KEEP,
            {"kind": "split", "text": "{", "started_unix_ns": 1, "handoff": "C"},
            "handoff: there is none called 'C'",
        ),
        (door.Act.STOP, {"minutes": 0}, "minutes: expected a number above 0, 10080 at most"),
        (door.Act.STOP, {"minutes": "5"}, "minutes: expected a number"),
        (door.Act.STOP, {"minutes": True}, "minutes: expected a number"),
        (door.Act.STOP, {"minutes": None}, "minutes: expected a number"),
        (door.Act.STOP, {"minutes": float("nan")}, "minutes: expected a number"),
        (door.Act.STOP, {"seconds": 5}, "'seconds' is not known here; expected minutes, why"),
        (door.Act.STOP, {"why": ""}, "why: expected a sentence"),
        (door.Act.SHOW, {}, "open: expected true to open a show window"),
        (door.Act.SHOW, {"open": 1}, "open: expected true"),
        (
            door.Act.SHOW,
            {"open": True, "handoff": "C"},
            "handoff: there is none called 'C'; this site has A, B",
        ),
        (door.Act.SHOW, {"open": False, "minutes": 5}, "minutes: a show window is closed at once"),
    ],
)
async def test_what_is_wrong_is_said_and_changes_nothing(
    tmp_path: Path, act: door.Act, asked: dict[str, Any], says: str
) -> None:
    """One sentence that names the field."""
    async with at_home(tmp_path) as one:
        with pytest.raises(UserMistake, match=f"^{says}"):
            await door.ask(tmp_path / "line.db", act, asked)
        assert ((), []) == (one.daemon.status().windows, one.store.of(WindowOpened))


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("GET", "/stop", b"", 405),
        ("POST", "/status", b"", 405),
        ("GET", "/nowhere", b"", 404),
        ("POST", "/stop", b"no json", 400),
        ("POST", "/stop", b"[]", 400),
        ("POST", "/stop", b"[" * 4000, 400),
        ("POST", "/stop", b"{" + b" " * 5000 + b"}", 413),
    ],
)
async def test_every_refusal_has_one_shape(
    tmp_path: Path, method: str, path: str, body: bytes, status: int
) -> None:
    """``{"kind": "error", "status", "why"}``; a GET never changes anything."""
    async with (
        at_home(tmp_path) as one,
        aiohttp.ClientSession(connector=aiohttp.UnixConnector(str(tmp_path / "line.db.door"))) as session,
        session.request(method, f"http://probe{path}", data=body) as answer,
    ):
        found = await answer.json()
        assert (status, "error", status) == (answer.status, found["kind"], found["status"])
        assert ({"kind", "status", "why"}, ()) == (found.keys(), one.daemon.status().windows)


# The socket


async def test_only_this_account_may_open_it(tmp_path: Path) -> None:
    """unix(7): on Linux connecting needs write permission on the socket's file."""
    async with at_home(tmp_path):
        mode = (await asyncio.to_thread((tmp_path / "line.db.door").stat)).st_mode
        assert stat.S_ISSOCK(mode)
        assert 0o600 == stat.S_IMODE(mode)
    assert not await asyncio.to_thread((tmp_path / "line.db.door").exists)


async def test_a_socket_left_behind_is_replaced(tmp_path: Path) -> None:
    """A probe that was killed leaves its file; nobody listens there."""
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(tmp_path / "line.db.door"))
    with pytest.raises(NotRunning, match="no probe is running on"):
        await door.ask(tmp_path / "line.db", door.Act.STATUS)
    async with at_home(tmp_path):
        assert "status" == (await door.ask(tmp_path / "line.db", door.Act.STATUS))["kind"]


async def test_one_that_answers_is_not_touched(tmp_path: Path) -> None:
    """The first keeps its door."""
    async with at_home(tmp_path) as one:
        with pytest.raises(UserMistake, match="another probe answers at"):
            async with opened(tmp_path / "line.db", one.daemon):
                pass
        assert "status" == (await door.ask(tmp_path / "line.db", door.Act.STATUS))["kind"]


async def test_another_kind_of_file_is_not_removed(tmp_path: Path) -> None:
    """It is somebody's, and named."""
    await asyncio.to_thread((tmp_path / "line.db.door").write_text, "mine")
    async with alive(Clock(), site()) as one:
        with pytest.raises(UserMistake, match="is in the way"):
            async with opened(tmp_path / "line.db", one.daemon):
                pass
    assert "mine" == await asyncio.to_thread((tmp_path / "line.db.door").read_text)


async def test_a_path_too_long_for_a_socket_is_reached_all_the_same(tmp_path: Path) -> None:
    """sockaddr_un holds 107 bytes and a null (unix(7)); this path has more than 200."""
    folder = tmp_path / ("a" * 120) / ("b" * 80)
    await asyncio.to_thread(folder.mkdir, parents=True)
    assert len(os.fsencode(folder)) > 200
    async with at_home(folder):
        assert "status" == (await door.ask(folder / "line.db", door.Act.STATUS))["kind"]


async def test_a_probe_that_does_not_answer_is_said(tmp_path: Path) -> None:
    """It listens, and says nothing."""
    with socket.socket(socket.AF_UNIX) as mute:
        mute.bind(str(tmp_path / "line.db.door"))
        mute.listen()
        with pytest.raises(NotRunning, match=r"does not answer$"):
            await door.ask(tmp_path / "line.db", door.Act.STATUS, within_s=0.2)


# The command


async def linebook(*words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(LINEBOOK), *words),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await process.communicate()
    return process.returncode or 0, out.decode(), err.decode()


async def test_the_command_stops_resumes_and_opens(tmp_path: Path) -> None:
    """One sentence each; a site file that is wrong elsewhere does not keep a stop away."""
    file = tmp_path / "site.toml"
    await asyncio.to_thread(file.write_text, 'database = "line.db"\ntimezone = "Nowhere"\n')
    async with at_home(tmp_path) as one:
        await run_begun(one)
        code, out, _ = await linebook("stop", str(file), "--minutes", "90")
        assert (0, True) == (code, out.startswith("Ended: a run up on handoff A and 1 train. All tests are"))
        (stop,) = one.store.of(WindowOpened)
        assert (90 * 60 * 10**9, "asked for by command") == (
            (stop.ends_unix_ns or 0) - stop.started_unix_ns,
            stop.why,
        )
        assert (0, "Tests go on.\n", "") == await linebook("stop", str(file), "--resume")
        code, out, _ = await linebook("window", "open", str(file), "--handoff", "A", "--json")
        assert (0, "show opened", "A") == (
            code,
            json.loads(out)["kind"],
            json.loads(out)["windows"][0]["handoff"],
        )
        code, out, _ = await linebook("window", "close", str(file))
        assert (0, "1 show window closed; the hours of the site file hold as before.\n") == (code, out)
        code, _, err = await linebook("window", "open", str(file), "--handoff", "C")
        assert (2, "linebook: handoff: there is none called 'C'; this site has A, B\n") == (code, err)


async def test_the_command_tells_the_status(tmp_path: Path) -> None:
    """In sentences and as the door's own JSON; a site file that is wrong elsewhere does not hide it."""
    file = tmp_path / "site.toml"
    await asyncio.to_thread(file.write_text, 'database = "line.db"\ntimezone = "Nowhere"\n')
    async with at_home(tmp_path) as one:
        await run_begun(one)
        one.daemon.refused = "line 2: no"
        code, out, err = await linebook("status", str(file))
        assert (0, "") == (code, err)
        assert "A rate run up on handoff A to north is under way since" in out
        assert "1 of 1 train is under way: A to north since" in out
        assert "A changed site file was refused, and the old one holds: line 2: no." in out
        code, out, _ = await linebook("status", str(file), "--json")
        found = json.loads(out)
        assert (0, "status", ["A"], "line 2: no") == (
            code,
            found["kind"],
            [run["handoff"] for run in found["running"]],
            found["refused"],
        )


async def test_no_status_is_a_failure_with_its_reason(tmp_path: Path) -> None:
    """Exit code 3; with --json the failed object."""
    file = tmp_path / "site.toml"
    await asyncio.to_thread(file.write_text, 'database = "line.db"\n')
    why = f"no probe is running on {tmp_path / 'line.db'}, so there is nothing to ask"
    code, out, err = await linebook("status", str(file))
    assert (3, "", f"status failed: {why} (owner: house)\n") == (code, out, err)
    code, out, _ = await linebook("status", str(file), "--json")
    found = json.loads(out)
    assert (3, "failed", "status", why, "house") == (
        code,
        *(found[key] for key in ("kind", "what", "why", "whose")),
    )


async def test_without_a_probe_the_command_says_so(tmp_path: Path) -> None:
    """One sentence, exit code 3."""
    file = tmp_path / "site.toml"
    await asyncio.to_thread(file.write_text, 'database = "line.db"\n')
    code, out, err = await linebook("stop", str(file))
    why = f"no probe is running on {tmp_path / 'line.db'}, so there is nothing to ask"
    assert (3, "", f"stop failed: {why} (owner: house)\n") == (code, out, err)
