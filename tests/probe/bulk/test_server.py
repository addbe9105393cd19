"""Real worker processes at both ends of a loopback connection."""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import select
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest

from probe.bulk.client import ClientReport, FlowClient
from probe.bulk.server import FlowServer
from probe.bulk.worker import TOKEN_NS, WAITING_MAX
from probe.reach import Binding
from probe.wire.control import READY, TOKEN_BYTES, RunGrant, RunReport
from store.clock import Clock
from tests.probe.children import children

ROOT = Path(__file__).parents[3]
HERE = "127.0.0.1"


@contextlib.asynccontextmanager
async def serving() -> AsyncIterator[tuple[FlowServer, int]]:
    """A flow server on a free port of 127.0.0.1."""
    with socket.create_server((HERE, 0)) as door:
        server = await FlowServer.start([door], clock=Clock())
        try:
            yield server, door.getsockname()[1]
        finally:
            await server.close()


def admit(
    server: FlowServer,
    port: int,
    *,
    up: int = 0,
    down: int = 0,
    seconds: float = 1,
    bytes_max: int | None = None,
) -> RunGrant:
    tokens = [secrets.token_bytes(32) for _ in range(up + down)]
    grant = RunGrant(
        run=secrets.token_hex(4), port=port, up_tokens=tuple(tokens[:up]), down_tokens=tuple(tokens[up:])
    )
    server.admit(
        grant.run,
        up_tokens=grant.up_tokens,
        down_tokens=grant.down_tokens,
        seconds=seconds,
        congestion=None,
        bytes_max=bytes_max,
    )
    return grant


async def connect(
    client: FlowClient,
    grant: RunGrant,
    *,
    seconds: float = 1,
    addresses: Sequence[str] = (HERE,),
    congestion: str | None = None,
) -> str | None:
    return await client.connect(
        grant, addresses=addresses, binding=Binding(), seconds=seconds, congestion=congestion
    )


async def run(server: FlowServer, grant: RunGrant, *, seconds: float = 1) -> tuple[ClientReport, RunReport]:
    """One whole run; both ends' reports."""
    async with FlowClient() as client:
        assert await connect(client, grant, seconds=seconds) is None
        mine = await client.run()
    return mine, await server.finished(grant.run, timeout_s=3)


async def moving(server: FlowServer, run: str) -> None:
    """Until the run's payload moves."""
    async with asyncio.timeout(5):
        while not server.spent_bytes(run):
            await server.finished(run, timeout_s=0.05)


@pytest.mark.asyncio
async def test_both_directions_at_once() -> None:
    """Each direction is counted at its receiver in as many bins as the run has tenths of a second."""
    async with serving() as (server, port):
        mine, theirs = await run(server, admit(server, port, up=2, down=2, seconds=1.2), seconds=1.2)
    assert (mine.finished, mine.why, theirs.finished, theirs.why) == (True, None, True, None)
    for received in (mine.down, theirs.up):
        assert received is not None
        assert len(received.bins) == 12
        assert sum(received.bins) == received.received_bytes > 0
        assert not received.silent
    for sent in (mine.up, theirs.down):
        assert sent is not None
        assert sent.sent_bytes >= 1_000_000


@pytest.mark.asyncio
async def test_a_token_opens_one_flow_once() -> None:
    """A wrong token, half a token, and a token for the second time get not a byte."""
    async with serving() as (server, port):
        grant = admit(server, port, up=1)

        def say(token: bytes) -> tuple[bytes, socket.socket]:
            sock = socket.create_connection((HERE, port), timeout=10)
            sock.sendall(token)
            with contextlib.suppress(ConnectionResetError):
                return sock.recv(10), sock
            return b"", sock

        answers = await asyncio.gather(
            asyncio.to_thread(say, grant.up_tokens[0]),
            asyncio.to_thread(say, secrets.token_bytes(32)),
            asyncio.to_thread(say, grant.up_tokens[0][:31]),
        )
        again = await asyncio.to_thread(say, grant.up_tokens[0])
        for _, sock in (*answers, again):
            sock.close()
    assert [answer for answer, _ in answers] == [READY, b"", b""]
    assert again[0] == b""


@pytest.mark.asyncio
async def test_a_crowd_without_tokens_does_not_keep_others_out() -> None:
    """More silent connections than may wait, from elsewhere: whoever has a token comes in at once."""
    async with serving() as (server, port):
        grant = admit(server, port, up=1)

        def through_the_crowd() -> bytes:
            with contextlib.ExitStack() as stack:
                for _ in range(WAITING_MAX + 50):
                    source = ("127.0.0.2", 0)
                    stack.enter_context(
                        socket.create_connection((HERE, port), timeout=5, source_address=source)
                    )
                late = stack.enter_context(socket.create_connection((HERE, port)))
                late.settimeout(TOKEN_NS / 1e9 / 2)
                late.sendall(grant.up_tokens[0])
                return late.recv(1)

        assert await asyncio.to_thread(through_the_crowd) == READY


def test_a_thread_that_fails_ends_its_worker() -> None:
    """Its run would never end, and take an endpoint's only place for good."""
    failing = (
        "import threading, time; from probe.bulk import worker; worker.end_with_any_thread();"
        "threading.Thread(target=lambda: 1 / 0, daemon=True).start(); time.sleep(30)"
    )
    done = subprocess.run([sys.executable, "-c", failing], cwd=ROOT, capture_output=True, timeout=20)
    assert done.returncode == 1
    assert b"ZeroDivisionError" in done.stderr


@pytest.mark.asyncio
async def test_a_caller_that_is_stopped() -> None:
    """Ctrl-Z at the probe: within 2 s the endpoint sends nothing more."""
    async with serving() as (server, port):
        grant = admit(server, port, down=2, seconds=30)
        before = await asyncio.to_thread(children)
        async with FlowClient() as client:
            (worker,) = await asyncio.to_thread(children) - before
            assert await connect(client, grant, seconds=30) is None
            running = asyncio.create_task(client.run())
            await moving(server, grant.run)
            os.kill(worker, signal.SIGSTOP)
            await server.finished(grant.run, timeout_s=2.5)  # 2 s, and the half that a report may be old
            moved = server.spent_bytes(grant.run)
            await server.finished(grant.run, timeout_s=1)
            assert server.spent_bytes(grant.run) == moved
            os.kill(worker, signal.SIGKILL)
            assert (await running).why is not None


@pytest.mark.asyncio
async def test_a_byte_cap() -> None:
    """The cap is for both directions together; it may be passed by the block in hand of each flow."""
    cap = 5_000_000
    async with serving() as (server, port):
        grant = admit(server, port, up=1, down=1, bytes_max=cap)
        _, theirs = await run(server, grant)
        moved = server.spent_bytes(grant.run)
    assert theirs.why == "the run reached its byte cap"
    assert cap <= moved <= cap + 2 * 256 * 1024


@pytest.mark.asyncio
async def test_abort_ends_both_ends() -> None:
    async with serving() as (server, port):
        grant = admit(server, port, down=1, seconds=30)
        async with FlowClient() as client:
            assert await connect(client, grant, seconds=30) is None
            running = asyncio.create_task(client.run())
            await moving(server, grant.run)
            server.abort(grant.run, "stopped for a reason")
            report = await server.finished(grant.run, timeout_s=2)
            mine = await running
        assert (report.finished, report.why) == (True, "stopped for a reason")
        assert mine.why is not None
        server.forget(grant.run)
        with pytest.raises(KeyError):
            server.report(grant.run)


@pytest.mark.asyncio
async def test_stop_at_the_probe() -> None:
    async with serving() as (server, port):
        grant = admit(server, port, up=1, seconds=30)
        async with FlowClient() as client:
            assert await connect(client, grant, seconds=30) is None
            running = asyncio.create_task(client.run())
            await moving(server, grant.run)
            client.stop("enough")
            assert (await running).why == "enough"
        assert (await server.finished(grant.run, timeout_s=2)).why == "the sender broke the flow off"


@pytest.mark.asyncio
async def test_a_worker_that_dies_is_replaced() -> None:
    """Its runs are ended with what was counted; the next run is taken by the next worker."""
    before = await asyncio.to_thread(children)
    async with serving() as (server, port):
        (worker,) = await asyncio.to_thread(children) - before
        grant = admit(server, port, up=1, seconds=30)
        async with FlowClient() as client:
            assert await connect(client, grant, seconds=30) is None
            running = asyncio.create_task(client.run())
            await moving(server, grant.run)
            os.kill(worker, signal.SIGKILL)
            report = await server.finished(grant.run, timeout_s=2)
            assert (await running).why is not None
        assert (report.finished, report.why) == (True, "the endpoint's bulk worker died")
        assert report.up is not None
        mine, _ = await run(server, admit(server, port, up=1, seconds=0.5), seconds=0.5)
    assert mine.why is None


@pytest.mark.asyncio
async def test_what_keeps_flows_from_connecting() -> None:
    """Each in a sentence; and the second address is tried when the first does not answer."""
    async with serving() as (server, port):
        grant = admit(server, port, up=1)
        unknown = RunGrant(run="x", port=port, up_tokens=(bytes(32),), down_tokens=())
        with socket.create_server((HERE, 0)) as gone:
            nobody = RunGrant(run="x", port=gone.getsockname()[1], up_tokens=(bytes(32),), down_tokens=())
        answers = []
        for asked, congestion in ((nobody, None), (unknown, None), (grant, "no-such-thing")):
            async with FlowClient() as client:
                answers.append(await connect(client, asked, congestion=congestion))
        async with FlowClient() as client:
            assert await connect(client, grant, addresses=["127.0.0.2", HERE]) is None
    assert answers == [
        "Connection refused",
        "the endpoint closed a flow instead of taking it",
        "this host does not offer congestion control no-such-thing",
    ]


PARENT = """
import asyncio, socket, sys
from pathlib import Path
from probe.bulk.server import FlowServer
from store.clock import Clock
async def main():
    with socket.create_server(("127.0.0.1", 0)) as door:
        server = await FlowServer.start([door], clock=Clock())
        print(server._worker.pid, door.getsockname()[1], flush=True)
        await asyncio.Event().wait()
asyncio.run(main())
"""


@pytest.mark.parametrize("fate", [signal.SIGKILL, signal.SIGSTOP])
def test_a_worker_ends_with_its_parent(fate: signal.Signals) -> None:
    """A parent that is killed, or stopped and so without beats, takes its worker along within 2 s.

    The worker works by then: it has refused a caller, so its own start is not in these seconds.
    """
    with subprocess.Popen(
        [sys.executable, "-c", PARENT], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as parent:
        try:
            assert parent.stdout is not None
            worker, port = map(int, parent.stdout.readline().split())
            watched = os.pidfd_open(worker)
            try:
                with socket.create_connection((HERE, port), timeout=10) as caller:
                    caller.sendall(bytes(TOKEN_BYTES))
                    assert caller.recv(1) == b""
                parent.send_signal(fate)
                assert select.select([watched], [], [], 2.2)[0], "the worker lives on"
            finally:
                os.close(watched)
        finally:
            parent.kill()
