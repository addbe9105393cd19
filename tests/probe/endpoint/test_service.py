"""The endpoint as a whole, over real HTTPS, UDP and flows on 127.0.0.1."""

from __future__ import annotations

import asyncio
import hmac
import json
import os
import resource
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, TypeVar

import pytest

from probe.bulk.client import ClientReport, FlowClient
from probe.control import Control
from probe.endpoint import keys, service
from probe.linux import clock_state
from probe.linux.clock_state import ClockState
from probe.reach import Binding
from probe.wire.control import (
    CeilingReport,
    CeilingRequest,
    RunGrant,
    RunReport,
    RunRequest,
    Stopped,
    TrainGrant,
    TrainRequest,
)
from probe.wire.rehearsal_control import RehearsalRequest, StreamRequest
from store.clock import Clock
from store.errors import UserMistake
from store.records import Failed
from tests.probe.children import children
from tests.probe.endpoint.far import Far, far_end, free_ports, reach, within

LINEBOOK = Path(__file__).parents[3] / "linebook.py"
PATIENCE_S = 30  # for what comes by itself, on a machine that is busy
TRAIN = TrainRequest(per_second=20, packet_bytes=112)
T = TypeVar("T")


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    return tmp_path / "endpoint"


def is_(kind: type[T], found: Any) -> T:
    assert isinstance(found, kind), found
    return found


async def answered(far: Far, grant: TrainGrant, sequence: int = 0) -> bool:
    """Send one packet of a train (RFC 8762 figure 3); whether a reply came."""
    covered = struct.pack(">I12xQHH68x", sequence, 1 << 62, 0x8F84, grant.ssid)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.connect(("127.0.0.1", grant.port))
        sock.send(covered + hmac.new(grant.key, covered, "sha256").digest()[:16])
        try:
            async with asyncio.timeout(0.3):
                return len(await asyncio.get_running_loop().sock_recv(sock, 2048)) == 112
        except TimeoutError:
            return False


async def flow(
    grant: RunGrant, *, seconds: float, address: str = "127.0.0.1", flowing: asyncio.Event | None = None
) -> None:
    """Run the caller's side of a run to its end; `flowing` is set once the far end has told of progress."""

    def note(_: ClientReport) -> None:
        if flowing is not None:
            flowing.set()

    async with FlowClient(on_progress=note) as client:
        why = await client.connect(
            grant, addresses=[address], binding=Binding(), seconds=seconds, congestion=None
        )
        assert why is None
        await client.run()


@pytest.mark.asyncio
async def test_hello(directory: Path) -> None:
    limits = "[caller]\nflows = 3\nper_second = 50\nseconds_per_run = 60\nbytes_per_month = 1000\n"
    async with far_end(directory, limits=limits) as far, far.control() as control:
        hello = await control.hello()
    assert not isinstance(hello, Failed)
    assert (hello.protocol, hello.your_address) == (1, "127.0.0.1")
    assert (hello.flows_max, hello.per_second_max, hello.seconds_max, hello.bytes_left) == (3, 50, 60, 1000)


@pytest.mark.asyncio
async def test_a_train(directory: Path) -> None:
    """Opened, answered, counted, closed, silent."""
    async with far_end(directory) as far, far.control() as control:
        grant = is_(TrainGrant, await control.open_train(TRAIN))
        assert await answered(far, grant)
        assert await answered(far, grant, 5)
        counts = await control.train_counts(grant.ssid)
        assert not isinstance(counts, Failed)
        assert (counts.received, counts.distinct, counts.reflected, counts.highest) == (2, 2, 2, 5)
        assert await control.close_train(grant.ssid) == counts
        assert not await answered(far, grant, 6)
        assert isinstance(await control.train_counts(grant.ssid), Failed)


@pytest.mark.asyncio
async def test_grants_name_the_invited_ports(directory: Path) -> None:
    """Behind a port forwarding, callers go on to the ports that their invitation implies."""
    invitation = await asyncio.to_thread(keys.invite, directory, address="127.0.0.1:4000")
    port = free_ports()[0]
    async with (
        service.opened(directory, listen=f"127.0.0.1:{port}", clock=Clock()) as endpoint,
        Control(reach(invitation, port=port), clock=Clock()) as control,
    ):
        train = is_(TrainGrant, await control.open_train(TRAIN))
        run = is_(RunGrant, await control.open_run(RunRequest(direction="up", flows=1, seconds=1)))
        assert (endpoint.doors.train_port, endpoint.doors.flow_port) == (port, port + 1)
    assert (train.port, run.port) == (4000, 4001)


@pytest.mark.asyncio
async def test_over_ipv6(directory: Path) -> None:
    """Control and flows work the same to an IPv6 address, brackets and all."""
    invitation = await asyncio.to_thread(keys.invite, directory, address="[::1]:4000")
    async with (
        service.opened(directory, listen="[::1]:0", clock=Clock()) as endpoint,
        Control(reach(invitation, port=endpoint.doors.port), clock=Clock()) as control,
    ):
        hello = await control.hello()
        assert not isinstance(hello, Failed)
        assert hello.your_address == "::1"
        grant = is_(RunGrant, await control.open_run(RunRequest(direction="up", flows=1, seconds=0.3)))
        await flow(grant, seconds=0.3, address="::1")
        report = is_(RunReport, await control.run_report(grant.run))
    assert report.up is not None
    assert report.up.received_bytes > 0


@pytest.mark.asyncio
async def test_a_clock_that_comes_into_step(directory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replies carry S and the error of the clock as it is now (RFC 4656 section 4.1.2: 1 ms is 8f84)."""
    state = ClockState(synchronised=False, error_us=None)
    monkeypatch.setattr(clock_state, "read", lambda: state)
    async with far_end(directory) as far:
        assert far.endpoint._reflector.error_estimate == 0x12A4  # S 0, 10 ms
        state = ClockState(synchronised=True, error_us=1000)
        await far.endpoint.look_after()
        assert far.endpoint._reflector.error_estimate == 0x8F84


@pytest.mark.asyncio
async def test_each_life_has_its_name(directory: Path) -> None:
    """Two trains of one life say the same, and one after a restart says another."""
    names = []
    for _ in range(2):
        async with far_end(directory) as far, far.control() as control:
            for _ in range(2):
                names.append(is_(TrainGrant, await control.open_train(TRAIN)).instance)
    assert names[0] == names[1] != names[2] == names[3]
    assert None not in names


@pytest.mark.asyncio
async def test_a_run_is_booked(directory: Path) -> None:
    """What flowed is reported to the caller, booked in the ledger's file, and the place is free again."""
    async with far_end(directory) as far, far.control() as control:
        request = RunRequest(direction="both", flows=2, seconds=0.5)
        grant = is_(RunGrant, await control.open_run(request))
        assert isinstance(await control.open_run(request), Failed)
        await flow(grant, seconds=0.5)
        report = is_(RunReport, await control.run_report(grant.run))
        assert report.up is not None
        assert report.down is not None
        assert (report.finished, report.why) == (True, None)
        again = is_(RunGrant, await control.open_run(request))
        await control.end_run(again.run)
        hello = await control.hello()
        assert not isinstance(hello, Failed)
        assert hello.bytes_left is not None
        booked = 2_000_000_000_000 - hello.bytes_left
        assert booked >= report.up.received_bytes > 0
    ledger = json.loads(await asyncio.to_thread((directory / "ledger.json").read_text))
    (month,) = ledger["months"].values()
    assert month == {"a": booked}


@pytest.mark.asyncio
async def test_bytes_of_a_run_are_capped(directory: Path) -> None:
    """The run ends at its cap, far short of its time."""
    async with (
        far_end(directory, limits="[caller]\nbytes_per_run = 1_000_000\n") as far,
        far.control() as control,
    ):
        grant = is_(RunGrant, await control.open_run(RunRequest(direction="up", flows=1, seconds=60)))
        with within(10):
            await flow(grant, seconds=60)
        report = is_(RunReport, await control.run_report(grant.run))
    assert report.why == "the run reached its byte cap"


@pytest.mark.asyncio
async def test_callers_do_not_see_each_other(directory: Path) -> None:
    """Another caller's train and run are as if they were not there: not counted, not ended, not stopped."""
    async with far_end(directory) as far, far.control("a") as mine, far.control("b") as theirs:
        train = is_(TrainGrant, await mine.open_train(TRAIN))
        run = is_(RunGrant, await mine.open_run(RunRequest(direction="up", flows=1, seconds=5)))
        for asked in (
            theirs.train_counts(train.ssid),
            theirs.close_train(train.ssid),
            theirs.run_report(run.run),
            theirs.end_run(run.run),
        ):
            found = is_(Failed, await asked)
            assert "no such" in found.why
            assert theirs.refusal is not None
            assert theirs.refusal.code == "unknown"
        assert await theirs.stop() == Stopped(runs=0, trains=0)
        assert await answered(far, train)
        assert await mine.stop() == Stopped(runs=1, trains=1)


@pytest.mark.asyncio
async def test_stop_ends_everything_within_2_s(directory: Path) -> None:
    """Flows under way included, and the report says why."""
    async with far_end(directory) as far, far.control() as control:
        train = is_(TrainGrant, await control.open_train(TRAIN))
        run = is_(RunGrant, await control.open_run(RunRequest(direction="down", flows=2, seconds=60)))
        flowing = asyncio.Event()
        caller = asyncio.create_task(flow(run, seconds=60, flowing=flowing))
        await flowing.wait()
        with within(2):
            assert await control.stop() == Stopped(runs=1, trains=1)
            await caller
        assert is_(RunReport, await control.run_report(run.run)).why == "the caller stopped everything"
        assert not await answered(far, train)


@pytest.mark.asyncio
async def test_two_stops_at_once(directory: Path) -> None:
    """Each is answered, whichever comes first, and what there was is ended once."""
    async with far_end(directory) as far, far.control() as one, far.control() as two:
        is_(TrainGrant, await one.open_train(TRAIN))
        is_(RunGrant, await one.open_run(RunRequest(direction="up", flows=1, seconds=60)))
        found = [is_(Stopped, each) for each in await asyncio.gather(one.stop(), two.stop())]
        assert sum(each.trains for each in found) == 1


@pytest.mark.asyncio
async def test_a_silent_caller_loses_its_run(directory: Path) -> None:
    """After 10 s without control, train or flow the place is free; a packet of a train is a sign of life."""
    async with far_end(directory) as far, far.control("a") as mine, far.control("b") as theirs:
        far.time.hold()
        train = is_(TrainGrant, await mine.open_train(TRAIN))
        request = RunRequest(direction="up", flows=1, seconds=600)
        run = is_(RunGrant, await mine.open_run(request))
        far.time.move(seconds=9)
        assert await answered(far, train)
        far.time.move(seconds=9)
        await far.endpoint.look_after()
        assert isinstance(await theirs.open_run(request), Failed)
        far.time.move(seconds=2)
        await far.endpoint.look_after()
        await far.endpoint._flows.finished(run.run, timeout_s=PATIENCE_S)
        assert isinstance(await theirs.open_run(request), RunGrant)
        assert is_(RunReport, await mine.run_report(run.run)).why == "the caller fell silent"
        assert await answered(far, train, 1)  # a line that comes back finds its train again


@pytest.mark.asyncio
async def test_what_is_over_is_forgotten(directory: Path) -> None:
    """A report is kept a minute, a silent train 900 s (RFC 5357 section 4.2)."""
    async with far_end(directory) as far, far.control() as control:
        far.time.hold()
        train = is_(TrainGrant, await control.open_train(TRAIN))
        run = is_(RunGrant, await control.open_run(RunRequest(direction="up", flows=1, seconds=5)))
        far.endpoint._flows.abort(run.run, "ended")
        await asyncio.wait([far.endpoint._runs[run.run].watch])
        assert is_(RunReport, await control.run_report(run.run)).finished
        for moved_s, run_there, train_there in ((59, True, True), (2, False, True), (900, False, False)):
            far.time.move(seconds=moved_s)
            await far.endpoint.look_after()
            assert isinstance(await control.run_report(run.run), RunReport) is run_there
            assert isinstance(await control.train_counts(train.ssid), Failed) is not train_there


@pytest.mark.asyncio
async def test_a_replaced_key(directory: Path) -> None:
    """A running endpoint takes over new keys: the old one, its trains and runs are out."""
    async with far_end(directory) as far, far.control() as control:
        train = is_(TrainGrant, await control.open_train(TRAIN))
        run = is_(RunGrant, await control.open_run(RunRequest(direction="up", flows=1, seconds=60)))
        other = await asyncio.to_thread(keys.invite, directory, address="127.0.0.1", name="c")
        again = await asyncio.to_thread(keys.invite, directory, address="127.0.0.1", name="a")
        await far.endpoint.look_after()
        assert "does not admit" in is_(Failed, await control.hello()).why
        assert not await answered(far, train)
        report = await far.endpoint._flows.finished(run.run, timeout_s=PATIENCE_S)
        assert report.why == "the caller's key was replaced"
        for invitation in (again, other):
            fresh = reach(invitation, port=far.endpoint.doors.port)
            async with Control(fresh, clock=Clock()) as control_again:
                assert not isinstance(await control_again.hello(), Failed)


@pytest.mark.asyncio
async def test_damaged_callers_change_nothing(directory: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A running endpoint keeps its callers when the file is damaged under it, and says so in its log."""
    async with far_end(directory) as far, far.control() as control:
        await asyncio.to_thread((directory / "callers.json").write_text, "{")
        await far.endpoint.look_after()
        assert not isinstance(await control.hello(), Failed)
    assert "callers not renewed" in caplog.text


@pytest.mark.asyncio
async def test_serve_ends_within_2_s(directory: Path) -> None:
    """With a run under way and a question waiting; nothing answers afterwards, and the bytes are booked."""
    invitation = await asyncio.to_thread(keys.invite, directory, address="127.0.0.1")
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    serving = asyncio.create_task(
        service.serve(directory, listen="127.0.0.1:0", clock=Clock(), ready=ready.set_result)
    )
    both: list[asyncio.Future[Any]] = [serving, ready]
    await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
    port = int(ready.result().split("port ")[1].split()[0])
    async with Control(reach(invitation, port=port), clock=Clock()) as control:
        run = is_(RunGrant, await control.open_run(RunRequest(direction="down", flows=1, seconds=60)))
        flowing = asyncio.Event()
        caller = asyncio.create_task(flow(run, seconds=60, flowing=flowing))
        waiting = asyncio.create_task(control.run_report(run.run))
        await flowing.wait()
        started = time.monotonic()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
        assert time.monotonic() - started < 2
        await caller
        await waiting
        assert "does the endpoint run" in is_(Failed, await control.hello()).why
    ledger = json.loads(await asyncio.to_thread((directory / "ledger.json").read_text))
    assert sum(month["probe"] for month in ledger["months"].values()) > 0


@pytest.mark.asyncio
async def test_serve_without_a_directory(directory: Path) -> None:
    with pytest.raises(UserMistake, match="there is no such directory"):
        await service.serve(directory, listen=None, clock=Clock(), ready=print)


@pytest.mark.asyncio
async def test_serve_on_a_taken_port(directory: Path) -> None:
    await asyncio.to_thread(keys.invite, directory, address="127.0.0.1")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UserMistake, match=f"port {port} is taken"):
            await service.serve(directory, listen=f"127.0.0.1:{port}", clock=Clock(), ready=print)


@pytest.mark.asyncio
async def test_it_measures_itself_when_nothing_else_is_under_way(directory: Path) -> None:
    """On demand, as much as it carries from itself to itself; meanwhile it takes no run, and during none."""
    async with far_end(directory) as far, far.control() as control:
        measuring = asyncio.create_task(control.ceiling(CeilingRequest(flows=2)))
        request = RunRequest(direction="up", flows=1, seconds=1)
        await asyncio.sleep(0.5)  # it has begun
        refused = is_(Failed, await control.open_run(request))
        assert "measuring its own ceiling" in refused.why
        stream = StreamRequest(transport="tcp", frames_per_second=30, group=60, buffer_s=2, ip_bps=1_000_000)
        refused = is_(Failed, await control.open_rehearsal(RehearsalRequest(streams=(stream,), seconds=1)))
        assert "measuring its own ceiling" in refused.why
        found = is_(CeilingReport, await measuring)
        assert found.goodput_bps > 100_000_000  # loopback carries far more anywhere; no bound of ours
        assert (found.flows, found.port_rate_bps) == (2, None)  # loopback has no port
        again = is_(CeilingReport, await control.ceiling(CeilingRequest(flows=2)))
        assert again == found  # told, not measured again
        is_(RunGrant, await control.open_run(request))
        busy = is_(Failed, await control.ceiling(CeilingRequest(flows=1)))
        assert "a run is under way" in busy.why
        beyond = is_(Failed, await control.ceiling(CeilingRequest(flows=99)))
        assert "1 to 16 flows" in beyond.why


def test_it_comes_before_ordinary_work_and_its_worker_does_not(directory: Path) -> None:
    """As sched(7) has it, where this account may: the loop that answers trains, and no child of it."""
    may = resource.getrlimit(resource.RLIMIT_RTPRIO)[0] != 0 or os.geteuid() == 0
    port = free_ports()[0]
    keys.invite(directory, address=f"127.0.0.1:{port}")
    command = [sys.executable, str(LINEBOOK), "endpoint", "serve", str(directory), "--listen", "127.0.0.1"]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as process:
        try:
            assert process.stderr is not None
            while b"answers on" not in (line := process.stderr.readline()):
                assert line, "it ended by itself"
            expected = os.SCHED_RR | os.SCHED_RESET_ON_FORK if may else os.SCHED_OTHER
            assert os.sched_getscheduler(process.pid) == expected
            (worker,) = children(process.pid)
            assert os.sched_getscheduler(worker) == os.SCHED_OTHER
        finally:
            process.terminate()
