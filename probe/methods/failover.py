"""Failover: a train on each of two uplinks and one that goes where this host's routes send it, all at once.

Somebody breaks the main uplink meanwhile; `on_ready` says when. It is light traffic. What the packets say
is judged by `probe.failover`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace

from probe import failover
from probe.control import Control
from probe.failover import Carrier, Stopwatch
from probe.linux import link
from probe.linux.link_news import LinkNews
from probe.methods import train
from probe.methods.train import PACKET_BYTES, TrainRequest, TrainRun
from probe.reach import Binding, Reach
from probe.standing import by_way
from probe.wire.control import Hello
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.failovers import Failover
from store.records import Failed
from store.samples import Sample

PER_SECOND = 50.0

_HEADER_BYTES = 28
_LOOK_S = 0.1  # between looks at the carrier, where the kernel sends no news


@dataclass(frozen=True, slots=True, kw_only=True)
class FailoverPlan:
    """How long, and how many packets a second each train has."""

    seconds: float = 60.0
    per_second: float = PER_SECOND


@dataclass(frozen=True, slots=True, kw_only=True)
class Uplinks:
    """The ways to one endpoint by the uplink that is to fail and by the one that is to take over."""

    main: Reach
    backup: Reach


async def run(
    plan: FailoverPlan, where: Uplinks, clock: Clock, *, on_ready: Callable[[], None] = lambda: None
) -> Failover | Failed:
    """Run the trains and judge them; some 10 s longer than `seconds` at most.

    `on_ready` is called once all three had a reply. It fails where one of them cannot begin.
    """
    unbound = replace(where.main, binding=Binding(), assigned=())
    ways = (where.main, where.backup, unbound)
    request = TrainRequest(seconds=plan.seconds, per_second=plan.per_second, packet_bytes=PACKET_BYTES)
    answered: set[int] = set()

    def answer(nth: int) -> Callable[[Sample], None]:
        def note(_: Sample) -> None:
            if nth not in answered:
                answered.add(nth)
                if len(answered) == len(ways):
                    on_ready()

        return note

    watch = _CarrierWatch(where.main.binding.device(), clock)
    async with asyncio.TaskGroup() as group:
        watching = group.create_task(watch.keep(), name="carrier")
        trains = [
            group.create_task(train.run(request, way, clock, on_packet=answer(nth)), name=f"train {nth}")
            for nth, way in enumerate(ways)
        ]
        failed = await _first_failed(trains)
        watching.cancel()
    if failed is not None:
        return failed
    runs = [found for task in trains if isinstance(found := task.result(), TrainRun)]
    main, backup, free = (_judged(each, plan) for each in runs)
    judged = failover.judge(main, backup, free, watch.found())
    after = await _address(unbound, clock)
    return _record(plan, where, runs, judged, watch.found(), after)


async def _first_failed(trains: list[asyncio.Task[TrainRun | Failed]]) -> Failed | None:
    """Wait for all; where one fails the others end at once."""
    for done in asyncio.as_completed(trains):
        found = await done
        if isinstance(found, Failed):
            for each in trains:
                each.cancel()
            return found
    return None


class _CarrierWatch:
    """Notes when an interface loses its carrier; `device` is None where it is not known which it is."""

    def __init__(self, device: str | None, clock: Clock) -> None:
        self._device, self._clock = device, clock
        self._known = False
        self._lost_unix_ns: list[int] = []

    async def keep(self) -> None:
        """Watch until cancelled."""
        if self._device is None:
            return
        before = await asyncio.to_thread(link.read, self._device)
        self._known = before.there
        with LinkNews() as news:
            while True:
                await news.within(_LOOK_S)
                now = await asyncio.to_thread(link.read, self._device)
                if (before.carrier and not now.carrier) or (now.lost or 0) > (before.lost or 0):
                    self._lost_unix_ns.append(self._clock.unix_ns())
                before = now

    def found(self) -> Carrier:
        return Carrier(known=self._known, lost_unix_ns=tuple(self._lost_unix_ns))


async def _address(unbound: Reach, clock: Clock) -> str | None:
    """Where the endpoint sees unbound traffic come from, None when it does not answer."""
    async with Control(unbound, clock=clock) as control:
        said = await control.hello()
    return said.your_address if isinstance(said, Hello) else None


def _judged(found: TrainRun, plan: FailoverPlan) -> failover.Train:
    return failover.Train(
        packets=found.packets,
        spacing_ns=round(NS_PER_S / plan.per_second),
        planned=max(1, round(plan.seconds * plan.per_second)),
    )


def _record(
    plan: FailoverPlan,
    where: Uplinks,
    runs: list[TrainRun],
    judged: Stopwatch,
    carrier: Carrier,
    after: str | None,
) -> Failover:
    main, backup, unbound = runs
    started_ns = min(each.packets[0].sent_unix_ns for each in runs)

    def ms(unix_ns: int | None) -> int | None:
        return None if unix_ns is None else (unix_ns - started_ns) // NS_PER_MS

    return Failover(
        handoff=where.main.handoff,
        endpoint=where.main.endpoint,
        started_unix_ns=started_ns,
        reasons=_reasons(where, runs),
        backup=where.backup.handoff,
        seconds=plan.seconds,
        per_second=plan.per_second,
        failure=judged.failure,
        because=judged.because,
        failed_at_ms=ms(judged.failed_ns),
        carrier_lost_at_ms=ms(next(iter(carrier.lost_unix_ns), None)),
        silent_at_ms=ms(judged.silent_ns),
        switched_at_ms=ms(judged.switched_ns),
        without_ms=None if judged.without_ns is None else judged.without_ns // NS_PER_MS,
        without_packets=judged.without_packets,
        returned_at_ms=ms(judged.returned_ns),
        lost_after_return=judged.lost_after_return,
        further=judged.further,
        main_lost_up=_lost(main, "up"),
        main_lost_down=_lost(main, "down"),
        main_lost_somewhere=_lost(main, "unattributed"),
        backup_lost=sum(packet.lost is not None for packet in backup.packets),
        main_address=_egress(main),
        backup_address=_egress(backup),
        unbound_address=_egress(unbound),
        unbound_address_after=after,
        spent_bytes=_spent_bytes(main) + _spent_bytes(unbound),
        backup_spent_bytes=_spent_bytes(backup),
        circumstances=main.span.circumstances,
    )


def _reasons(where: Uplinks, runs: list[TrainRun]) -> tuple[str, ...]:
    """What kept either bound train from its uplink, and what spoiled a train's own schedule or clock."""
    found: list[str] = []
    for way, each in zip((where.main, where.backup), runs, strict=False):
        known = each.span.circumstances
        found += () if known is None else by_way(known, way.evidence)
    found += [reason for reason in ("clock_step", "slept") if any(reason in one.span.reasons for one in runs)]
    return tuple(dict.fromkeys(found))


def _lost(found: TrainRun, where: str) -> int:
    return sum(packet.lost == where for packet in found.packets)


def _egress(found: TrainRun) -> str | None:
    known = found.span.circumstances
    return None if known is None else known.egress_address


def _spent_bytes(found: TrainRun) -> int:
    return (found.span.sent + found.span.received) * (PACKET_BYTES + _HEADER_BYTES)
