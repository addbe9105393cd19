"""A loaded-delay run: one train before, during and after TCP loads, up, down and both ways at once.

The same train goes on through all of it, and foreign probes beside it (`probe.foreign`). A load that breaks
off is kept and says ``aborted``, as does a run whose later loads the endpoint refuses; a run without a train,
or without any load, is a `Failed`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from probe import foreign as foreign_probes
from probe import loaded_delay_outcome as outcome
from probe import rate_outcome, responsiveness
from probe.control import Control
from probe.foreign import ForeignProbes
from probe.loaded_delay_outcome import Delays, Packet, Window
from probe.methods.loading import Load, Loader, LoadPlan, OnProgress, Told, TrainBeside
from probe.methods.train import schedule_reasons
from probe.reach import Reach
from probe.responsiveness import Probe
from probe.train_outcome import Tally
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock, Reading
from store.errors import UserMistake
from store.histogram import delays_of
from store.loaded_delay import AFTER_S, IDLE_S, SERIES, LoadedDelayRun, PartDelay, UnderLoad
from store.records import REASONS, Direction, Failed, Owner, RateSide

WHAT = "run loaded-delay"

_REPLIES_S = 1.0  # how long the last packets' replies are waited for
_END_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedDelayPlan:
    """What to run: a load of `seconds` in each of `directions`, in their order, the train alone for `idle_s`
    before the first and `after_s` after each. `per_second` is how dense the train is; fifty take a good 1 %
    of a 5 Mb/s line, which the flows then lack.

    Raises UserMistake for figures no endpoint could grant.
    """

    directions: tuple[Direction, ...] = SERIES
    flows: int
    seconds: float
    congestion: str | None = None
    idle_s: float = IDLE_S
    after_s: float = AFTER_S
    per_second: float = 50.0

    def __post_init__(self) -> None:
        if not self.directions or len(set(self.directions)) < len(self.directions):
            raise UserMistake("direction: expected each of up, down and both once at most, and one at least")
        self.load(self.directions[0])

    def load(self, direction: Direction) -> LoadPlan:
        """One of the loads."""
        return LoadPlan(
            direction=direction, flows=self.flows, seconds=self.seconds, congestion=self.congestion
        )


async def run(
    plan: LoadedDelayPlan, where: Reach, clock: Clock, *, on_progress: OnProgress | None = None
) -> LoadedDelayRun | Failed:
    """Run once. Cancelled, it ends the load and the train at both ends before it lets go."""
    async with Control(where, clock=clock) as control:
        first = plan.load(plan.directions[0])
        loader = await Loader.find(control, where, clock, first, what=WHAT, say=on_progress)
        return loader if isinstance(loader, Failed) else await _over(loader, plan)


async def _over(loader: Loader, plan: LoadedDelayPlan) -> LoadedDelayRun | Failed:
    probes = ForeignProbes(where=loader.where, address=loader.addresses[0], clock=loader.clock)
    async with loader.train(per_second=plan.per_second) as train:
        if train.failed is not None:
            return replace(train.failed, what=WHAT)
        began = loader.clock.look()
        async with probes.going():
            loads = await _loads(loader, plan, train)
        if isinstance(loads, Failed):
            return loads
        ended_ns = loader.clock.monotonic_ns()
        tally = await _settled(train, now_ns=loader.clock.monotonic_ns)
        judging = _Judging(
            loader=loader,
            plan=plan,
            train=train,
            packets=tuple(_packets(tally)),
            probes=tuple(probes.found),
            loads=tuple(loads),
            began=began,
            ended_ns=ended_ns,
        )
        return await judging.judged()


async def _loads(loader: Loader, plan: LoadedDelayPlan, train: TrainBeside) -> list[Load] | Failed:
    """The idle part, then load after load; what was carried until one failed, which is told if it is all.

    A load that was ended before its time, or a train that was, is the last: somebody wanted a stop.
    """
    loader.say(f"delay without load for {plan.idle_s:g} s")
    await asyncio.sleep(plan.idle_s)
    loads: list[Load] = []
    for direction in plan.directions:
        known = await train.session.counts()
        load = known if isinstance(known, Failed) else await loader.carry(plan.load(direction))
        if isinstance(load, Failed):
            return loads or replace(load, what=WHAT)
        loads.append(load)
        if not load.ran_its_time:
            break
        loader.say(f"delay after it for {plan.after_s:g} s")
        passed_s = (loader.clock.monotonic_ns() - load.ended.monotonic_ns) / NS_PER_S
        await asyncio.sleep(max(0.0, plan.after_s - passed_s))
    return loads


async def _settled(train: TrainBeside, *, now_ns: Callable[[], int]) -> Tally:
    """The train's account once its last replies have come and its losses are placed."""
    train.session.stop()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_REPLIES_S):
            await train.session.complete.wait()
    counts = None
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_END_S):
            counts = await train.end()
    train.tally.finish(counts, after=train.tally.after, now_ns=now_ns())
    return train.tally


def _packets(tally: Tally) -> Iterator[Packet]:
    for index in range(tally.after):
        ways = tally.ways_ns(index)
        up_ns, down_ns = ways or (None, None)
        yield Packet(at_ns=tally.sent_at(index), up_ns=up_ns, down_ns=down_ns, lost=tally.lost(index))


@dataclass(slots=True, kw_only=True)
class _Judging:
    """All that was seen, and the record of it."""

    loader: Loader
    plan: LoadedDelayPlan
    train: TrainBeside
    packets: Sequence[Packet]
    probes: Sequence[Probe]
    loads: Sequence[Load]
    began: Reading
    ended_ns: int
    idle: Window = field(init=False)
    delays: Delays = field(init=False)

    async def judged(self) -> LoadedDelayRun | Failed:
        self.idle = Window(from_ns=self.began.monotonic_ns, to_ns=self.loads[0].began.monotonic_ns)
        if self._idle_p95_us() is None:
            why = "no packet of the train came back before the load, so there is nothing to compare with"
            return self.loader.failed(why, Owner.UNKNOWN)
        self.delays = Delays.of(self.packets, tuple(self._quiet()))
        found = [(load, await self._told(load)) for load in self.loads]
        told = [(load, each) for load, each in found if not isinstance(each, Failed)]
        if not told:
            return next(each for _, each in found if isinstance(each, Failed))
        return LoadedDelayRun(
            handoff=self.loader.where.handoff,
            endpoint=self.loader.where.endpoint,
            started_unix_ns=self.began.unix_ns,
            seconds=self.plan.seconds,
            flows=self.plan.flows,
            per_second=min(self.plan.per_second, self.loader.hello.per_second_max),
            packet_bytes=self.train.session.packet_bytes,
            timestamps=self.train.timestamps,
            clock_drift_ppm=None if self.delays.drift_ppm is None else round(self.delays.drift_ppm, 2),
            idle=self._part(self.idle),
            loads=tuple(self._under(load, each) for load, each in told),
            spent_bytes=sum(load.spent_bytes for load in self.loads)
            + len(self.probes) * foreign_probes.BYTES,
            reasons=self._reasons([each for _, each in told]),
            circumstances=told[-1][1].around,
        )

    async def _told(self, load: Load) -> Told | Failed:
        idle, loaded = (self.delays.samples(each).rtt_us for each in (self.idle, _steady(load)))
        return await self.loader.told(load, rtt_idle_us=delays_of(idle), rtt_loaded_us=delays_of(loaded))

    def _under(self, load: Load, told: Told) -> UnderLoad:
        steady, whole, after = _steady(load), _whole(load), self._after(load)
        idle, loaded = self.delays.samples(self.idle), self.delays.samples(steady)
        back_ns = self._back_ns(load)
        return UnderLoad(
            direction=load.plan.direction,
            started_ms=(load.began.monotonic_ns - self.began.monotonic_ns) // NS_PER_MS,
            seconds=round(load.elapsed_ns / NS_PER_S, 3),
            after_s=round(after.seconds, 3),
            up_goodput_bps=_goodput_bps(told.up),
            down_goodput_bps=_goodput_bps(told.down),
            up_limited_by=told.up.limited_by if told.up else None,
            down_limited_by=told.down.limited_by if told.down else None,
            delay=self._part(steady),
            added_rtt=outcome.added(idle.rtt_us, loaded.rtt_us),
            added_up=outcome.added(idle.up_us, loaded.up_us),
            added_down=outcome.added(idle.down_us, loaded.down_us),
            buffer_delay_ratio=outcome.buffer_delay_ratio(
                min(idle.rtt_us), outcome.by_second(self.packets, whole)
            ),
            back_ms=None if back_ns is None else (back_ns - load.ended.monotonic_ns) // NS_PER_MS,
            circumstances=told.around,
        )

    def _part(self, window: Window) -> PartDelay:
        probes = responsiveness.foreign(self.probes, from_ns=window.from_ns, to_ns=window.to_ns)
        return replace(self.delays.part(window), foreign=probes)

    def _quiet(self) -> Iterator[Window]:
        """The idle part, and what of each part after a load is as quiet again."""
        yield self.idle
        for load in self.loads:
            if (back_ns := self._back_ns(load)) is not None:
                yield Window(from_ns=back_ns, to_ns=self._after(load).to_ns)

    def _after(self, load: Load) -> Window:
        later = [each.began.monotonic_ns for each in self.loads if each.began.monotonic_ns > _end_ns(load)]
        return Window(from_ns=_end_ns(load), to_ns=min(later, default=self.ended_ns))

    def _back_ns(self, load: Load) -> int | None:
        usual_us = self._idle_p95_us()
        return (
            None
            if usual_us is None
            else outcome.back_ns(self.packets, self._after(load), idle_p95_us=usual_us)
        )

    def _idle_p95_us(self) -> int | None:
        rtts = (each.rtt_ns for each in self.idle.of(self.packets))
        found = delays_of(rtt_ns // NS_PER_US for rtt_ns in rtts if rtt_ns is not None)
        return found.p95 if found else None

    def _reasons(self, told: Sequence[Told]) -> tuple[str, ...]:
        """Those of any load and of the train, in the order of `REASONS`."""
        session = self.train.session
        found = {reason for each in told for reason in each.reasons}
        found.update(
            schedule_reasons(
                session.lateness_ns,
                disturbed=session.disturbed,
                spacing_ns=round(NS_PER_S / self.plan.per_second),
            )
        )
        if len(told) < len(self.plan.directions):
            found.add("aborted")
        if self.delays.stepped:
            found.add("clock_step")
        return tuple(reason for reason in REASONS if reason in found)


def _steady(load: Load) -> Window:
    """The part of a load in which its rate is counted: without its start-up."""
    bins = round(load.plan.seconds * rate_outcome.BINS_PER_S)
    first, after = rate_outcome.steady_window(bins)
    bin_ns = rate_outcome.BIN_MS * NS_PER_MS
    began_ns = load.began.monotonic_ns
    return Window(from_ns=began_ns + first * bin_ns, to_ns=min(began_ns + after * bin_ns, _end_ns(load)))


def _whole(load: Load) -> Window:
    return Window(from_ns=load.began.monotonic_ns, to_ns=_end_ns(load))


def _end_ns(load: Load) -> int:
    return load.ended.monotonic_ns


def _goodput_bps(side: RateSide | None) -> int | None:
    return side.rates.goodput_bps if side else None
