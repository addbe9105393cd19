"""A rehearsal: a stream plan's frames, all destinations at once, to an endpoint that says when they arrived.

Each stream goes as the plan has it, a push over TCP, UDP with repeats on request, or RTP, from an encoder's
send buffer (`probe.bulk.encoder`). It fills the line as far as the show would. What had arrived when it
breaks off is kept and says ``aborted``, as long as the endpoint can still be asked; else it is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass

from probe import circumstances, clock_judge, rehearsal_outcome
from probe.bulk.client import RehearsalClient, whose
from probe.bulk.stream_source import Stream
from probe.circumstances import Look, Traffic
from probe.control import Control
from probe.methods.carrying import OnProgress, Way
from probe.reach import Reach
from probe.rehearsal_outcome import Ends
from probe.wire.rehearsal_control import (
    RehearsalGrant,
    RehearsalReport,
    RehearsalRequest,
    StreamRequest,
)
from store import demand
from store.clock import Clock, Reading
from store.errors import UserMistake
from store.records import Circumstances, Failed, Owner
from store.rehearsals import Rehearsal
from store.site import Destination, StreamPlan

WHAT = "run rehearsal"
SECONDS_MAX = 3600

_FOLLOW_S = 0.5
_REPORT_S = 15.0
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4
_SAY_S = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalPlan:
    """What to run. Raises UserMistake for figures no endpoint could grant."""

    stream: StreamPlan
    seconds: float

    def __post_init__(self) -> None:
        if not 1 <= self.seconds <= SECONDS_MAX:
            raise UserMistake(f"seconds: expected 1 to {SECONDS_MAX}, not {self.seconds:g}")


async def run(
    plan: RehearsalPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> Rehearsal | Failed:
    """Run once. Cancelled, it ends at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        way = await Way.find(control, where, clock, what=WHAT, say=on_progress)
        if isinstance(way, Failed):
            return way
        return await _Attempt(plan=plan, way=way).run()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    began: Reading
    ended: Reading
    mine: RehearsalReport
    theirs: RehearsalReport | None
    before: Look
    after: Look


@dataclass(slots=True, kw_only=True)
class _Attempt:
    plan: RehearsalPlan
    way: Way
    said_s: int = 1 - _SAY_S

    async def run(self) -> Rehearsal | Failed:
        longest = self.way.hello.rehearsal_seconds_max
        if longest is not None and self.plan.seconds > longest:
            why = f"the endpoint grants {longest} s a rehearsal at most, not {self.plan.seconds:g}"
            return self.way.failed(why, Owner.HOUSE)
        request = RehearsalRequest(
            streams=tuple(_asked(one) for one in self.plan.stream.destinations), seconds=self.plan.seconds
        )
        grant = await self.way.control.open_rehearsal(request)
        if isinstance(grant, Failed):
            return self.way.failed(grant.why, grant.whose)
        try:
            seen = await self._seen(grant)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.way.control.end_rehearsal(grant.run)
        return seen if isinstance(seen, Failed) else await self._told(seen)

    async def _seen(self, grant: RehearsalGrant) -> _Seen | Failed:
        way, clock = self.way, self.way.clock
        out = await circumstances.way_out(way.where, way.addresses[0])
        async with RehearsalClient(on_progress=self._on_report) as client:
            why = await client.connect(
                grant,
                [_stream(one) for one in self.plan.stream.destinations],
                seconds=self.plan.seconds,
                addresses=way.addresses,
                binding=way.where.binding,
            )
            if why is not None:
                return way.failed(f"the way for the streams did not open: {why}", whose(why))
            names = ", ".join(one.name for one in self.plan.stream.destinations)
            way.say(f"plan {self.plan.stream.name} ({names}) for {self.plan.seconds:g} s")
            before = await circumstances.look(out)
            began = clock.look()
            follow = asyncio.create_task(self._follow(grant.run, client), name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = clock.look()
            after = await circumstances.look(out)
        return _Seen(
            began=began,
            ended=ended,
            mine=mine,
            theirs=await self._last_report(grant.run, ended=mine.why is not None),
            before=before,
            after=after,
        )

    async def _follow(self, run: str, client: RehearsalClient) -> None:
        """End it here too when it was ended there: datagrams alone would not tell for a second and a half."""
        while True:
            found = await self.way.control.rehearsal_report(run)
            if isinstance(found, RehearsalReport) and found.finished and found.why is not None:
                client.stop(f"the endpoint ended it: {found.why}")
                return
            await asyncio.sleep(_FOLLOW_S)

    async def _last_report(self, run: str, *, ended: bool) -> RehearsalReport | None:
        """The far end's report once it has finished; one that has `ended` early here is ended there."""
        if ended:
            found = await self.way.control.end_rehearsal(run)
            return found if isinstance(found, RehearsalReport) else None
        failures, newest = 0, None
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_REPORT_S + self._longest_buffer_s()):
                while failures < _REPORT_TRIES:
                    found = await self.way.control.rehearsal_report(run)
                    if isinstance(found, Failed):
                        failures += 1
                        await asyncio.sleep(1)
                        continue
                    newest = found
                    if found.finished:
                        break
        return newest

    async def _told(self, seen: _Seen) -> Rehearsal | Failed:
        mine, theirs = seen.mine, seen.theirs
        received = theirs.received if theirs is not None and theirs.finished else None
        if mine.sent is None or not mine.finished:
            return self.way.failed(f"nothing was sent: {mine.why or 'it never began'}", Owner.HOUSE)
        if received is None:
            why = mine.why or (theirs.why if theirs else None) or "the endpoint did not say what arrived"
            return self.way.failed(f"no frame was counted: {why}", Owner.UNKNOWN)
        if len(received.streams) != len(self.plan.stream.destinations):
            return self.way.failed("the endpoint tells of other streams than were sent", Owner.ENDPOINT)
        moved = clock_judge.moved(seen.began, seen.ended)
        ends = Ends(
            received=received,
            sent=mine.sent,
            whole=theirs is not None and mine.why is None and theirs.why is None,
            slept=moved.slept_ns > 0,
            clock_set=moved.step_ns != 0,
        )
        return rehearsal_outcome.record(
            self.plan.stream,
            ends,
            seconds=self.plan.seconds,
            started_unix_ns=seen.began.unix_ns,
            circumstances=await self._around(seen, ends),
            names=self.way.names,
            rules=self.way.where.evidence,
        )

    async def _around(self, seen: _Seen, ends: Ends) -> Circumstances:
        where = self.way.where
        return circumstances.found(
            self.way.hello.your_address,
            where=where,
            around=await circumstances.surroundings(where, self.way.addresses[0]),
            traffic=Traffic(
                before=seen.before,
                after=seen.after,
                own=rehearsal_outcome.own_traffic(self.plan.stream, ends.sent),
                elapsed_ns=seen.ended.monotonic_ns - seen.began.monotonic_ns,
            ),
            probe_cpu_ratio=ends.sent.cpu_ratio,
            endpoint_unwell=self.way.hello.unwell,
            endpoint_cpu_ratio=ends.received.cpu_ratio,
        )

    def _on_report(self, report: RehearsalReport) -> None:
        """Say how it goes, every few seconds."""
        if report.sent is None or report.finished:
            return
        pairs = zip(report.sent.streams, self.plan.stream.destinations, strict=True)
        seconds = max(int(told.frames / asked.frames_per_second) for told, asked in pairs)
        if seconds < self.said_s + _SAY_S:
            return
        self.said_s = seconds
        left_out = sum(one.dropped + one.waited for one in report.sent.streams)
        self.way.say(f"after {seconds} s: {left_out} frames left out")

    def _longest_buffer_s(self) -> float:
        return max(one.buffer_s for one in self.plan.stream.destinations)


def _asked(destination: Destination) -> StreamRequest:
    return StreamRequest(
        transport=str(destination.transport),
        frames_per_second=destination.frames_per_second,
        group=_group(destination),
        buffer_s=destination.buffer_s,
        ip_bps=demand.peak_bps(destination),
    )


def _stream(destination: Destination) -> Stream:
    return Stream(
        transport=str(destination.transport),
        key=b"",  # the grant has it
        video_bps=destination.video_bps,
        audio_bps=destination.audio_bps,
        frames_per_second=destination.frames_per_second,
        group=_group(destination),
        window_s=destination.buffer_s,
        repeat_bps=round(demand.demand_bps(destination) * destination.repeat_ceiling),
    )


def _group(destination: Destination) -> int:
    """Frames from one keyframe to the next."""
    return max(1, round(destination.frames_per_second * destination.keyframe_s))
