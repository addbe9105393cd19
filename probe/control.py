"""The probe's side of control: asks an endpoint for trains and runs, over HTTPS with a pinned certificate.

Every question is answered with its message or with a `Failed`; trouble on the way never raises. What
failed is told in one sentence with who must act. The connection leaves by the handoff that is measured
(`reach.binding`) and is kept open between questions. Stands above wire and reach, below the methods.
"""

from __future__ import annotations

import errno
import json
import socket
from types import TracebackType
from typing import Any, TypeVar

import aiohttp

from probe.reach import Reach
from probe.shortage import shortage
from probe.wire.control import (
    PATHS,
    PROTOCOL,
    PROTOCOL_HEADER,
    CeilingReport,
    CeilingRequest,
    Hello,
    Knocked,
    Refusal,
    RunGrant,
    RunReport,
    RunRequest,
    Stopped,
    TrainCounts,
    TrainGrant,
    TrainRequest,
    decode,
    encode,
)
from probe.wire.invitation import secret_text
from probe.wire.paced_control import CapacityRequest, PacedGrant, PacedReport, PacedRequest
from probe.wire.rehearsal_control import RehearsalGrant, RehearsalReport, RehearsalRequest
from store.clock import Clock
from store.errors import BadMessage
from store.records import Direction, Failed, Owner

CONNECT_S = 5.0
ANSWER_S = 10.0  # more than the 5 s that ending a run may wait
_KEPT_OPEN_S = 60.0  # less than the endpoint keeps an idle connection
_CONNECTIONS = 4  # a waiting question for a report must not hold up the others
_ANSWER_BYTES_MAX = 8 << 20  # far above the bins of a 15-minute run

_KNOWN_AS = {"paced_runs": "paced runs", "bursts": "bursts"}
# nobody can tell whose: a route goes with its carrier, or with a lease that no one renews
NO_WAY = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EHOSTDOWN}

T = TypeVar("T")


class Control:
    """A conversation with one endpoint. ``async with Control(reach, clock=clock) as control: ...``

    `refusal` is the endpoint's last refusal, None unless the last question was refused: its `code`
    and `retry_after_s` tell what a `Failed` has no room for.
    """

    def __init__(self, reach: Reach, *, clock: Clock) -> None:
        self._reach = reach
        self._clock = clock
        self._session: aiohttp.ClientSession | None = None
        self.refusal: Refusal | None = None

    async def __aenter__(self) -> Control:
        invitation = self._reach.invitation
        self._session = aiohttp.ClientSession(
            base_url=self._base_url(),
            connector=aiohttp.TCPConnector(
                ssl=aiohttp.Fingerprint(invitation.pin),
                family=self._family(),
                socket_factory=self._socket,
                limit=_CONNECTIONS,
                keepalive_timeout=_KEPT_OPEN_S,
            ),
            headers={
                "Authorization": f"Bearer {secret_text(invitation.key)}",
                PROTOCOL_HEADER: str(PROTOCOL),
                "Accept-Encoding": "identity",
            },
            skip_auto_headers=("User-Agent",),
            auto_decompress=False,  # a small answer must not become a large one here
            timeout=aiohttp.ClientTimeout(total=ANSWER_S, connect=CONNECT_S),
            cookie_jar=aiohttp.DummyCookieJar(),
        )
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._session is not None:
            await self._session.close()

    async def hello(self) -> Hello | Failed:
        """What the endpoint says of itself."""
        return await self._ask("hello", Hello, what="hello")

    async def open_train(self, request: TrainRequest) -> TrainGrant | Failed:
        """A session with the reflector."""
        return await self._ask("trains", TrainGrant, what="open a train", request=request)

    async def train_counts(self, ssid: int) -> TrainCounts | Failed:
        """What the reflector saw of a train so far."""
        return await self._ask("train", TrainCounts, what="count a train", ssid=ssid)

    async def knock(self, ssid: int) -> Knocked | Failed:
        """Have the endpoint send some packets to where a train was last heard from."""
        return await self._ask("knock", Knocked, what="knock", method="POST", ssid=ssid)

    async def close_train(self, ssid: int) -> TrainCounts | Failed:
        """End a train; what the reflector saw of it."""
        return await self._ask("train", TrainCounts, what="close a train", method="DELETE", ssid=ssid)

    async def open_run(self, request: RunRequest) -> RunGrant | Failed:
        """A rate run: its tokens and where they are taken."""
        what = "open a run"
        found = await self._ask("runs", RunGrant, what=what, request=request)
        if isinstance(found, RunGrant):
            up = request.flows if request.direction != Direction.DOWN else 0
            down = request.flows if request.direction != Direction.UP else 0
            if (len(found.up_tokens), len(found.down_tokens)) != (up, down):
                return self._failed(what, "the endpoint grants other flows than were asked", Owner.ENDPOINT)
        return found

    async def run_report(self, run: str) -> RunReport | Failed:
        """How a run is; waits up to 1 s for its end."""
        return await self._ask("run", RunReport, what="report of a run", run=run)

    async def end_run(self, run: str) -> RunReport | Failed:
        """End a run now if it still runs, and let go of it; its last report."""
        return await self._ask("run", RunReport, what="end a run", method="DELETE", run=run)

    async def open_paced(self, request: PacedRequest) -> PacedGrant | Failed:
        """A paced run or a burst: its key, and the port that takes it."""
        # a path of their own: an endpoint that does not know bursts would send the rate for all its seconds
        path = "paced_runs" if request.burst_packets is None else "bursts"
        found = await self._ask(path, PacedGrant, what="open a paced run", request=request)
        return self._older(found, _KNOWN_AS[path])

    async def open_capacity(self, request: CapacityRequest) -> PacedGrant | Failed:
        """A capacity run: its key, the port that takes it, and the most it may offer; a paced run from then
        on.
        """
        found = await self._ask("capacity_runs", PacedGrant, what="open a capacity run", request=request)
        return self._older(found, "capacity runs")

    async def paced_report(self, run: str) -> PacedReport | Failed:
        """How a paced run is; waits up to 1 s for its end."""
        return await self._ask("paced_run", PacedReport, what="report of a paced run", run=run)

    async def end_paced(self, run: str) -> PacedReport | Failed:
        """End a paced run now if it still runs, and let go of it; its last report."""
        return await self._ask("paced_run", PacedReport, what="end a paced run", method="DELETE", run=run)

    async def open_rehearsal(self, request: RehearsalRequest) -> RehearsalGrant | Failed:
        """A rehearsal: a key for each stream, and the ports that take them."""
        what = "open a rehearsal"
        found = await self._ask("rehearsals", RehearsalGrant, what=what, request=request)
        if isinstance(found, RehearsalGrant) and len(found.keys) != len(request.streams):
            return self._failed(what, "the endpoint grants other streams than were asked", Owner.ENDPOINT)
        return self._older(found, "rehearsals")

    async def rehearsal_report(self, run: str) -> RehearsalReport | Failed:
        """How a rehearsal is; waits up to 1 s for its end."""
        return await self._ask("rehearsal", RehearsalReport, what="report of a rehearsal", run=run)

    async def end_rehearsal(self, run: str) -> RehearsalReport | Failed:
        """End a rehearsal now if it still runs, and let go of it; its last report."""
        what = "end a rehearsal"
        return await self._ask("rehearsal", RehearsalReport, what=what, method="DELETE", run=run)

    async def ceiling(self, request: CeilingRequest) -> CeilingReport | Failed:
        """Have the endpoint measure itself."""
        found = await self._ask("ceiling", CeilingReport, what="measure its ceiling", request=request)
        return self._older(found, "ceilings")

    async def stop(self) -> Stopped | Failed:
        """End every run and train of this invitation, whoever opened them."""
        return await self._ask("stop", Stopped, what="stop", method="POST")

    def _older(self, found: T | Failed, than: str) -> T | Failed:
        """The answer, or the sentence for an endpoint that does not know the question."""
        if isinstance(found, Failed) and self.refusal is not None and self.refusal.code == "unknown":
            why = f"the endpoint's Linebook is older than {than}; update it there"
            return self._failed(found.what, why, Owner.ENDPOINT)
        return found

    async def _ask(
        self,
        path: str,
        kind: type[T],
        *,
        what: str,
        request: object | None = None,
        method: str | None = None,
        **parts: object,
    ) -> T | Failed:
        assert self._session is not None, "use it as a context manager"  # noqa: S101 - our own mistake
        self.refusal = None
        body = None if request is None else json.dumps(encode(request)).encode()
        try:
            async with self._session.request(
                method or ("GET" if body is None else "POST"),
                PATHS[path].format(**parts),
                data=body,
                headers=None if body is None else {"Content-Type": "application/json"},
                allow_redirects=False,
            ) as response:
                data = await _read(response)
                return self._understood(response, data, kind, what)
        except (aiohttp.ClientError, OSError, TimeoutError) as error:
            why, whose = self._trouble(error)
        except BadMessage as error:
            why, whose = f"{self._where} gave an answer that is none ({error.why})", Owner.ENDPOINT
        return self._failed(what, why, whose)

    def _understood(
        self, response: aiohttp.ClientResponse, data: object, kind: type[T], what: str
    ) -> T | Failed:
        if response.status == 200:
            spoken = response.headers.get(PROTOCOL_HEADER, "none")[:20]
            if spoken == str(PROTOCOL):
                return decode(kind, data)
            why = f"the endpoint speaks protocol {spoken}, this Linebook {PROTOCOL}; update the older one"
            return self._failed(what, why, Owner.ENDPOINT)
        self.refusal = refusal = decode(Refusal, data)
        if refusal.code == "not_admitted":
            why = "the endpoint does not admit this invitation's key"
        else:
            why = f"the endpoint refuses: {refusal.why}"
        if refusal.retry_after_s is not None:
            why += f"; free again in about {refusal.retry_after_s:.0f} s"
        return self._failed(what, why, Owner.HOUSE if refusal.code == "bad_request" else Owner.ENDPOINT)

    def _trouble(self, error: Exception) -> tuple[str, Owner]:
        """What an exception means, as a sentence, and who must act."""
        where = self._where
        match error:
            case aiohttp.ServerFingerprintMismatch():
                return (
                    f"the endpoint at {where} shows another certificate than the invitation pins",
                    Owner.ENDPOINT,
                )
            case aiohttp.ClientConnectorDNSError():
                return f"the name {self._reach.invitation.host} does not resolve", Owner.UNKNOWN
            case TimeoutError():
                return f"{where} did not answer in time", Owner.UNKNOWN
            case aiohttp.ClientConnectorCertificateError() | aiohttp.ClientSSLError():
                return f"what answers at {where} is no endpoint", Owner.ENDPOINT
            case OSError():
                return self._no_connection(error)
            case _:
                return f"{where} broke the connection off", Owner.UNKNOWN

    def _no_connection(self, error: OSError) -> tuple[str, Owner]:
        binding = self._reach.binding
        if (why := shortage(error)) is not None:
            return why, Owner.HOUSE
        match error.errno:
            case errno.ENODEV:
                return f"this host has no interface {binding.interface!r}", Owner.HOUSE
            case errno.EADDRNOTAVAIL if binding.source:
                return f"this host does not have the source address {binding.source}", Owner.HOUSE
            case errno.EPERM | errno.EACCES:
                return f"this host does not let Linebook connect to {self._where}", Owner.HOUSE
            case errno.ECONNREFUSED:
                return f"nothing listens at {self._where}; does the endpoint run?", Owner.ENDPOINT
            case errno.ETIMEDOUT:
                return f"{self._where} did not answer in time", Owner.UNKNOWN
            case number if number in NO_WAY:
                return f"there is no way to {self._where} from here ({error.strerror})", Owner.UNKNOWN
            case _ if isinstance(error, aiohttp.ClientConnectorError):
                return f"no connection to {self._where} ({error.strerror or error})", Owner.UNKNOWN
            case _:
                return f"{self._where} broke the connection off", Owner.UNKNOWN

    def _failed(self, what: str, why: str, whose: Owner) -> Failed:
        return self._reach.failed(what, why, whose, started_unix_ns=self._clock.unix_ns())

    @property
    def _where(self) -> str:
        host, port = self._reach.invitation.host, self._reach.invitation.port
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"

    def _base_url(self) -> str:
        return f"https://{self._where}"

    def _family(self) -> socket.AddressFamily:
        """The source address settles which IP version can leave by this handoff."""
        source = self._reach.binding.source
        if source is None:
            return socket.AF_UNSPEC
        return socket.AF_INET6 if ":" in source else socket.AF_INET

    def _socket(self, address: Any) -> socket.socket:
        family, kind, protocol, _, _ = address
        sock = socket.socket(family, kind, protocol)
        try:
            self._reach.binding.apply(sock)
        except OSError:
            sock.close()
            raise
        return sock


async def _read(response: aiohttp.ClientResponse) -> object:
    """The body as a JSON value. Raises BadMessage for one that is too long or not JSON."""
    body = bytearray()
    async for chunk in response.content.iter_any():
        body += chunk
        if len(body) > _ANSWER_BYTES_MAX:
            raise BadMessage("control message", f"more than {_ANSWER_BYTES_MAX} bytes")
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        raise BadMessage("control message", "it is not JSON") from None
