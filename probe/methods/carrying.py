"""The way to an endpoint for paced packets, and what both ends saw of what went over it.

What every method of paced packets shares: one way is found, then one run or burst after the other is opened,
carried in the bulk worker and told. The event loop carries control. A run that breaks off keeps what had
arrived; one of which nothing was counted is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from probe import circumstances, clock_judge, paced_outcome
from probe.bulk.client import PacedClient, whose
from probe.bulk.pacer import packet_bytes
from probe.circumstances import Look, Traffic
from probe.control import Control
from probe.linux import segments
from probe.paced_outcome import Ends
from probe.reach import Reach
from probe.wire.control import Hello
from probe.wire.paced import PAYLOAD_BYTES, STEP_BYTES
from probe.wire.paced_control import CapacityRequest, PacedGrant, PacedReport, PacedRequest
from store.clock import Clock, Reading
from store.records import Circumstances, Direction, Failed, Owner

_PACKET_BYTES = 1500  # an unknown way is taken to carry these, and what the kernel knows of it counts
_REPORT_S = 10.0
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4
_FOLLOW_S = 1.0

OnProgress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """A run as both ends saw it: `ends` what they told, `around` what else was true."""

    request: PacedRequest
    started_unix_ns: int
    ends: Ends
    around: Circumstances


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    began: Reading
    ended: Reading
    mine: PacedReport
    theirs: PacedReport | None
    before: Look
    after: Look


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way that is open as long as its `control` is. `what` is what a failure is called."""

    what: str
    where: Reach
    clock: Clock
    control: Control
    say: OnProgress
    hello: Hello
    addresses: tuple[str, ...]

    @classmethod
    async def find(
        cls, control: Control, where: Reach, clock: Clock, *, what: str, say: OnProgress | None
    ) -> Way | Failed:
        """Ask the endpoint who it is, and where it is."""
        hello = await control.hello()
        if isinstance(hello, Failed):
            return where.failed(what, hello.why, hello.whose, started_unix_ns=clock.unix_ns())
        addresses = await circumstances.addresses(where, hello)
        if not addresses:
            why = f"the name {where.invitation.host} does not resolve"
            return where.failed(what, why, Owner.UNKNOWN, started_unix_ns=clock.unix_ns())
        return cls(
            what=what,
            where=where,
            clock=clock,
            control=control,
            say=say or (lambda _: None),
            hello=hello,
            addresses=tuple(addresses),
        )

    @property
    def ip_version(self) -> int:
        """That of the address which is tried first."""
        return 6 if ":" in self.addresses[0] else 4

    @property
    def names(self) -> dict[str, str]:
        return {"handoff": self.where.handoff, "endpoint": self.where.endpoint}

    def failed(self, why: str, whose: Owner) -> Failed:
        """What it is when nothing could be measured."""
        return self.where.failed(self.what, why, whose, started_unix_ns=self.clock.unix_ns())

    def too_long(self, seconds: float) -> Failed | None:
        """The failure when the endpoint grants no run of so many seconds."""
        if seconds <= self.hello.seconds_max:
            return None
        why = f"the endpoint grants {self.hello.seconds_max} s a run at most, not {seconds:g}"
        return self.failed(why, Owner.HOUSE)

    async def fitting_bytes(self) -> int:
        """The largest payload that the kernel knows to fit the way there, in packets of 1500 at most."""
        return await asyncio.to_thread(self._fitting_bytes)

    async def carry(self, request: PacedRequest) -> Carried | Failed:
        """One run from opening to the last report. Cancelled, it ends at both ends before it lets go."""
        return await self._carried(self.control.open_paced(request), lambda grant: request)

    async def search(self, asked: CapacityRequest) -> Carried | Failed:
        """As `carry`, with a sender that searches; the request then offers the most that it may come to."""

        def granted(grant: PacedGrant) -> PacedRequest | str:
            if grant.most_bps is None:
                return "the endpoint does not say how much the run may offer"
            return PacedRequest(
                direction=asked.direction,
                offered_bps=grant.most_bps,
                payload_bytes=asked.payload_bytes,
                seconds=asked.seconds,
            )

        return await self._carried(self.control.open_capacity(asked), granted)

    async def _carried(
        self,
        asking: Coroutine[Any, Any, PacedGrant | Failed],
        granted: Callable[[PacedGrant], PacedRequest | str],
    ) -> Carried | Failed:
        opening = asyncio.create_task(asking, name="open a paced run")
        try:
            grant = await asyncio.shield(opening)
            if isinstance(grant, Failed):
                return self.failed(grant.why, grant.whose)
            request = granted(grant)
            if isinstance(request, str):
                return self.failed(request, Owner.ENDPOINT)
            seen = await self._seen(grant, request)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):  # also where the answer was still under way
                    opened = await opening
                    if not isinstance(opened, Failed):
                        await self.control.end_paced(opened.run)
        return seen if isinstance(seen, Failed) else await self._told(seen, request)

    def _fitting_bytes(self) -> int:
        family = socket.AF_INET6 if self.ip_version == 6 else socket.AF_INET
        fits = _PACKET_BYTES
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as sock:
            self.where.binding.apply(sock)
            sock.connect((self.addresses[0], self.where.invitation.port))
            fits = min(fits, segments.path_mtu_bytes(sock))
        found = fits - packet_bytes(0, self.ip_version)
        return max(PAYLOAD_BYTES[0], found - found % STEP_BYTES)

    async def _seen(self, grant: PacedGrant, request: PacedRequest) -> _Seen | Failed:
        way = await circumstances.way_out(self.where, self.addresses[0])
        async with PacedClient(on_progress=self._on_report) as client:
            why = await client.connect(
                grant,
                request,
                addresses=self.addresses,
                binding=self.where.binding,
                searches=grant.most_bps is not None,
            )
            if why is not None:
                return self.failed(f"the way for the packets did not open: {why}", whose(why))
            before = await circumstances.look(way)
            began = self.clock.look()
            follow = asyncio.create_task(self._follow(grant.run, request), name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = self.clock.look()
            after = await circumstances.look(way)
        return _Seen(
            began=began,
            ended=ended,
            mine=mine,
            theirs=await self._last_report(grant.run, ended=mine.why is not None),
            before=before,
            after=after,
        )

    async def _follow(self, run: str, request: PacedRequest) -> None:
        """Say how an up run goes, which the far end alone knows."""
        while request.direction == Direction.UP:
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

    async def _told(self, seen: _Seen, request: PacedRequest) -> Carried | Failed:
        mine, theirs = seen.mine, seen.theirs
        up = request.direction == Direction.UP
        receiver, sender = (theirs, mine) if up else (mine, theirs)
        if receiver is None or receiver.received is None or not receiver.received.bins:
            why = mine.why or (theirs.why if theirs else None) or "nothing arrived"
            return self.failed(f"no packet was counted: {why}", whose(why))
        if not paced_outcome.is_whole(receiver.received):
            return self.failed("the report of what arrived contradicts itself", Owner.ENDPOINT)
        whole = theirs is not None and all(end.finished and end.why is None for end in (mine, theirs))
        moved = clock_judge.moved(seen.began, seen.ended)
        ends = Ends(
            received=receiver.received,
            sent=sender.sent if sender else None,
            whole=whole,
            slept=moved.slept_ns > 0,
            clock_set=moved.step_ns != 0,
        )
        return Carried(
            request=request,
            started_unix_ns=seen.began.unix_ns,
            ends=ends,
            around=await self._around(seen, request, ends),
        )

    async def _around(self, seen: _Seen, request: PacedRequest, ends: Ends) -> Circumstances:
        up = request.direction == Direction.UP
        cpu = ends.received.cpu_ratio, ends.sent.cpu_ratio if ends.sent else None
        return circumstances.found(
            self.hello.your_address,
            where=self.where,
            around=await circumstances.surroundings(self.where, self.addresses[0]),
            traffic=Traffic(
                before=seen.before,
                after=seen.after,
                own=paced_outcome.own_traffic(request, ends),
                elapsed_ns=seen.ended.monotonic_ns - seen.began.monotonic_ns,
            ),
            probe_cpu_ratio=cpu[1] if up else cpu[0],
            endpoint_cpu_ratio=cpu[0] if up else cpu[1],
            endpoint_unwell=self.hello.unwell,
        )

    def _on_report(self, report: PacedReport) -> None:
        found = report.received
        if found is not None and not report.finished:
            self.say(f"{found.packets} packets arrived, {found.expected - found.packets} missing so far")
