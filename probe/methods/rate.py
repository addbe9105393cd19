"""A TCP rate run: several flows up, down or both ways, counted where they arrive.

A train of small packets runs beside it, first alone and then under load. Payload moves in the bulk
worker (probe/bulk); the event loop carries control and the train. A run that breaks off keeps what
had arrived and says ``aborted``; one of which nothing arrived is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from probe import circumstances, clock_judge, rate_outcome, standing
from probe.bulk.client import ClientReport, FlowClient
from probe.circumstances import Traffic
from probe.control import Control
from probe.linux import interface
from probe.linux.interface import Counters
from probe.methods.train import TrainSession
from probe.rate_outcome import Around
from probe.reach import Reach
from probe.train_outcome import Tally
from probe.wire.control import Hello, ReceiverReport, RunGrant, RunReport, RunRequest, SenderReport
from store import pace as paces
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock, Reading
from store.errors import UserMistake
from store.histogram import Delays, delays_of
from store.pace import FULL, Pace
from store.records import (
    Carrier,
    Circumstances,
    Direction,
    Failed,
    Owner,
    RateRun,
    RateSide,
    Stamps,
)

WHAT = "run rate"
FLOWS_MAX = 16

_PACKET_BYTES = 112  # the smallest authenticated STAMP packet
_REPLY_NS = 5 * NS_PER_S  # a reply may wait in a deep queue
_FOLLOW_SHARE = 0.2  # between two looks at what the far end counted, of the time the run has taken
_REPORT_S = 20.0  # the far end's last report may wait behind a queue that still drains
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4  # a stopped run says goodbye to its train and its endpoint within this each

OnProgress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RatePlan:
    """What to run. `idle_s` is how long the train runs alone before, `per_second` how dense it is:
    ten take a quarter of a per cent of a 5 Mb/s line, which the flows then lack.

    `congestion` names a congestion control for the senders; None is cubic where a host lets us, else
    that host's own (`probe.bulk.worker.PREFERRED_CONGESTION`). With a `pace` it is a light run. Raises
    UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    flows: int
    seconds: float
    congestion: str | None = None
    idle_s: float = 2.0
    per_second: float = 10.0
    pace: Pace = FULL

    def __post_init__(self) -> None:
        if not 1 <= self.flows <= FLOWS_MAX:
            raise UserMistake(f"flows: expected 1 to {FLOWS_MAX}, not {self.flows}")
        if not self.seconds >= 1:
            raise UserMistake(f"seconds: expected 1 or more, not {self.seconds:g}")
        if (why := paces.too_little(self.pace, flows=self.flows)) is not None:
            raise UserMistake(f"at most: {why}")


async def run(
    plan: RatePlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> RateRun | Failed:
    """Run once. Cancelled, it ends the run at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        attempt = _Attempt(plan=plan, where=where, clock=clock, control=control, say=on_progress or _silent)
        return await attempt.run()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Load:
    """The loaded part as both ends saw it. `up` and `down` are as far as known, None for nothing."""

    began: Reading
    ended: Reading
    mine: ClientReport
    theirs: RunReport | None
    before: Counters | None
    after: Counters | None

    @property
    def elapsed_ns(self) -> int:
        return self.ended.monotonic_ns - self.began.monotonic_ns


@dataclass(slots=True, kw_only=True)
class _Attempt:
    plan: RatePlan
    where: Reach
    clock: Clock
    control: Control
    say: OnProgress
    seen: RunReport | None = field(default=None, init=False)  # the far end's newest report
    said_s: dict[Direction, int] = field(default_factory=dict, init=False)

    async def run(self) -> RateRun | Failed:
        hello = await self.control.hello()
        if isinstance(hello, Failed):
            return self._failed(hello.why, hello.whose)
        beyond = _beyond(self.plan, hello)
        if beyond is not None:
            return self._failed(beyond, Owner.HOUSE)
        if self.plan.pace.down_bps is not None and not hello.paces:
            why = "the endpoint is of a Linebook that cannot hold a run down to a rate; update it there"
            return self._failed(why, Owner.ENDPOINT)
        addresses = await circumstances.addresses(self.where, hello)
        if not addresses:
            return self._failed(f"the name {self.where.invitation.host} does not resolve", Owner.UNKNOWN)
        per_second = min(self.plan.per_second, hello.per_second_max)
        tally = Tally(spacing_ns=round(NS_PER_S / per_second), waiting_ns=_REPLY_NS)
        train = TrainSession(
            self.control,
            self.where,
            self.clock,
            tally=tally,
            per_second=per_second,
            packet_bytes=_PACKET_BYTES,
        )
        try:
            if await train.open() is None:  # a run without a train has no delays, and its rate all the same
                train.start()
                self.say(f"delay without load for {self.plan.idle_s:g} s")
                await asyncio.sleep(self.plan.idle_s)
            load = await self._loaded(addresses)
            if isinstance(load, Failed):
                return load
            return await self._judged(load, hello, tally, addresses[0])
        finally:
            train.stop()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await train.end()
            train.close()

    async def _loaded(self, addresses: Sequence[str]) -> _Load | Failed:
        request = RunRequest(
            direction=str(self.plan.direction),
            flows=self.plan.flows,
            seconds=self.plan.seconds,
            congestion=self.plan.congestion,
            down_at_most_bps=self.plan.pace.down_bps,
        )
        grant = await self.control.open_run(request)
        if isinstance(grant, Failed):
            return self._failed(grant.why, grant.whose)
        try:
            return await self._carry(grant, addresses)
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.control.end_run(grant.run)

    async def _carry(self, grant: RunGrant, addresses: Sequence[str]) -> _Load | Failed:
        way = await circumstances.way_out(self.where, addresses[0])
        async with FlowClient(on_progress=self._on_report) as client:
            why = await client.connect(
                grant,
                addresses=addresses,
                binding=self.where.binding,
                seconds=self.plan.seconds,
                congestion=self.plan.congestion,
                up_at_most_bps=self.plan.pace.up_bps,
            )
            if why is not None:
                return self._failed(f"the flows did not connect: {why}", Owner.UNKNOWN)
            self.say(f"{self.plan.flows} flows {self.plan.direction} for {self.plan.seconds:g} s")
            before = await circumstances.counters(way)
            began = self.clock.look()
            following = self._follow(grant.run, began.monotonic_ns)
            follow = asyncio.create_task(following, name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = self.clock.look()
            after = await circumstances.counters(way)
        return _Load(
            began=began,
            ended=ended,
            mine=mine,
            theirs=await self._last_report(grant.run),
            before=before,
            after=after,
        )

    async def _follow(self, run: str, began_ns: int) -> None:
        """Ask what the far end counted, so that its death costs the last part of an up run only.

        The share of the time between two questions keeps their cost small however long the bins get.
        """
        while self.plan.direction is not Direction.DOWN:
            found = await self.control.run_report(run)
            if isinstance(found, RunReport):
                self.seen = found
                self._say_rate(Direction.UP, found.up.bins if found.up else ())
            await asyncio.sleep(max(0.5, (self.clock.monotonic_ns() - began_ns) / NS_PER_S * _FOLLOW_SHARE))

    async def _last_report(self, run: str) -> RunReport | None:
        """The far end's report once it has finished; the newest one it gave when that cannot be had."""
        failures = 0
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_REPORT_S):
                while failures < _REPORT_TRIES:
                    found = await self.control.run_report(run)
                    if isinstance(found, Failed):
                        failures += 1
                        await asyncio.sleep(1)
                        continue
                    self.seen = found
                    if found.finished:
                        break
        return self.seen

    async def _judged(self, load: _Load, hello: Hello, tally: Tally, address: str) -> RateRun | Failed:
        way = await circumstances.way_out(self.where, address)
        port = await asyncio.to_thread(interface.describe, way.interface) if way else None
        idle_us, loaded_us = self._delays(load, tally)
        around = Around(
            direction=self.plan.direction,
            carrier=port.carrier if port else Carrier.UNKNOWN,
            port_rate_bps=port.port_rate_bps if port else None,
            rtt_idle_us=idle_us,
            rtt_loaded_us=loaded_us,
            pace=self.plan.pace,
        )
        mine, theirs = load.mine, load.theirs
        up = rate_outcome.side_of(
            theirs.up if theirs else None, mine.up, direction=Direction.UP, around=around
        )
        down = rate_outcome.side_of(
            mine.down, theirs.down if theirs else None, direction=Direction.DOWN, around=around
        )
        sides = [side for side in (up, down) if side is not None]
        if not sides:
            why = mine.why or (theirs.why if theirs else None) or "nothing arrived"
            return self._failed(f"no payload was counted: {why}", Owner.UNKNOWN)
        known = circumstances.found(
            hello,
            way=way,
            port=port,
            traffic=Traffic(
                before=load.before,
                after=load.after,
                own=rate_outcome.own_traffic(up, down),
                elapsed_ns=load.elapsed_ns,
            ),
            probe_cpu_ratio=_cpu_ratio(mine.up, mine.down),
            endpoint_cpu_ratio=_cpu_ratio(theirs.up, theirs.down) if theirs else None,
        )
        return RateRun(
            handoff=self.where.handoff,
            endpoint=self.where.endpoint,
            started_unix_ns=load.began.unix_ns,
            seconds=self.plan.seconds,
            direction=self.plan.direction,
            flows=self.plan.flows,
            up=up,
            down=down,
            rtt_idle_us=idle_us,
            rtt_loaded_us=loaded_us,
            timestamps=_stamps(tally),
            spent_bytes=mine.moved_bytes + (mine.up.retransmitted_bytes if mine.up else 0),
            # whoever has the ceilings on record judges by them (probe.ceilings)
            reasons=(*standing.reasons(self._facts(load, up, down, known)), standing.CEILING_UNKNOWN),
            circumstances=known,
            at_most_up_goodput_bps=self.plan.pace.up_bps,
            at_most_down_goodput_bps=self.plan.pace.down_bps,
        )

    def _facts(
        self, load: _Load, up: RateSide | None, down: RateSide | None, known: Circumstances
    ) -> standing.RunFacts:
        pairs = [(up, known.other_up_bps), (down, known.other_down_bps)]
        measured = [(side, other) for side, other in pairs if side is not None]
        wanted = 2 if self.plan.direction is Direction.BOTH else 1
        clock = clock_judge.moved(load.began, load.ended)
        return standing.RunFacts(
            seconds=self.plan.seconds,
            carrier=known.carrier,
            limits=[side.limited_by for side, _ in measured],
            goodput_bps=[side.rates.goodput_bps for side, _ in measured],
            other_bps=[other for _, other in measured],
            light=bool(self.plan.pace),
            aborted=len(measured) < wanted or not _ran_its_time(load),
            whole_seconds=min(rate_outcome.whole_seconds(side) for side, _ in measured),
            slept=clock.slept_ns > 0,
            clock_set=clock.step_ns != 0,
        )

    def _delays(self, load: _Load, tally: Tally) -> tuple[Delays | None, Delays | None]:
        """RTT before the load, and RTT of packets sent within its steady window."""
        bins = round(self.plan.seconds * rate_outcome.BINS_PER_S)
        first, after = rate_outcome.steady_window(bins)
        bin_ns = rate_outcome.BIN_MS * NS_PER_MS
        began_ns = load.began.monotonic_ns
        return (
            _rtt_us(tally, 0, began_ns),
            _rtt_us(tally, began_ns + first * bin_ns, began_ns + after * bin_ns),
        )

    def _on_report(self, report: ClientReport) -> None:
        self._say_rate(Direction.DOWN, report.down.bins if report.down else ())

    def _say_rate(self, direction: Direction, bins: Sequence[int]) -> None:
        seconds = len(bins) // rate_outcome.BINS_PER_S
        if seconds > self.said_s.get(direction, 0):
            self.said_s[direction] = seconds
            mbps = sum(bins[-rate_outcome.BINS_PER_S :]) * 8 / 1e6
            self.say(f"{direction} after {seconds} s: {mbps:.2f} Mb/s payload")

    def _failed(self, why: str, whose: Owner) -> Failed:
        return Failed(
            what=WHAT,
            why=why,
            whose=whose,
            started_unix_ns=self.clock.unix_ns(),
            handoff=self.where.handoff,
            endpoint=self.where.endpoint,
        )


def _beyond(plan: RatePlan, hello: Hello) -> str | None:
    """The endpoint's limit that the plan goes beyond, as a sentence."""
    if plan.seconds > hello.seconds_max:
        return f"the endpoint grants {hello.seconds_max} s a run at most, not {plan.seconds:g}"
    if plan.flows > hello.flows_max:
        return f"the endpoint grants {hello.flows_max} flows a direction at most, not {plan.flows}"
    return None


def _ran_its_time(load: _Load) -> bool:
    mine, theirs = load.mine, load.theirs
    if theirs is None:
        return False
    return mine.finished and theirs.finished and mine.why is None and theirs.why is None


def _rtt_us(tally: Tally, from_ns: int, to_ns: int) -> Delays | None:
    """The RTTs of packets sent from `from_ns` to `to_ns` that were answered."""
    found = (tally.rtt_ns(index) for index in range(tally.first_since(from_ns), tally.first_since(to_ns)))
    return delays_of(rtt_ns // NS_PER_US for rtt_ns in found if rtt_ns is not None)


def _stamps(tally: Tally) -> Stamps:
    """KERNEL when at most one delay in a hundred rests on this program's clock."""
    outcome = tally.outcome(0, tally.after)
    return Stamps.KERNEL if outcome.received > 100 * outcome.from_clock else Stamps.CLOCK


def _cpu_ratio(*reports: ReceiverReport | SenderReport | None) -> float | None:
    return max((report.cpu_ratio for report in reports if report is not None), default=None)


def _silent(_: str) -> None:
    """Progress nobody asked for."""
