"""Real worker processes at both ends of a loopback connection."""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import signal
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from probe.bulk.client import ClientReport, FlowClient
from probe.bulk.server import FlowServer
from probe.reach import Binding
from probe.wire.control import READY, RunGrant, RunReport
from store.clock import Clock

ANYWHERE = Binding()


@contextlib.asynccontextmanager
async def serving() -> AsyncIterator[tuple[FlowServer, int]]:
    """A flow server on a free port of 127.0.0.1."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        server = await FlowServer.start([door], clock=Clock())
        try:
            yield server, door.getsockname()[1]
        finally:
            await server.close()


def admit(
    server: FlowServer, port: int, *, up: int, down: int, seconds: float, bytes_max: int | None = None
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


async def run(
    server: FlowServer, port: int, *, up: int, down: int, seconds: float, bytes_max: int | None = None
) -> tuple[ClientReport, RunReport]:
    """One whole run; both ends' reports."""
    grant = admit(server, port, up=up, down=down, seconds=seconds, bytes_max=bytes_max)
    async with FlowClient() as client:
        failure = await client.connect(
            grant, addresses=["127.0.0.1"], binding=ANYWHERE, seconds=seconds, congestion=None
        )
        assert failure is None
        mine = await client.run()
    return mine, await server.finished(grant.run, timeout_s=3)


@pytest.mark.asyncio
async def test_both_directions_at_once() -> None:
    """Each direction is counted at its receiver in as many bins as the run has tenths of a second."""
    async with serving() as (server, port):
        mine, theirs = await run(server, port, up=2, down=2, seconds=1.2)
    print(mine.why, theirs.why, mine.up, theirs.down)
    assert (mine.finished, mine.why, theirs.finished, theirs.why) == (True, None, True, None)
    assert mine.down is not None and theirs.up is not None
    for received in (mine.down, theirs.up):
        assert len(received.bins) == 12
        assert sum(received.bins) == received.received_bytes > 0
        assert not received.silent
