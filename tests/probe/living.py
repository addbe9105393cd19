"""A daemon with fakes for methods, alive while a test's body lasts, in time that may jump."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from random import Random

from probe import daemon
from probe.before_show import CheckMethod
from probe.ceilings import CeilingMethod
from probe.daemon import Daemon, Methods
from probe.hop_book import HopMethod
from probe.linux.clock_state import ClockState
from probe.lookup_book import LookupMethod
from probe.notices.message import Message
from probe.notices.sending import Deliver
from probe.ports import LinkLook
from probe.reach import Reach
from probe.soaks import ReadKept
from probe.traffic import Seen
from probe.trains import TrainMethod
from store.ceilings import Ceiling
from store.clock import NS_PER_S, Clock
from store.events import Event
from store.notice_channels import Channel
from store.notices import Notice
from store.records import Carrier, Failed, Owner, WindowOpened
from store.site import Site
from store.soaks import Soak, SoakBegun
from tests.probe.test_daemon import START_NS, FakeRate, FakeTrain, MemoryStore

__all__ = ["START_NS", "FakeRate", "FakeTrain", "Life", "MemoryStore", "Wire", "alive"]


@dataclass(kw_only=True)
class Wire:
    """An interface whose counters grow at the rates that a test sets."""

    clock: Clock
    up_bps: float = 0
    down_bps: float = 0
    carrier: Carrier = Carrier.WIRED
    port_rate_bps: int | None = None
    sent_bytes: float = 0
    received_bytes: float = 0
    counted_ns: int = 0

    def __post_init__(self) -> None:
        self.counted_ns = self.clock.monotonic_ns()

    def set(self, *, up_bps: float | None = None, down_bps: float | None = None) -> None:
        """From now on others move this much."""
        self._count()
        self.up_bps = self.up_bps if up_bps is None else up_bps
        self.down_bps = self.down_bps if down_bps is None else down_bps

    async def look(self, where: Reach) -> Seen | None:
        self._count()
        return Seen(
            interface="eth7",
            carrier=self.carrier,
            port_rate_bps=self.port_rate_bps,
            sent_bytes=int(self.sent_bytes),
            received_bytes=int(self.received_bytes),
        )

    def _count(self) -> None:
        now_ns = self.clock.monotonic_ns()
        seconds = (now_ns - self.counted_ns) / NS_PER_S
        self.counted_ns = now_ns
        self.sent_bytes += self.up_bps * seconds / 8
        self.received_bytes += self.down_bps * seconds / 8


@dataclass(kw_only=True)
class Life:
    """A daemon that runs, what it stores, and what it works with."""

    daemon: Daemon
    clock: Clock
    store: MemoryStore
    rate: FakeRate
    train: TrainMethod
    wire: Wire | None
    told: list[str] = field(default_factory=list)  # endpoints that were told to stop

    def seconds(self, unix_ns: int) -> float:
        """A moment, counted from the start."""
        return (unix_ns - START_NS) / NS_PER_S


async def nobody_hears(found: Message, channel: Channel, clock: Clock) -> str | None:
    raise AssertionError(f"no test asked for {channel.name}")


@asynccontextmanager
async def alive(
    clock: Clock,
    site: Site,
    *,
    rate: FakeRate | None = None,
    train: TrainMethod | None = None,
    opened: Iterable[WindowOpened] = (),
    events: Iterable[Event] = (),
    notices: Iterable[Notice] = (),
    wire: Wire | None = None,
    link: LinkLook | None = None,
    deliver: Deliver | None = None,
    deaf: bool = False,
    clock_state: Callable[[], ClockState] | None = None,
    hops: HopMethod | None = None,
    lookup: LookupMethod | None = None,
    ceiling: CeilingMethod | None = None,
    measured: Iterable[Ceiling] = (),
    soaks: Iterable[SoakBegun | Soak] = (),
    kept: ReadKept | None = None,
    check: CheckMethod | None = None,
) -> AsyncIterator[Life]:
    """The daemon, under way; with `deaf` its endpoints do not answer a stop."""
    told: list[str] = []

    async def stop(where: Reach, clock: Clock, /) -> Failed | None:
        told.append(where.endpoint)
        return Failed(what="stop", why="no answer", whose=Owner.ENDPOINT) if deaf else None

    rate, train, store = rate or FakeRate(), train or FakeTrain(), MemoryStore()
    made = await daemon.prepared(
        site,
        clock=clock,
        writer=store,
        methods=Methods(
            rate=rate,
            train=train,
            look=wire.look if wire else None,
            link=link,
            stop=stop,
            deliver=deliver or nobody_hears,
            clock_state=clock_state,
            hops=hops,
            lookup=lookup,
            ceiling=ceiling,
            kept=kept,
            check=check,
        ),
        random=Random(1),
        spent_bytes={},
        opened=opened,
        events=events,
        notices=notices,
        measured=measured,
        soaks=soaks,
    )
    task = asyncio.create_task(made.run(), name="daemon")
    await made.began.wait()
    try:
        yield Life(daemon=made, clock=clock, store=store, rate=rate, train=train, wire=wire, told=told)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task  # what brought it down is raised here
