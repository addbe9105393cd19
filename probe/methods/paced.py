"""A paced run: packets offered over UDP at a fixed rate in one direction, counted where they arrive.

Packets move in the bulk worker (probe/bulk); the event loop carries control. What had arrived when a run
breaks off is kept and says ``aborted``; a run of which nothing arrived, or whose receiver was lost with its
counts, is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from probe import circumstances, clock_judge, paced_outcome
from probe.bulk.client import PacedClient
from probe.bulk.pacer import packet_bytes
from probe.circumstances import Look, Traffic
from probe.control import Control
from probe.linux import segments
from probe.paced_outcome import Ends
from probe.reach import Reach
from probe.wire.control import Hello
from probe.wire.paced import PAYLOAD_BYTES, WORD_BYTES
from probe.wire.paced_control import PacedGrant, PacedReport, PacedRequest
from store.clock import Clock, Reading
from store.errors import UserMistake
from store.paced import OFFERED_BPS, PacedRun
from store.records import Direction, Failed, Owner

WHAT = "run paced"

_PACKET_BYTES = 1500  # an unknown way is taken to carry these, and what the kernel knows of it counts
_REPORT_S = 10.0
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4
_FOLLOW_S = 1.0

OnProgress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedPlan:
    """What to run: `offered_bps` at the IP layer; `payload_bytes` None for the largest that fits the way.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    offered_bps: int
    seconds: float
    payload_bytes: int | None = None

    def __post_init__(self) -> None:
        low, high = OFFERED_BPS
        if self.direction is Direction.BOTH:
            raise UserMistake("direction: a paced run has one; expected up or down")
        if not low <= self.offered_bps <= high:
            raise UserMistake(f"offered: expected 100 kb/s to 10 Gb/s, not {self.offered_bps} bit/s")
        if not self.seconds >= 1:
            raise UserMistake(f"seconds: expected 1 or more, not {self.seconds:g}")
        low, high = PAYLOAD_BYTES
        size = self.payload_bytes
        if size is not None and (not low <= size <= high or size % WORD_BYTES):
            raise UserMistake(
                f"payload: expected a multiple of {WORD_BYTES} from {low} to {high}, not {size}"
            )


async def run(
    plan: PacedPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> PacedRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        attempt = _Attempt(plan=plan, where=where, clock=clock, control=control, say=on_progress or _silent)
        return await attempt.run()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Carried:
    """The run as both ends saw it."""

    began: Reading
    ended: Reading
    mine: PacedReport
    theirs: PacedReport | None
    before: Look
    after: Look


@dataclass(slots=True, kw_only=True)
class _Attempt:
    plan: PacedPlan
    where: Reach
    clock: Clock
    control: Control
    say: OnProgress

    async def run(self) -> PacedRun | Failed:
        hello = await self.control.hello()
        if isinstance(hello, Failed):
            return self._failed(hello.why, hello.whose)
        if self.plan.seconds > hello.seconds_max:
            why = f"the endpoint grants {hello.seconds_max} s a run at most, not {self.plan.seconds:g}"
            return self._failed(why, Owner.HOUSE)
        addresses = await circumstances.addresses(self.where, hello)
        if not addresses:
            return self._failed(f"the name {self.where.invitation.host} does not resolve", Owner.UNKNOWN)
        payload_bytes = self.plan.payload_bytes
        if payload_bytes is None:
            payload_bytes = await asyncio.to_thread(self._fitting, addresses[0])
        request = PacedRequest(
            direction=str(self.plan.direction),
            offered_bps=self.plan.offered_bps,
            payload_bytes=payload_bytes,
            seconds=self.plan.seconds,
        )
        grant = await self.control.open_paced(request)
        if isinstance(grant, Failed):
            return self._failed(grant.why, grant.whose)
        try:
            carried = await self._carry(grant, request, addresses)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.control.end_paced(grant.run)
        return (
            carried if isinstance(carried, Failed) else await self._judged(carried, request, hello, addresses)
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
            why = await client.connect(grant, request, addresses=addresses, binding=self.where.binding)
            if why is not None:
                return self._failed(f"the way for the packets did not open: {why}", Owner.UNKNOWN)
            self.say(
                f"{self.plan.offered_bps / 1e6:g} Mb/s {self.plan.direction} for {self.plan.seconds:g} s"
            )
            before = await circumstances.look(way)
            began = self.clock.look()
            follow = asyncio.create_task(self._follow(grant.run), name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = self.clock.look()
            after = await circumstances.look(way)
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
        while self.plan.direction is Direction.UP:
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
    ) -> PacedRun | Failed:
        mine, theirs = carried.mine, carried.theirs
        up = self.plan.direction is Direction.UP
        receiver, sender = (theirs, mine) if up else (mine, theirs)
        if receiver is None or receiver.received is None or not receiver.received.bins:
            why = mine.why or (theirs.why if theirs else None) or "nothing arrived"
            return self._failed(f"no packet was counted: {why}", Owner.UNKNOWN)
        whole = theirs is not None and all(end.finished and end.why is None for end in (mine, theirs))
        moved = clock_judge.moved(carried.began, carried.ended)
        ends = Ends(
            received=receiver.received,
            sent=sender.sent if sender else None,
            whole=whole,
            slept=moved.slept_ns > 0,
            clock_set=moved.step_ns != 0,
        )
        cpu = receiver.received.cpu_ratio, ends.sent.cpu_ratio if ends.sent else None
        known = circumstances.found(
            hello.your_address,
            where=self.where,
            around=await circumstances.surroundings(self.where, addresses[0]),
            traffic=Traffic(
                before=carried.before,
                after=carried.after,
                own=paced_outcome.own_traffic(request, ends),
                elapsed_ns=carried.ended.monotonic_ns - carried.began.monotonic_ns,
            ),
            probe_cpu_ratio=cpu[1] if up else cpu[0],
            endpoint_cpu_ratio=cpu[0] if up else cpu[1],
        )
        return paced_outcome.record(
            request,
            ends,
            started_unix_ns=carried.began.unix_ns,
            circumstances=known,
            names={"handoff": self.where.handoff, "endpoint": self.where.endpoint},
            rules=self.where.evidence,
        )

    def _on_report(self, report: PacedReport) -> None:
        found = report.received
        if found is not None and not report.finished:
            self.say(f"{found.packets} packets arrived, {found.expected - found.packets} missing so far")

    def _failed(self, why: str, whose: Owner) -> Failed:
        return Failed(
            what=WHAT,
            why=why,
            whose=whose,
            started_unix_ns=self.clock.unix_ns(),
            handoff=self.where.handoff,
            endpoint=self.where.endpoint,
        )


def _silent(_: str) -> None:
    """Progress nobody asked for."""
