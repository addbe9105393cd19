"""The probe as a service: words to its manager through real sockets, and another site file while it goes.

Sources: the manual pages sd_notify(3) and sd_watchdog_enabled(3).
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from probe import daemon, letting_go, running
from probe.daemon import Daemon, Methods
from probe.endpoint import keys
from probe.endpoint.reflector import Reflector
from probe.methods import train
from probe.practice.relay import free_pair
from probe.reach import Reach, reaches_of
from probe.status import as_json, one_line
from probe.trains import OPENING
from probe.wire.control import TrainCounts
from probe.wire.invitation import write
from store import door
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.errors import UserMistake
from store.notify import Manager
from store.records import Gap, TrainSpan
from store.site import EndpointRef, Safety, Site, Where, WindowKind
from store.writer import Writer
from tests.probe.endpoint.far import far_end
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, FakeRate, MemoryStore, alive
from tests.probe.sites import handoff, run_plan, site, train_plan, window

LINEBOOK = Path(__file__).parents[2] / "linebook.py"
PATIENCE_S = 30.0
HOUR_S = 3600.0


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's end of the conversation."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.setblocking(False)
        yield listening


def manager_of(ear: socket.socket, **more: str) -> Manager:
    return Manager.of({"NOTIFY_SOCKET": str(ear.getsockname()), **more}, pid=77)


# Words


def test_what_is_said_and_how(ear: socket.socket) -> None:
    """One datagram of newline-separated KEY=value each; STATUS is one line whatever it says."""
    manager = manager_of(ear)
    manager.ready("two trains\ngoing")
    manager.alive()
    manager.reloading(monotonic_us=123)
    manager.stopping()
    said = [ear.recv(4096) for _ in range(4)]
    assert [
        b"READY=1\nSTATUS=two trains going",
        b"WATCHDOG=1",
        b"RELOADING=1\nMONOTONIC_USEC=123",
        b"STOPPING=1",
    ] == said


def test_a_start_that_takes_long_is_waited_for(ear: socket.socket) -> None:
    """Sums of years made anew take longer than TimeoutStartSec. EXTEND_TIMEOUT_USEC: sd_notify(3), by which
    the next such message must come within the time that this one names."""
    ear.settimeout(10)
    told: list[str] = []
    with manager_of(ear).starting("the sums are made anew", tell=told.append, every_s=0.01):
        said = [ear.recv(4096) for _ in range(3)]
    assert said == [b"EXTEND_TIMEOUT_USEC=30000\nSTATUS=the sums are made anew"] * 3
    assert told == ["the sums are made anew"]


def test_an_abstract_socket_begins_with_an_at_sign() -> None:
    """sd_notify(3): a first character @ stands for the null byte of the abstract namespace (unix(7))."""
    name = f"linebook-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name}")
        listening.setblocking(False)
        Manager.of({"NOTIFY_SOCKET": f"@{name}"}, pid=1).alive()
        assert b"WATCHDOG=1" == listening.recv(100)


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "20000000"}, 10.0),  # the manual page's rule: half of it
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "77"}, 10.0),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "78"}, None),  # for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_when_a_keep_alive_is_due(
    ear: socket.socket, environment: dict[str, str], every_s: float | None
) -> None:
    """sd_watchdog_enabled(3)."""
    assert every_s == manager_of(ear, **environment).alive_every_s


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1234"}])
def test_without_a_manager_nothing_is_said(environment: dict[str, str]) -> None:
    """Nor is anything when it went away."""
    manager = Manager.of({**environment, "WATCHDOG_USEC": "1000"}, pid=1)
    assert Manager() == manager
    manager.ready("nobody hears it")
    Manager(address="/nowhere/notify").ready("nobody hears it")


# The status


def test_the_status_says_what_is_under_way() -> None:
    """As JSON for programs and in a line for the manager."""

    async def life(clock: Clock) -> None:
        evening = window(WindowKind.SHOW, minutes=(0, 300))
        asked = site(runs=(run_plan(every_s=3600, seconds=3500),), trains=(train_plan(),), windows=(evening,))
        async with alive(clock, replace(asked, windows=())) as one:
            await asyncio.sleep(20 * 60)
            await one.daemon.open_show("A", minutes=30, why="on air")
            found = as_json(one.daemon.status())
            assert "2026-06-03T00:20:00.000Z" == found["now"]
            assert [("A", "north", "going")] == [
                (train["handoff"], train["endpoint"], train["state"]) for train in found["trains"]
            ]
            assert [("show", "person", "A", "on air", "2026-06-03T00:50:00.000Z")] == [
                (shown["window"], shown["opener"], shown["handoff"], shown["why"], shown["ends"])
                for shown in found["windows"]
            ]
            assert "show window show open until 01:50; 1 train going; next rate run up on A at" in one_line(
                one.daemon.status()
            )
            one.store.waiting, one.daemon.refused = 3, "line 2: no"
            assert (3, "line 2: no") == (as_json(one.daemon.status())["waiting"], one.daemon.refused)
            assert one_line(one.daemon.status()).startswith("site file refused: line 2: no; ")

    run_from(START_NS, life)


def test_the_status_says_what_will_be_skipped_and_what_is_spent() -> None:
    """Each by the rule that will forbid it; without an allowance nothing is said of one."""

    async def life(clock: Clock) -> None:
        limited = replace(handoff("A"), allowance_bytes=100_000_000)  # a run up takes 25 MB at 20 Mb/s
        asked = site(
            timezone="UTC",
            handoffs=(limited, handoff("B"), replace(handoff("C"), safety=Safety())),
            runs=tuple(run_plan(every_s=3600, handoff=name) for name in "ABC"),
        )
        async with alive(clock, asked) as one:

            def held() -> dict[str, str | None]:
                return {each["handoff"]: each["held"] for each in as_json(one.daemon.status())["next"]}

            before = held()
            assert (None, None) == (before["A"], before["B"])
            assert (before["C"] or "").startswith("nobody has answered whether emergency calls")
            one.daemon.book.charge("A", 80_000_000)
            assert "20 MB of this month's test allowance of 100 MB are left" in (held()["A"] or "")
            assert [
                {"handoff": "A", "limit_bytes": 100_000_000, "spent_bytes": 80_000_000},
                {"handoff": "B", "limit_bytes": None, "spent_bytes": None},
                {"handoff": "C", "limit_bytes": None, "spent_bytes": None},
            ] == [
                {key: each[key] for key in ("handoff", "limit_bytes", "spent_bytes")}
                for each in as_json(one.daemon.status())["allowances"]
            ]
            await one.daemon.open_show("B", minutes=None, why="on air")
            assert "a show window is open: on air" == held()["B"]
            one.daemon.close_show("B", why="over")
            await one.daemon.open_show("B", minutes=0.001, why="on air")  # over before the run is due
            assert held()["B"] is None
            await one.daemon.stop(minutes=600, why="a storm")
            assert {"all tests are stopped: a storm"} == set(held().values())

    run_from(START_NS, life)


# Another site file


def test_a_reload_leaves_what_is_the_same_and_swaps_the_rest() -> None:
    """Of four trains one is the same, one changed its rate, one is gone and one is new."""
    a, b, c, d = (handoff(name) for name in "ABCD")

    async def life(clock: Clock) -> None:
        before = site(
            handoffs=(a, b, c, d),
            trains=(train_plan(handoff="A"), train_plan(handoff="B"), train_plan(handoff="C")),
        )
        after = replace(
            before,
            name="another name",
            trains=(
                train_plan(handoff="D"),
                train_plan(handoff="A"),
                train_plan(handoff="B", per_second=5),
            ),
        )
        async with alive(clock, before) as one:
            await asyncio.sleep(90)
            await one.daemon.reload(after)
            await asyncio.sleep(270)
            began = [one.seconds(at_ns) for at_ns in one.train.opened_ns]
            assert [0, 0, 0, 90, 90] == began
            spans = one.store.of(TrainSpan)
            of = {name: [span for span in spans if span.handoff == name] for name in "ABCD"}
            assert [60.0] * 5 == [span.seconds for span in of["A"]][:5]
            assert [(20, 60.0), (20, 30.0), (5, 60.0)] == [
                (span.per_second, span.seconds) for span in of["B"]
            ][:3]
            assert [60.0, 30.0] == [span.seconds for span in of["C"]]
            assert 4 == len(of["D"])
            assert [] == one.store.of(Gap)
            assert {("A", "north"), ("B", "north"), ("D", "north")} == set(one.daemon.status().trains)

    run_from(START_NS, life)


def test_a_reload_gives_no_slot_a_second_run() -> None:
    """Twelve reloads in an hour: a plan that is the same keeps its draw, one that changed is drawn anew."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        asked = site(runs=(run_plan(every_s=3600), run_plan(every_s=1800, seconds=20)))
        async with alive(clock, asked, rate=rate) as one:
            for _ in range(6 * 12):
                await asyncio.sleep(300)
                await one.daemon.reload(replace(asked, name="the same but for its name"))
            counts = [sum(plan.every_s == every_s for plan, _, _ in rate.runs) for every_s in (3600, 1800)]
            assert [6, 12] == counts
            await one.daemon.reload(replace(asked, runs=(run_plan(every_s=600),)))
            del rate.runs[:]
            await asyncio.sleep(HOUR_S)
            assert {600} == {plan.every_s for plan, _, _ in rate.runs}
            await one.daemon.reload(replace(asked, runs=()))
            del rate.runs[:]
            await asyncio.sleep(HOUR_S)
            assert [] == rate.runs == list(one.daemon.status().due)

    run_from(START_NS, life)


def test_a_run_under_way_is_finished_by_the_old_file() -> None:
    """A reload ends nothing that it does not have to."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        asked = site(runs=(run_plan(every_s=3600, seconds=3500),))
        async with alive(clock, asked, rate=rate) as one:
            await asyncio.sleep(1800)
            await one.daemon.reload(replace(asked, runs=(run_plan(every_s=600),)))
            await asyncio.sleep(2 * HOUR_S)
            assert 3500 * NS_PER_S == rate.runs[0][2] - rate.runs[0][1]
            assert {600} == {plan.every_s for plan, _, _ in rate.runs[1:]}

    run_from(START_NS, life)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"database": Path("other.db")}, "database: it may not change while the probe runs"),
        (
            {"endpoints": (EndpointRef(name="north", where=Where.OUTSIDE, invitation="linebook://no"),)},
            "endpoint 'north': invitation: ",
        ),
    ],
    ids=["database", "invitation"],
)
def test_what_cannot_be_taken_over_changes_nothing(change: dict[str, object], says: str) -> None:
    """The old site goes on, trains and all."""

    async def life(clock: Clock) -> None:
        asked = site(trains=(train_plan(),))
        async with alive(clock, asked) as one:
            with pytest.raises(UserMistake, match=says):
                await one.daemon.reload(replace(asked, trains=(), **change))  # type: ignore[arg-type]
            await asyncio.sleep(120)
            assert (1, asked) == (len(one.train.opened_ns), one.daemon.site)

    run_from(START_NS, life)


@pytest.mark.asyncio
async def test_no_packet_of_an_unchanged_train_is_lost_by_a_reload(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real train to a real endpoint, which counts for itself: one session, every number from 0 on, once."""
    closed: list[TrainCounts] = []
    close = Reflector.close

    def noting(self: Reflector, ssid: int) -> TrainCounts:
        closed.append(close(self, ssid))
        return closed[-1]

    monkeypatch.setattr(Reflector, "close", noting)

    class Listening(MemoryStore):
        def so_far(self, span: TrainSpan) -> None:
            """What a train has of its minute is not asked here."""

    store, clock = Listening(), Clock()
    async with far_end(tmp_path / "endpoint") as far:
        invited = far.reaches["a"].invitation
        ref = EndpointRef(name="north", where=Where.OUTSIDE, invitation=write(invited))
        dense = replace(train_plan(per_second=100), span_s=1)
        database = tmp_path / "line.db"
        await asyncio.to_thread(lambda: Writer.open(database, clock=clock).close())
        asked = site(timezone="UTC", endpoints=(ref,), trains=(dense,), database=database)
        task, made = await _begun(asked, store, clock)
        for number in range(8):
            await asyncio.sleep(0.3)
            other = replace(asked, name=f"name {number}", handoffs=(handoff(), handoff("B")))
            await made.reload(replace(other, runs=(run_plan(every_s=86_400, handoff="B"),) * (number % 2)))
        task.cancel()
        await asyncio.wait({task})
    spans = sorted(store.of(TrainSpan), key=lambda span: span.started_unix_ns)
    (counts,) = closed
    assert counts.highest + 1 == counts.distinct == counts.received
    assert abs(sum(span.sent for span in spans) - counts.received) <= 1  # the last reply may be under way
    assert sum(span.lost for span in spans) == 0
    assert {gap.why for gap in store.of(Gap)} <= {OPENING, "the probe was being stopped"}
    ends_ns = [span.started_unix_ns + round(span.seconds * NS_PER_S) for span in spans]
    begins_ns = [span.started_unix_ns for span in spans]
    off_ns = [begin - end for end, begin in zip(ends_ns, begins_ns[1:], strict=False)]
    assert max(map(abs, off_ns)) < NS_PER_MS, off_ns
    assert len(spans) >= 2


def test_a_site_file_that_is_read_again_every_half_hour_puts_no_thinning_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As a program that keeps hosts in order does; what the rules let go goes an hour after the start."""
    went: list[tuple[str, float]] = []

    async def thin(site: Site, *, clock: Clock, **_: object) -> None:
        went.append((site.name, (clock.unix_ns() - START_NS) / NS_PER_S))

    monkeypatch.setattr(letting_go, "thin", thin)

    async def life(clock: Clock) -> None:
        async with alive(clock, site()) as one:
            for number in range(5):
                await asyncio.sleep(1700)
                await one.daemon.reload(site(name=f"number {number}"))

    run_from(START_NS, life)
    assert went == [("number 1", 3600)]


def test_a_train_that_was_taken_out_and_put_back_has_no_gap_between() -> None:
    """The site file did not ask for it then; it was not being opened for an hour."""

    async def life(clock: Clock) -> None:
        async with alive(clock, site(trains=(train_plan(),))) as one:
            for trains, seconds in (((), 3600), ((train_plan(),), 300)):
                await asyncio.sleep(300)
                await one.daemon.reload(site(trains=trains))
                await asyncio.sleep(seconds)
            assert [] == [
                gap for gap in one.store.of(Gap) if gap.ended_unix_ns - gap.started_unix_ns > NS_PER_S
            ]
            spans = one.store.of(TrainSpan)
            assert one.seconds(spans[-1].started_unix_ns) > 4000

    run_from(START_NS, life)


def test_a_train_of_the_site_file_takes_the_place_of_one_that_was_asked_for() -> None:
    """Read again while it goes: no second is measured twice, and none is left out."""

    async def life(clock: Clock) -> None:
        async with alive(clock, site()) as one:
            one.daemon.ask([train_plan()], seconds=3600, why="a test")
            await asyncio.sleep(600.5)
            await one.daemon.reload(site(trains=(train_plan(),)))
            await asyncio.sleep(1200.5)
            spans = sorted((span.started_unix_ns, span.seconds) for span in one.store.of(TrainSpan))
            ends = [start_ns + round(seconds * NS_PER_S) for start_ns, seconds in spans]
            assert all(end == start for end, (start, _) in zip(ends, spans[1:], strict=False))
            assert 1740 <= sum(seconds for _, seconds in spans) <= 1801

    run_from(START_NS, life)


async def _begun(asked: Site, store: MemoryStore, clock: Clock) -> tuple[asyncio.Task[None], Daemon]:
    """A daemon with real trains, under way."""
    made = await daemon.prepared(
        asked,
        clock=clock,
        writer=store,
        methods=Methods(rate=FakeRate(), train=train.keep),
        random=Random(1),
        spent_bytes={},
    )
    task = asyncio.create_task(made.run(), name="daemon")
    await made.began.wait()
    return task, made


# A process


SITE = """
name = "Loopback (invented)"
invented = true
timezone = "{timezone}"
database = "line.db"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
[[endpoint]]
name = "north"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 20
"""


class Heard:
    """What a service manager hears, line by line."""

    def __init__(self, ear: socket.socket) -> None:
        self._ear = ear
        self.lines: list[str] = []

    async def until(self, wanted: str) -> None:
        """Wait for a line that begins like this and comes from now on."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                said = (await asyncio.get_running_loop().sock_recv(self._ear, 4096)).decode().split("\n")
                self.lines += said
                if any(line.startswith(wanted) for line in said):
                    return


@pytest.mark.parametrize(("stored_at_once", "heard"), [(10, True), (0, False)])
@pytest.mark.asyncio
async def test_a_writer_that_has_much_to_store_is_alive_as_long_as_it_stores(
    ear: socket.socket, stored_at_once: int, heard: bool
) -> None:
    """After a day of a full disk that takes longer than a watchdog waits, which would lose it all."""

    class Busy(MemoryStore):
        async def flush(self) -> None:
            self.waiting -= stored_at_once
            await asyncio.Event().wait()

    store, clock = Busy(waiting=1000), Clock()
    task, made = await _begun(site(timezone="UTC"), store, clock)
    service = running._Service(daemon=made, manager=manager_of(ear), clock=clock)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(0.1):
            await service._stay_alive(0.02)
    task.cancel()
    await asyncio.wait({task})
    said = []
    with contextlib.suppress(BlockingIOError):
        while True:
            said.append(ear.recv(100))
    assert (b"WATCHDOG=1" in said) is heard


def test_a_start_whose_database_is_in_use_is_one_that_is_tried_again(tmp_path: Path) -> None:
    """By a command, for a second; a full disk is alike. The unit does not try again after exit code 2, a
    person's mistake: a probe that ended so would not measure until somebody looked."""
    unit = (LINEBOOK.parent / "deploy" / "linebook-probe.service").read_text()
    assert {"Restart=on-failure", "RestartPreventExitStatus=2"} <= set(unit.splitlines())
    invited = keys.invite(tmp_path / "endpoint", address=f"127.0.0.1:{free_pair()}")
    site_file = tmp_path / "site.toml"
    site_file.touch(mode=0o600)
    site_file.write_text(SITE.format(timezone="UTC", invitation=write(invited)))
    with closing(Writer.open(tmp_path / "line.db", clock=Clock())):
        command = [sys.executable, str(LINEBOOK), "probe", str(site_file)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 3, done.stderr
    assert "is being written by another process" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.asyncio
async def test_a_probe_tells_its_manager_from_start_to_end(tmp_path: Path, ear: socket.socket) -> None:
    """Ready, alive, a reload, a wrong site file that is refused while the old one stays, stopping."""
    site_file = tmp_path / "site.toml"
    invited = await asyncio.to_thread(keys.invite, tmp_path / "endpoint", address=f"127.0.0.1:{free_pair()}")
    text = SITE.format(timezone="UTC", invitation=write(invited))
    site_file.touch(mode=0o600)
    await asyncio.to_thread(site_file.write_text, text)
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(LINEBOOK), "probe", str(site_file)),
        env={**os.environ, "NOTIFY_SOCKET": str(ear.getsockname()), "WATCHDOG_USEC": "400000"},
        stderr=asyncio.subprocess.PIPE,
    )
    heard = Heard(ear)
    try:
        await heard.until("READY=1")
        assert any("; next rate run " in line for line in heard.lines)
        await heard.until("WATCHDOG=1")
        for timezone, refused in (("UTC+01:00", None), ("Nowhere", "line 4: timezone: "), ("UTC", None)):
            await asyncio.to_thread(site_file.write_text, text.replace('"UTC"', f'"{timezone}"'))
            process.send_signal(signal.SIGHUP)
            await heard.until("RELOADING=1")
            await heard.until("READY=1")
            found = await door.ask(tmp_path / "line.db", door.Act.STATUS)
            assert (refused is None) == (found["refused"] is None)
            assert refused is None or refused in found["refused"]
            assert ("UTC" if timezone == "UTC" else "UTC+01:00") == found["timezone"]
            assert refused is None or any("site file refused" in line for line in heard.lines)
        await heard.until("WATCHDOG=1")
        process.send_signal(signal.SIGTERM)
        await heard.until("STOPPING=1")
        assert process.stderr is not None
        log = (await process.stderr.read()).decode()
        assert 0 == await process.wait()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    assert "ERROR site file refused why=" in log
    assert not await asyncio.to_thread((tmp_path / "line.db.door").exists)


def test_a_reach_is_told_apart_by_everything_in_it() -> None:
    """A new key for the same endpoint is another train; an equal one is the same."""
    (one,) = site().endpoints
    first, second = (reaches_of(site(endpoints=(replace(one),)))["A"]["north"] for _ in range(2))
    assert first == second
    assert isinstance(first, Reach)
    assert first != replace(first, invitation=replace(first.invitation, key=bytes(31) + b"\1"))
