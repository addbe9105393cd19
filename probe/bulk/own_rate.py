"""What this machine carries from one process of its own to another: rate flows over loopback.

The same workers, calls and counting as in a rate run, with nothing between them. Both the probe and an
endpoint measure themselves so. Payload stays in the workers; nothing leaves the machine.
"""

from __future__ import annotations

import secrets
import socket

from probe import rate_outcome
from probe.bulk.client import FlowClient
from probe.bulk.server import FlowServer
from probe.reach import Binding
from probe.wire.control import TOKEN_BYTES, RunGrant, RunReport
from store.clock import Clock

SECONDS = 3.0  # with start-up; its second half counts

_NAME = "ceiling"
_LOOPBACK = "127.0.0.1"
_REPORT_S = 4.0


async def measure(flows: int, *, clock: Clock, seconds: float = SECONDS) -> int | str:
    """Payload in bit/s, as it arrived; a sentence where it could not be measured."""
    try:
        with socket.create_server((_LOOPBACK, 0)) as door:
            server = await FlowServer.start([door], clock=clock)
            try:
                return await _carried(server, door.getsockname()[1], flows, seconds)
            finally:
                await server.close()
    except OSError as error:
        return f"this machine could not carry flows to itself: {error.strerror or error}"


async def _carried(server: FlowServer, port: int, flows: int, seconds: float) -> int | str:
    tokens = tuple(secrets.token_bytes(TOKEN_BYTES) for _ in range(flows))
    server.admit(_NAME, up_tokens=tokens, down_tokens=(), seconds=seconds, congestion=None, bytes_max=None)
    grant = RunGrant(run=_NAME, port=port, up_tokens=tokens, down_tokens=())
    async with FlowClient() as client:
        why = await client.connect(
            grant, addresses=[_LOOPBACK], binding=Binding(), seconds=seconds, congestion=None
        )
        if why is not None:
            return f"this machine's flows to itself did not connect: {why}"
        mine = await client.run()
    report = await server.finished(_NAME, timeout_s=_REPORT_S)
    if mine.why is not None or not isinstance(report, RunReport) or report.up is None or report.why:
        return f"the flows ended early: {mine.why or report.why or 'nothing arrived'}"
    first, after = rate_outcome.steady_window(len(report.up.bins))
    window = report.up.bins[first:after]
    return sum(window) * 8 * rate_outcome.BINS_PER_S // max(1, len(window))
