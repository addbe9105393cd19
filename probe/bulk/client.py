"""The probe's bulk traffic: a worker for one run, connected, let go, listened to.

Runs on the probe's event loop; payload stays in the worker, which lives for this run only.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

from probe.bulk.process import Event, WorkerProcess
from probe.bulk.stream_source import Stream
from probe.bulk.worker import Job, PacedJob, RehearsalJob
from probe.reach import Binding
from probe.wire.control import ReceiverReport, RunGrant, SenderReport, decode, encode
from probe.wire.paced_control import PacedGrant, PacedReceived, PacedReport, PacedRequest, PacedSent
from probe.wire.rehearsal_control import Received, RehearsalGrant, RehearsalReport, Sent
from store.records import Direction, Owner


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientReport:
    """A run at the probe: the sender's view of up, the receiver's of down, as far as each began.

    `why` is None when the run ran its time; `moved_bytes` is payload received and handed to the kernel.
    """

    finished: bool
    why: str | None
    up: SenderReport | None
    down: ReceiverReport | None
    moved_bytes: int


DIED = "the probe's bulk worker died"
_NOTHING = ClientReport(finished=False, why=None, up=None, down=None, moved_bytes=0)


def whose(why: str) -> Owner:
    """Whose it is that flows did not open: this host's where its own worker is gone."""
    return Owner.HOUSE if why == DIED else Owner.UNKNOWN


class _Client:
    """A worker that connects, for one run. Use as ``async with``; leaving it ends whatever still flows."""

    def __init__(self) -> None:
        self._worker: WorkerProcess | None = None
        loop = asyncio.get_running_loop()
        self._ready: asyncio.Future[str | None] = loop.create_future()
        self._ended: asyncio.Future[None] = loop.create_future()

    async def __aenter__(self) -> Self:
        self._worker = await WorkerProcess.start(["connect"], on_event=self._on_event)
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._worker is not None:
            await self._worker.close()

    def stop(self, why: str) -> None:
        """End the run now; `run` then returns with `why`."""
        self._tell({"do": "stop", "why": why})

    async def _connected(self, job: Event) -> str | None:
        """Have the worker connect; None once it has, else why not."""
        self._tell(job)
        await self._until(self._ready)
        return self._ready.result() if self._ready.done() else DIED

    async def _went(self) -> bool:
        """Let it go and wait for its end; False when the worker died."""
        self._tell({"do": "go"})
        await self._until(self._ended)
        return self._ended.done()

    def _on_report(self, event: Event) -> None:
        raise NotImplementedError

    async def _until(self, future: asyncio.Future[Any]) -> None:
        """Wait for `future` or the worker's end, whichever comes first."""
        assert self._worker is not None  # noqa: S101 - for the type checker; we are within async with
        death = asyncio.create_task(self._worker.ended(), name="await the bulk worker's end")
        try:
            await asyncio.wait([future, death], return_when=asyncio.FIRST_COMPLETED)
        finally:
            death.cancel()
            await asyncio.gather(death, return_exceptions=True)

    def _tell(self, command: Event) -> None:
        if self._worker is not None:
            self._worker.tell(command)

    def _on_event(self, event: Event) -> None:
        match event["event"]:
            case "ready":
                self._ready.set_result(None)
            case "failed":
                self._ready.set_result(event["why"])
            case "run":
                self._on_report(event)
                if event["finished"]:
                    self._ended.set_result(None)


class FlowClient(_Client):
    """The flows of one rate run at the probe."""

    def __init__(self, *, on_progress: Callable[[ClientReport], None] | None = None) -> None:
        super().__init__()
        self._on_progress = on_progress
        self.report = _NOTHING

    async def connect(
        self,
        grant: RunGrant,
        *,
        addresses: Sequence[str],
        binding: Binding,
        seconds: float,
        congestion: str | None,
        up_at_most_bps: int | None = None,
    ) -> str | None:
        """Connect every flow of `grant`; None once all are ready, else why not.

        `addresses` (numeric) are tried in their order; `congestion` is for up flows, `up_at_most_bps` the
        payload that these send at most together.
        """
        job = Job(
            addresses=tuple(addresses),
            port=grant.port,
            interface=binding.interface,
            source=binding.source,
            up_tokens=grant.up_tokens,
            down_tokens=grant.down_tokens,
            seconds=seconds,
            congestion=congestion,
            up_at_most_bps=up_at_most_bps,
        )
        return await self._connected({"do": "job", **encode(job)})

    async def run(self) -> ClientReport:
        """Let all flows go at once and wait for their end; `finished` is False when the worker died."""
        return self.report if await self._went() else replace(self.report, why=DIED)

    def _on_report(self, event: Event) -> None:
        self.report = ClientReport(
            finished=event["finished"],
            why=event["why"],
            up=event["sender"] and decode(SenderReport, event["sender"]),
            down=event["receiver"] and decode(ReceiverReport, event["receiver"]),
            moved_bytes=event["bytes"],
        )
        if self._on_progress is not None:
            self._on_progress(self.report)


class PacedClient(_Client):
    """A paced run at the probe. `report` is how far it is, `moved_bytes` its payload here."""

    def __init__(self, *, on_progress: Callable[[PacedReport], None] | None = None) -> None:
        super().__init__()
        self._on_progress = on_progress
        self.report = PacedReport(finished=False, why=None, received=None, sent=None)
        self.moved_bytes = 0

    async def connect(
        self,
        grant: PacedGrant,
        request: PacedRequest,
        *,
        addresses: Sequence[str],
        binding: Binding,
        searches: bool = False,
    ) -> str | None:
        """Open the way to the first of `addresses` (numeric) that answers; None once it is, else why not.

        With `searches` the rate of the request is the most that the search may come to.
        """
        job = PacedJob(
            addresses=tuple(addresses),
            port=grant.port,
            interface=binding.interface,
            source=binding.source,
            up=request.direction == Direction.UP,
            key=grant.key,
            offered_bps=request.offered_bps,
            payload_bytes=request.payload_bytes,
            seconds=request.seconds,
            searches=searches,
            burst_packets=request.burst_packets,
        )
        return await self._connected({"do": "paced job", **encode(job)})

    async def run(self) -> PacedReport:
        """Let it go and wait for its end; `finished` is False when the worker died."""
        return self.report if await self._went() else replace(self.report, why=DIED)

    def _on_report(self, event: Event) -> None:
        self.moved_bytes = event["bytes"]
        self.report = PacedReport(
            finished=event["finished"],
            why=event["why"],
            received=event["receiver"] and decode(PacedReceived, event["receiver"]),
            sent=event["sender"] and decode(PacedSent, event["sender"]),
        )
        if self._on_progress is not None:
            self._on_progress(self.report)


class RehearsalClient(_Client):
    """A rehearsal at the probe. `report` is how far it is, `moved_bytes` its payload here."""

    def __init__(self, *, on_progress: Callable[[RehearsalReport], None] | None = None) -> None:
        super().__init__()
        self._on_progress = on_progress
        self.report = RehearsalReport(finished=False, why=None, received=None, sent=None)
        self.moved_bytes = 0

    async def connect(
        self,
        grant: RehearsalGrant,
        streams: Sequence[Stream],
        *,
        seconds: float,
        addresses: Sequence[str],
        binding: Binding,
    ) -> str | None:
        """Open every way to the first of `addresses` (numeric) that answers; None once all are, else why not.

        `streams` stand in the order of the grant's keys, which they take over.
        """
        job = RehearsalJob(
            addresses=tuple(addresses),
            tcp_port=grant.tcp_port,
            udp_port=grant.udp_port,
            interface=binding.interface,
            source=binding.source,
            streams=tuple(replace(one, key=key) for one, key in zip(streams, grant.keys, strict=True)),
            seconds=seconds,
        )
        return await self._connected({"do": "rehearsal job", **encode(job)})

    async def run(self) -> RehearsalReport:
        """Let it go and wait for its end; `finished` is False when the worker died."""
        return self.report if await self._went() else replace(self.report, why=DIED)

    def _on_report(self, event: Event) -> None:
        self.moved_bytes = event["bytes"]
        self.report = RehearsalReport(
            finished=event["finished"],
            why=event["why"],
            received=event["receiver"] and decode(Received, event["receiver"]),
            sent=event["sender"] and decode(Sent, event["sender"]),
        )
        if self._on_progress is not None:
            self._on_progress(self.report)
