"""The endpoint's bulk traffic: a worker that takes flows, and what is known of each run.

Runs on the endpoint's event loop; payload stays in the worker. A worker that dies is started anew,
and its runs count as ended.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from probe.bulk.process import Event, WorkerProcess
from probe.bulk.worker import Admission, PacedAdmission, RehearsalAdmission
from probe.wire.control import ReceiverReport, RunReport, SenderReport, decode, encode
from probe.wire.paced_control import PacedReceived, PacedReport, PacedSent
from probe.wire.rehearsal_control import Received, RehearsalReport, Sent
from store.clock import Clock

log = logging.getLogger(__name__)

_RESTART_S = 1.0  # so that a worker that cannot live does not keep a core busy dying

_ADMITTED = RunReport(finished=False, why=None, up=None, down=None)
_PACED = PacedReport(finished=False, why=None, received=None, sent=None)


_REHEARSAL = RehearsalReport(finished=False, why=None, received=None, sent=None)

AnyReport = RunReport | PacedReport | RehearsalReport


@dataclass(slots=True, kw_only=True)
class _Known:
    active_ns: int
    report: AnyReport
    moved_bytes: int = 0
    ended: asyncio.Event = field(default_factory=asyncio.Event)


class FlowServer:
    """Rate flows at the endpoint. Names of runs are the caller's; KeyError for one not admitted."""

    def __init__(self, sockets: Sequence[socket.socket], *, clock: Clock) -> None:
        self._sockets = tuple(sockets)
        self._clock = clock
        self._runs: dict[str, _Known] = {}
        self._worker: WorkerProcess | None = None
        self._untold: list[Event] = []  # for the next worker, while none runs
        self._keeping: asyncio.Task[None] | None = None

    @classmethod
    async def start(cls, sockets: Sequence[socket.socket], *, clock: Clock) -> FlowServer:
        """Start the worker on `sockets`, which are bound and listening; they stay the caller's to close."""
        server = cls(sockets, clock=clock)
        server._worker = await server._start_worker()
        server._keeping = asyncio.create_task(server._keep(), name="keep the bulk worker running")
        return server

    def admit(
        self,
        run: str,
        *,
        up_tokens: Sequence[bytes],
        down_tokens: Sequence[bytes],
        seconds: float,
        congestion: str | None,
        bytes_max: int | None,
        down_at_most_bps: int | None = None,
    ) -> None:
        """Take the flows that present these tokens, each once; `bytes_max` caps both directions' payload.

        `down_at_most_bps` is the payload that the down flows send at most together.
        """
        self._runs[run] = _Known(active_ns=self._clock.monotonic_ns(), report=_ADMITTED)
        admission = Admission(
            run=run,
            up_tokens=tuple(up_tokens),
            down_tokens=tuple(down_tokens),
            seconds=seconds,
            congestion=congestion,
            bytes_max=bytes_max,
            down_at_most_bps=down_at_most_bps,
        )
        self._tell({"do": "admit", **encode(admission)})

    def admit_paced(self, asked: PacedAdmission) -> None:
        """Take the paced run of whoever shows this key, once; its report is a `PacedReport`."""
        self._runs[asked.run] = _Known(active_ns=self._clock.monotonic_ns(), report=_PACED)
        self._tell({"do": "admit paced", **encode(asked)})

    def admit_rehearsal(self, asked: RehearsalAdmission) -> None:
        """Take the streams that show these keys, each once; the report is a `RehearsalReport`."""
        self._runs[asked.run] = _Known(active_ns=self._clock.monotonic_ns(), report=_REHEARSAL)
        self._tell({"do": "admit rehearsal", **encode(asked)})

    async def finished(self, run: str, *, timeout_s: float) -> AnyReport:
        """The report once the run has ended, or its present state after `timeout_s`."""
        known = self._runs[run]
        try:
            async with asyncio.timeout(timeout_s):
                await known.ended.wait()
        except TimeoutError:
            pass
        return known.report

    def report(self, run: str) -> AnyReport:
        """What is known of the run now, at most half a second old."""
        return self._runs[run].report

    def spent_bytes(self, run: str) -> int:
        """Payload that the run has moved in both directions, at most half a second old."""
        return self._runs[run].moved_bytes

    def last_activity_ns(self, run: str) -> int:
        """When payload last moved, by the monotonic clock, to half a second; the admission at first."""
        return self._runs[run].active_ns

    def abort(self, run: str, why: str) -> None:
        """End the run's flows now; its report says `why`. An ended run stays as it is."""
        self._tell({"do": "abort", "run": run, "why": why})

    def forget(self, run: str) -> None:
        """Drop an ended run's report; a run that still has flows is aborted first."""
        if not self._runs[run].ended.is_set():
            self.abort(run, "forgotten")
        del self._runs[run]

    async def close(self) -> None:
        """End every flow and the worker."""
        if self._keeping is not None:
            self._keeping.cancel()
            await asyncio.gather(self._keeping, return_exceptions=True)
        if self._worker is not None:
            await self._worker.close()
            self._worker = None
        self._end_all("the endpoint is closing")

    async def _start_worker(self) -> WorkerProcess:
        numbers = [sock.fileno() for sock in self._sockets]
        return await WorkerProcess.start(
            ["listen", *map(str, numbers)], pass_fds=numbers, on_event=self._on_event
        )

    async def _keep(self) -> None:
        while True:
            if self._worker is not None:
                await self._worker.ended()
                dead, self._worker = self._worker, None
                await dead.close()
                log.warning("bulk worker ended pid=%d", dead.pid)
                self._end_all("the endpoint's bulk worker died")
            await asyncio.sleep(_RESTART_S)
            try:
                self._worker = await self._start_worker()
            except OSError as error:
                log.error("bulk worker not started why=%s", error)
                continue
            untold, self._untold = self._untold, []
            for command in untold:
                self._worker.tell(command)

    def _tell(self, command: Event) -> None:
        if self._worker is None:
            self._untold.append(command)
        else:
            self._worker.tell(command)

    def _on_event(self, event: Event) -> None:
        known = self._runs.get(event["run"])
        if known is None:
            return  # forgotten meanwhile
        if event["bytes"] > known.moved_bytes:
            known.moved_bytes = event["bytes"]
            known.active_ns = self._clock.monotonic_ns()
        known.report = _report(event, kind=type(known.report))
        if known.report.finished:
            known.ended.set()

    def _end_all(self, why: str) -> None:
        for known in self._runs.values():
            if not known.ended.is_set():
                known.report = replace(known.report, finished=True, why=why)
                known.ended.set()


def _report(event: Event, *, kind: type[AnyReport]) -> AnyReport:
    finished, why, received, sent = (event[each] for each in ("finished", "why", "receiver", "sender"))
    if kind is RehearsalReport:
        return RehearsalReport(
            finished=finished,
            why=why,
            received=received and decode(Received, received),
            sent=sent and decode(Sent, sent),
        )
    if kind is PacedReport:
        return PacedReport(
            finished=finished,
            why=why,
            received=received and decode(PacedReceived, received),
            sent=sent and decode(PacedSent, sent),
        )
    return RunReport(
        finished=finished,
        why=why,
        up=received and decode(ReceiverReport, received),
        down=sent and decode(SenderReport, sent),
    )
