"""One try at a paced or capacity run: asked for, carried by both ends, and told with its circumstances.

What the two methods share. Packets move in the bulk worker (probe/bulk); the event loop carries control. What
had arrived when a run breaks off is kept and says ``aborted``; a run of which nothing arrived, or whose
receiver was lost with its counts, is a `Failed`. Stands above control, below the methods.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from probe import circumstances, clock_judge, paced_outcome
from probe.bulk.client import PacedClient
from probe.bulk.pacer import packet_bytes
from probe.circumstances import Traffic
from probe.control import Control
from probe.linux import interface, segments
from probe.linux.interface import Counters
from probe.paced_outcome import Ends
from probe.reach import Reach
from probe.wire.control import Hello
from probe.wire.paced import PAYLOAD_BYTES, WORD_BYTES
from probe.wire.paced_control import PacedGrant, PacedReport, PacedRequest
from store.clock import Clock, Reading
from store.records import Circumstances, Direction, Document, Failed, Owner

_PACKET_BYTES = 1500  # an unknown way is taken to carry these, and what the kernel knows of it counts
_REPORT_S = 10.0
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4
_FOLLOW_S = 1.0

OnProgress = Callable[[str], None]
Found = TypeVar("Found", bound=Document)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A run as a method makes its record of it."""

    request: PacedRequest
    ends: Ends
    started_unix_ns: int
    circumstances: Circumstances
    names: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Carried:
    """The run as both ends saw it."""

    began: Reading
    ended: Reading
    mine: PacedReport
    theirs: PacedReport | None
    before: Counters | None
    after: Counters | None


@dataclass(slots=True, kw_only=True)
class PacedAttempt(Generic[Found]):
    """One run. A method says how it is asked for (`open`) and what is made of it (`judge`)."""

    what: str
    direction: Direction
    seconds: float
    payload_bytes: int | None  # None for the largest that fits the way
    where: Reach
    clock: Clock
    control: Control
    say: OnProgress

    async def open(self, payload_bytes: int) -> tuple[PacedGrant, PacedRequest] | Failed:
        """Ask for it; what was granted, and as what both ends then know it."""
        raise NotImplementedError

    def judge(self, told: Told) -> Found | str:
        """The record, or why there is none."""
        raise NotImplementedError

    def searches(self) -> bool:
        """Whether its sender searches for its rate."""
        return False

    def saying(self) -> str:
        """What is begun, for a person."""
        raise NotImplementedError

    async def run(self) -> Found | Failed:
        hello = await self.control.hello()
        if isinstance(hello, Failed):
            return self.failed(hello.why, hello.whose)
        if self.seconds > hello.seconds_max:
            why = f"the endpoint grants {hello.seconds_max} s a run at most, not {self.seconds:g}"
            return self.failed(why, Owner.HOUSE)
        addresses = await circumstances.addresses(self.where, hello)
        if not addresses:
            return self.failed(f"the name {self.where.invitation.host} does not resolve", Owner.UNKNOWN)
        payload_bytes = self.payload_bytes
        if payload_bytes is None:
            payload_bytes = await asyncio.to_thread(self._fitting, addresses[0])
        opened = await self.open(payload_bytes)
        if isinstance(opened, Failed):
            return self.failed(opened.why, opened.whose)
        grant, request = opened
        try:
            carried = await self._carry(grant, request, addresses)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.control.end_paced(grant.run)
        return (
            carried if isinstance(carried, Failed) else await self._judged(carried, request, hello, addresses)
        )

    def failed(self, why: str, whose: Owner) -> Failed:
        return Failed(
            what=self.what,
            why=why,
            whose=whose,
            started_unix_ns=self.clock.unix_ns(),
            handoff=self.where.handoff,
            endpoint=self.where.endpoint,
        )

    def _fitting(self, address: str) -> int:
        """The largest payload that the kernel knows to fit the way there, in packets of 1500 at most."""
        version = 6 if ":" in address else 4
        family = socket.AF_INET6 if version == 6 else socket.AF_INET
        fits = _PACKET_BYTES
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as sock:
            self.where.binding.apply(sock)
            sock.connect((address, self.where.invitation.port))
            fits = min(fits, segments.path_mtu_bytes(sock))
        found = fits - packet_bytes(0, version)
        return max(PAYLOAD_BYTES[0], found - found % WORD_BYTES)

    async def _carry(
        self, grant: PacedGrant, request: PacedRequest, addresses: Sequence[str]
    ) -> _Carried | Failed:
        way = await circumstances.way_out(self.where, addresses[0])
        async with PacedClient(on_progress=self._on_report) as client:
            why = await client.connect(
                grant, request, addresses=addresses, binding=self.where.binding, searches=self.searches()
            )
            if why is not None:
                return self.failed(f"the way for the packets did not open: {why}", Owner.UNKNOWN)
            self.say(self.saying())
            before = await circumstances.counters(way)
            began = self.clock.look()
            follow = asyncio.create_task(self._follow(grant.run), name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = self.clock.look()
            after = await circumstances.counters(way)
        return _Carried(
            began=began,
            ended=ended,
            mine=mine,
            theirs=await self._last_report(grant.run, ended=mine.why is not None),
            before=before,
            after=after,
        )

    async def _follow(self, run: str) -> None:
        """Say how an up run goes, which the far end alone knows."""
        while self.direction is Direction.UP:
            found = await self.control.paced_report(run)
            if isinstance(found, PacedReport):
                self._on_report(found)
            await asyncio.sleep(_FOLLOW_S)

    async def _last_report(self, run: str, *, ended: bool) -> PacedReport | None:
        """The far end's report once it has finished; the newest one it gave when that cannot be had.

        A run that has `ended` early here is ended there.
        """
        if ended:
            found = await self.control.end_paced(run)
            return found if isinstance(found, PacedReport) else None
        failures, newest = 0, None
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_REPORT_S):
                while failures < _REPORT_TRIES:
                    found = await self.control.paced_report(run)
                    if isinstance(found, Failed):
                        failures += 1
                        await asyncio.sleep(1)
                        continue
                    newest = found
                    if found.finished:
                        break
        return newest

    async def _judged(
        self, carried: _Carried, request: PacedRequest, hello: Hello, addresses: Sequence[str]
    ) -> Found | Failed:
        mine, theirs = carried.mine, carried.theirs
        up = self.direction is Direction.UP
        receiver, sender = (theirs, mine) if up else (mine, theirs)
        if receiver is None or receiver.received is None or not receiver.received.bins:
            why = mine.why or (theirs.why if theirs else None) or "nothing arrived"
            return self.failed(f"no packet was counted: {why}", Owner.UNKNOWN)
        whole = theirs is not None and all(end.finished and end.why is None for end in (mine, theirs))
        moved = clock_judge.moved(carried.began, carried.ended)
        ends = Ends(
            received=receiver.received,
            sent=sender.sent if sender else None,
            whole=whole,
            slept=moved.slept_ns > 0,
            clock_set=moved.step_ns != 0,
        )
        way = await circumstances.way_out(self.where, addresses[0])
        port = await asyncio.to_thread(interface.describe, way.interface) if way else None
        cpu = receiver.received.cpu_ratio, ends.sent.cpu_ratio if ends.sent else None
        known = circumstances.found(
            hello,
            way=way,
            port=port,
            traffic=Traffic(
                before=carried.before,
                after=carried.after,
                own=paced_outcome.own_traffic(request, ends),
                elapsed_ns=carried.ended.monotonic_ns - carried.began.monotonic_ns,
            ),
            probe_cpu_ratio=cpu[1] if up else cpu[0],
            endpoint_cpu_ratio=cpu[0] if up else cpu[1],
        )
        told = Told(
            request=request,
            ends=ends,
            started_unix_ns=carried.began.unix_ns,
            circumstances=known,
            names={"handoff": self.where.handoff, "endpoint": self.where.endpoint},
        )
        found = self.judge(told)
        return self.failed(found, Owner.UNKNOWN) if isinstance(found, str) else found

    def _on_report(self, report: PacedReport) -> None:
        found = report.received
        if found is not None and not report.finished:
            self.say(f"{found.packets} packets arrived, {found.expected - found.packets} missing so far")


def silent(_: str) -> None:
    """Progress nobody asked for."""
