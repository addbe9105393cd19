"""Foreign probes: new connections to an endpoint's control port at a modest rate, each step timed.

A probe connects (TCP), shakes hands (TLS 1.3: one round trip), asks for the endpoint's hello and takes the
head of the answer (HTTP); then it is gone. The times hold what both hosts themselves take for it, some
milliseconds on a slow one. It leaves by the handoff that is measured, and the certificate is held against
the invitation's pin before the key goes out.
"""

from __future__ import annotations

import asyncio
import hashlib
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from probe.reach import Reach
from probe.responsiveness import Probe
from probe.wire.control import PATHS, PROTOCOL, PROTOCOL_HEADER
from probe.wire.invitation import secret_text
from store.clock import Clock

PER_SECOND = 5
BYTES = 5_000  # about what one moves; the draft's figure

_GIVEN_UP_S = 6.0  # three round trips behind a queue of 2 s


def _tls() -> ssl.SSLContext:
    """TLS 1.3, the certificate unchecked: the pin is held against it afterwards."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


@dataclass(slots=True, kw_only=True)
class ForeignProbes:
    """Probes towards `address`; `found` has those that have ended, in the order of their ends."""

    where: Reach
    address: str
    clock: Clock
    found: list[Probe] = field(default_factory=list, init=False)
    _context: ssl.SSLContext = field(default_factory=_tls, init=False)

    @asynccontextmanager
    async def going(self) -> AsyncIterator[None]:
        """Probes begin `PER_SECOND` a second as long as the body lasts; those under way then are let go."""
        task = asyncio.create_task(self._keep(), name="foreign probes")
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def probe(self) -> Probe:
        """One probe, now; it is in `found` too."""
        began_ns = self.clock.monotonic_ns()
        try:
            async with asyncio.timeout(_GIVEN_UP_S):
                made = await self._timed(began_ns)
        except (OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, _NoAnswer):
            made = Probe(began_ns=began_ns, ended_ns=self.clock.monotonic_ns())
        self.found.append(made)
        return made

    async def _keep(self) -> None:
        async with asyncio.TaskGroup() as group:
            while True:
                group.create_task(self.probe(), name="foreign probe")
                await asyncio.sleep(1 / PER_SECOND)

    async def _timed(self, began_ns: int) -> Probe:
        now_ns = self.clock.monotonic_ns
        asked_ns = now_ns()
        sock = await self._connected()
        connected_ns = now_ns()
        reader, writer = await asyncio.open_connection(sock=sock, ssl=self._context, server_hostname="")
        secured_ns = now_ns()
        try:
            self._check(writer)
            writer.write(self._question())
            head = await reader.readuntil(b"\r\n\r\n")
            answered_ns = now_ns()
            if not head.startswith(b"HTTP/1.1 200 "):
                raise _NoAnswer
        finally:
            writer.transport.abort()
        return Probe(
            began_ns=began_ns,
            ended_ns=answered_ns,
            tcp_ns=connected_ns - asked_ns,
            tls_ns=secured_ns - connected_ns,
            http_ns=answered_ns - secured_ns,
        )

    async def _connected(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self.address else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_STREAM)
        try:
            sock.setblocking(False)
            # the question would else wait for the handshake's last acknowledgement, a round trip too many
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.where.binding.apply(sock)
            to = (self.address, self.where.invitation.port)
            await asyncio.get_running_loop().sock_connect(sock, to)
        except BaseException:
            sock.close()
            raise
        return sock

    def _check(self, writer: asyncio.StreamWriter) -> None:
        shown = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
        if shown is None or hashlib.sha256(shown).digest() != self.where.invitation.pin:
            raise _NoAnswer

    def _question(self) -> bytes:
        invitation = self.where.invitation
        host = f"[{invitation.host}]" if ":" in invitation.host else invitation.host
        lines = (
            f"GET {PATHS['hello']} HTTP/1.1",
            f"Host: {host}:{invitation.port}",
            f"Authorization: Bearer {secret_text(invitation.key)}",
            f"{PROTOCOL_HEADER}: {PROTOCOL}",
            "Connection: close",
        )
        return ("\r\n".join(lines) + "\r\n\r\n").encode()


class _NoAnswer(Exception):
    """What answered is not the endpoint, or refuses."""
