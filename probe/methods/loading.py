"""A TCP load on the way to an endpoint, and what both ends saw of it.

What every method that fills a line with flows shares: one way is found, then one load after the other is
granted, carried in the bulk worker, followed at the far end and told. A train of small packets can go beside
them. The event loop carries control and the train. A load that breaks off keeps what had arrived; one of
which nothing arrived is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace

from probe import circumstances, clock_judge, rate_outcome, standing
from probe.bulk.client import ClientReport, FlowClient, whose
from probe.circumstances import Look, Traffic
from probe.control import Control
from probe.methods.train import PACKET_BYTES, TrainSession
from probe.rate_outcome import Around
from probe.reach import Reach
from probe.train_outcome import Tally
from probe.wire.control import (
    Hello,
    ReceiverReport,
    RunGrant,
    RunReport,
    RunRequest,
    SenderReport,
    TrainCounts,
)
from store import pace as paces
from store.clock import NS_PER_S, Clock, Reading
from store.errors import UserMistake
from store.histogram import Delays
from store.pace import FULL, Pace
from store.records import Carrier, Circumstances, Direction, Failed, Owner, RateSide, Stamps
from store.site import Evidence

FLOWS_MAX = 16

_REPLY_NS = 5 * NS_PER_S  # a reply may wait in a deep queue
_FOLLOW_SHARE = 0.2  # between two looks at what the far end counted, of the time the load has taken
_REPORT_S = 20.0  # the far end's last report may wait behind a queue that still drains
_REPORT_TRIES = 3  # failures in a row
_LET_GO_S = 0.4  # a stopped load says goodbye to its train and its endpoint within this each

OnProgress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPlan:
    """What to send. `congestion` names a congestion control for the senders; None is cubic where a host lets
    us, else that host's own (`probe.bulk.worker.PREFERRED_CONGESTION`). With a `pace` it is a light load.

    Raises UserMistake for figures no endpoint could grant.
    """

    direction: Direction
    flows: int
    seconds: float
    congestion: str | None = None
    pace: Pace = FULL

    def __post_init__(self) -> None:
        if not 1 <= self.flows <= FLOWS_MAX:
            raise UserMistake(f"flows: expected 1 to {FLOWS_MAX}, not {self.flows}")
        if not self.seconds >= 1:
            raise UserMistake(f"seconds: expected 1 or more, not {self.seconds:g}")
        if (why := paces.too_little(self.pace, flows=self.flows)) is not None:
            raise UserMistake(f"at most: {why}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A load as both ends saw it, the far one as far as it could be asked."""

    plan: LoadPlan
    began: Reading
    ended: Reading
    mine: ClientReport
    theirs: RunReport | None
    before: Look
    after: Look

    @property
    def elapsed_ns(self) -> int:
        return self.ended.monotonic_ns - self.began.monotonic_ns

    @property
    def spent_bytes(self) -> int:
        """Payload both ways, with repeats, for the test allowance."""
        return self.mine.moved_bytes + (self.mine.up.retransmitted_bytes if self.mine.up else 0)

    @property
    def ran_its_time(self) -> bool:
        if self.theirs is None:
            return False
        return all(end.finished and end.why is None for end in (self.mine, self.theirs))


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a load was: its directions, what else was true, and the codes of `REASONS` that apply."""

    up: RateSide | None
    down: RateSide | None
    around: Circumstances
    reasons: tuple[str, ...]


@dataclass(slots=True, kw_only=True)
class TrainBeside:
    """A train beside the loads. `failed` says why there is none; its delays are in `tally` all the same."""

    session: TrainSession
    tally: Tally
    failed: Failed | None
    ended: bool = field(default=False, init=False)

    @property
    def timestamps(self) -> Stamps:
        """KERNEL when at most one delay in a hundred rests on this program's clock. Ask once."""
        outcome = self.tally.outcome(0, self.tally.after)
        return Stamps.KERNEL if outcome.received > 100 * outcome.from_clock else Stamps.CLOCK

    async def end(self) -> TrainCounts | None:
        """End it at the endpoint: what its reflector saw, or None when it cannot say."""
        self.ended = True
        self.session.stop()
        return await self.session.end()


@dataclass(frozen=True, slots=True, kw_only=True)
class Loader:
    """A way that can be filled as long as its `control` is open. `what` is what a failure is called."""

    what: str
    where: Reach
    clock: Clock
    control: Control
    say: OnProgress
    hello: Hello
    addresses: tuple[str, ...]

    @classmethod
    async def find(
        cls,
        control: Control,
        where: Reach,
        clock: Clock,
        plan: LoadPlan,
        *,
        what: str,
        say: OnProgress | None,
    ) -> Loader | Failed:
        """Ask the endpoint who it is, where it is, and whether it grants such a plan."""

        def failed(why: str, whose: Owner) -> Failed:
            return where.failed(what, why, whose, started_unix_ns=clock.unix_ns())

        hello = await control.hello()
        if isinstance(hello, Failed):
            return failed(hello.why, hello.whose)
        beyond = _beyond(plan, hello)
        if beyond is not None:
            return failed(beyond, Owner.HOUSE)
        if plan.pace.down_bps is not None and not hello.paces:
            why = "the endpoint is of a Linebook that cannot hold a run down to a rate; update it there"
            return failed(why, Owner.ENDPOINT)
        addresses = await circumstances.addresses(where, hello)
        if not addresses:
            return failed(f"the name {where.invitation.host} does not resolve", Owner.UNKNOWN)
        return cls(
            what=what,
            where=where,
            clock=clock,
            control=control,
            say=say or (lambda _: None),
            hello=hello,
            addresses=tuple(addresses),
        )

    def failed(self, why: str, whose: Owner) -> Failed:
        """What it is when nothing could be measured."""
        return self.where.failed(self.what, why, whose, started_unix_ns=self.clock.unix_ns())

    @asynccontextmanager
    async def train(self, *, per_second: float) -> AsyncIterator[TrainBeside]:
        """A train that goes as long as the body lasts, no denser than the endpoint allows."""
        per_second = min(per_second, self.hello.per_second_max)
        tally = Tally(spacing_ns=round(NS_PER_S / per_second), waiting_ns=_REPLY_NS)
        session = TrainSession(
            self.control,
            self.where,
            self.clock,
            tally=tally,
            per_second=per_second,
            packet_bytes=PACKET_BYTES,
        )
        beside = TrainBeside(session=session, tally=tally, failed=None)
        try:
            beside.failed = await session.open()
            if beside.failed is None:
                session.start()
            yield beside
        finally:
            session.stop()
            if not beside.ended:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_LET_GO_S):
                        await session.end()
            session.close()

    async def carry(self, plan: LoadPlan) -> Load | Failed:
        """One load from its grant to the far end's last report. Cancelled, it ends at both ends first."""
        request = RunRequest(
            direction=str(plan.direction),
            flows=plan.flows,
            seconds=plan.seconds,
            congestion=plan.congestion,
            down_at_most_bps=plan.pace.down_bps,
        )
        grant = await self.control.open_run(request)
        if isinstance(grant, Failed):
            return self.failed(grant.why, grant.whose)
        try:
            return await _Carrying(loader=self, plan=plan, grant=grant).carry()
        finally:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.control.end_run(grant.run)

    async def told(
        self, load: Load, *, rtt_idle_us: Delays | None, rtt_loaded_us: Delays | None
    ) -> Told | Failed:
        """What a load was; the RTTs are those of the train beside it."""
        plan = load.plan
        where = await circumstances.surroundings(self.where, self.addresses[0])
        port = where.port
        around = Around(
            direction=plan.direction,
            carrier=port.carrier if port else Carrier.UNKNOWN,
            port_rate_bps=port.port_rate_bps if port else None,
            rtt_idle_us=rtt_idle_us,
            rtt_loaded_us=rtt_loaded_us,
            pace=plan.pace,
            rules=self.where.evidence,
        )
        mine, theirs = load.mine, load.theirs
        up = rate_outcome.side_of(
            theirs.up if theirs else None, mine.up, direction=Direction.UP, around=around
        )
        down = rate_outcome.side_of(
            mine.down, theirs.down if theirs else None, direction=Direction.DOWN, around=around
        )
        if up is None and down is None:
            why = mine.why or (theirs.why if theirs else None) or "nothing arrived"
            return self.failed(f"no payload was counted: {why}", whose(why))
        known = circumstances.found(
            self.hello.your_address,
            where=self.where,
            around=where,
            traffic=Traffic(
                before=load.before,
                after=load.after,
                own=rate_outcome.own_traffic(up, down),
                elapsed_ns=load.elapsed_ns,
            ),
            probe_cpu_ratio=_cpu_ratio(mine.up, mine.down),
            endpoint_cpu_ratio=_cpu_ratio(theirs.up, theirs.down) if theirs else None,
            endpoint_unwell=self.hello.unwell,
        )
        known = replace(
            known,
            path_mtu_up_bytes=(mine.up and mine.up.path_mtu_bytes) or known.path_mtu_up_bytes,
            path_mtu_down_bytes=theirs.down.path_mtu_bytes if theirs and theirs.down else None,
        )
        reasons = standing.reasons(_facts(load, up, down, known, self.where.evidence))
        return Told(up=up, down=down, around=known, reasons=reasons)


@dataclass(slots=True, kw_only=True)
class _Carrying:
    """One load under way."""

    loader: Loader
    plan: LoadPlan
    grant: RunGrant
    seen: RunReport | None = field(default=None, init=False)  # the far end's newest report
    said_s: dict[Direction, int] = field(default_factory=dict, init=False)

    async def carry(self) -> Load | Failed:
        loader, plan, clock = self.loader, self.plan, self.loader.clock
        way = await circumstances.way_out(loader.where, loader.addresses[0])
        async with FlowClient(on_progress=self._on_report) as client:
            why = await client.connect(
                self.grant,
                addresses=loader.addresses,
                binding=loader.where.binding,
                seconds=plan.seconds,
                congestion=plan.congestion,
                up_at_most_bps=plan.pace.up_bps,
            )
            if why is not None:
                return loader.failed(f"the flows did not connect: {why}", whose(why))
            loader.say(f"{plan.flows} flows {plan.direction} for {plan.seconds:g} s")
            before = await circumstances.look(way)
            began = clock.look()
            follow = asyncio.create_task(self._follow(began.monotonic_ns), name="follow the far end")
            try:
                mine = await client.run()
            finally:
                follow.cancel()
                await asyncio.gather(follow, return_exceptions=True)
            ended = clock.look()
            after = await circumstances.look(way)
        return Load(
            plan=plan,
            began=began,
            ended=ended,
            mine=mine,
            theirs=await self._last_report(),
            before=before,
            after=after,
        )

    async def _follow(self, began_ns: int) -> None:
        """Ask what the far end counted, so that its death costs the last part of an up load only.

        The share of the time between two questions keeps their cost small however long the bins get.
        """
        control, clock = self.loader.control, self.loader.clock
        while self.plan.direction is not Direction.DOWN:
            found = await control.run_report(self.grant.run)
            if isinstance(found, RunReport):
                self.seen = found
                self._say_rate(Direction.UP, found.up.bins if found.up else ())
            await asyncio.sleep(max(0.5, (clock.monotonic_ns() - began_ns) / NS_PER_S * _FOLLOW_SHARE))

    async def _last_report(self) -> RunReport | None:
        """The far end's report once it has finished; the newest one it gave when that cannot be had."""
        failures = 0
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_REPORT_S):
                while failures < _REPORT_TRIES:
                    found = await self.loader.control.run_report(self.grant.run)
                    if isinstance(found, Failed):
                        failures += 1
                        await asyncio.sleep(1)
                        continue
                    self.seen = found
                    if found.finished:
                        break
        return self.seen

    def _on_report(self, report: ClientReport) -> None:
        self._say_rate(Direction.DOWN, report.down.bins if report.down else ())

    def _say_rate(self, direction: Direction, bins: Sequence[int]) -> None:
        seconds = len(bins) // rate_outcome.BINS_PER_S
        if seconds > self.said_s.get(direction, 0):
            self.said_s[direction] = seconds
            mbps = sum(bins[-rate_outcome.BINS_PER_S :]) * 8 / 1e6
            self.loader.say(f"{direction} after {seconds} s: {mbps:.2f} Mb/s payload")


def _facts(
    load: Load, up: RateSide | None, down: RateSide | None, known: Circumstances, rules: Evidence
) -> standing.RunFacts:
    pairs = [(up, known.other_up_bps), (down, known.other_down_bps)]
    measured = [(side, other) for side, other in pairs if side is not None]
    wanted = 2 if load.plan.direction is Direction.BOTH else 1
    clock = clock_judge.moved(load.began, load.ended)
    return standing.RunFacts(
        seconds=load.plan.seconds,
        around=known,
        rules=rules,
        limits=[side.limited_by for side, _ in measured],
        goodput_bps=[side.rates.goodput_bps for side, _ in measured],
        other_bps=[other for _, other in measured],
        light=bool(load.plan.pace),
        aborted=len(measured) < wanted or not load.ran_its_time,
        counts_disagree=rate_outcome.says_too_much(up),
        whole_seconds=min(rate_outcome.whole_seconds(side) for side, _ in measured),
        slept=clock.slept_ns > 0,
        clock_set=clock.step_ns != 0,
    )


def _beyond(plan: LoadPlan, hello: Hello) -> str | None:
    """The endpoint's limit that the plan goes beyond, as a sentence."""
    if plan.seconds > hello.seconds_max:
        return f"the endpoint grants {hello.seconds_max} s a run at most, not {plan.seconds:g}"
    if plan.flows > hello.flows_max:
        return f"the endpoint grants {hello.flows_max} flows a direction at most, not {plan.flows}"
    return None


def _cpu_ratio(*reports: ReceiverReport | SenderReport | None) -> float | None:
    return max((report.cpu_ratio for report in reports if report is not None), default=None)
