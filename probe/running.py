"""A probe as a service: its local door, words to the service manager, and another site file on SIGHUP.

The service manager hears that the probe is ready once its trains are scheduled, and that it is alive as
long as the event loop turns and the writer's thread answers; a full disk is an answer. Stands above daemon,
door and notify.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypedDict

from probe import daemon, door, soaks
from probe.daemon import ALIVE_EVERY_S, Daemon, Methods
from probe.status import one_line
from store import site as sites
from store.ceilings import VALID_NS, Ceiling
from store.clock import NS_PER_US, Clock
from store.errors import LinebookError, StoreTrouble
from store.events import Event
from store.fault_log import LOOK_BACK_NS
from store.notices import Notice
from store.notify import Manager
from store.records import Campaign, WindowOpened
from store.site import Site
from store.soaks import Soak, SoakBegun
from store.writer import Writer


class _Left(TypedDict):
    opened: Iterable[WindowOpened]
    sealed: Iterable[Campaign]
    events: Iterable[Event]
    notices: Iterable[Notice]
    measured: Iterable[Ceiling]
    soaks: Iterable[SoakBegun | Soak]


async def run(
    site: Site,
    *,
    clock: Clock,
    writer: Writer,
    manager: Manager,
    version: str,
    methods: Methods | None = None,
) -> None:
    """Run the probe of this site until cancelled; SIGHUP has it read its site file again.

    Raises UserMistake for an invitation that cannot be read and for a door where another probe answers.
    """
    made = await daemon.prepared(
        site,
        clock=clock,
        writer=writer,
        methods=methods,
        **await asyncio.to_thread(_left, site, now_ns=clock.unix_ns()),
        version=version,
    )
    service = _Service(daemon=made, manager=manager, clock=clock)
    loop = asyncio.get_running_loop()
    async with door.opened(site.database, made):
        loop.add_signal_handler(signal.SIGHUP, service.hang_up.set)
        around = asyncio.create_task(service.keep(), name="service")
        try:
            await made.run()
        finally:
            loop.remove_signal_handler(signal.SIGHUP)
            around.cancel()
            await asyncio.gather(around, return_exceptions=True)


def _left(site: Site, *, now_ns: int) -> _Left:
    """What the last probe left: open windows, campaigns that have begun, events of the last weeks. Blocks."""
    from store.reader import Reader

    reader = Reader.open(site.database)
    try:
        return {
            "opened": reader.open_windows(),
            "sealed": reader.campaigns(),
            "events": reader.documents(Event, since_ns=now_ns - LOOK_BACK_NS),
            "notices": reader.documents(Notice, since_ns=now_ns - LOOK_BACK_NS),
            "measured": reader.documents(Ceiling, since_ns=now_ns - VALID_NS),
            "soaks": [
                *reader.documents(SoakBegun, since_ns=now_ns - soaks.LOOK_BACK_NS),
                *reader.documents(Soak, since_ns=now_ns - soaks.LOOK_BACK_NS),
            ],
        }
    finally:
        reader.close()


@dataclass(slots=True, kw_only=True)
class _Service:
    """What a service manager hears of a daemon, and what it may ask."""

    daemon: Daemon
    manager: Manager
    clock: Clock
    hang_up: asyncio.Event = field(default_factory=asyncio.Event, init=False)
    said: str = field(default="", init=False)

    async def keep(self) -> None:
        """From ready to stopping."""
        await self.daemon.began.wait()
        self.said = self._line()
        self.manager.ready(self.said)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._tell(), name="status line")
                group.create_task(self._reload(), name="reload")
                if self.manager.alive_every_s is not None:
                    group.create_task(self._stay_alive(self.manager.alive_every_s), name="watchdog")
        finally:
            self.manager.stopping()

    async def _tell(self) -> None:
        """The status line whenever it reads differently."""
        openings = self.daemon.book.openings
        while True:
            line = self._line()
            if line != self.said:
                self.manager.status(line)
                self.said = line
            await openings.change_within(ALIVE_EVERY_S)

    async def _stay_alive(self, every_s: float) -> None:
        """A keep-alive each time both are heard of: this loop, by being here, and the writer's thread.

        One that has much to store, after a full disk, is heard of by how that grows less.
        """
        store = self.daemon.book.store
        while True:
            waiting = store.waiting
            try:
                async with asyncio.timeout(every_s):
                    await store.flush()
                self.manager.alive()
            except StoreTrouble:
                self.manager.alive()
            except TimeoutError:
                if store.waiting < waiting:
                    self.manager.alive()
                else:
                    self.daemon.book.log.error("writer silent for_s=%.1f", every_s)
                continue
            await asyncio.sleep(every_s)

    async def _reload(self) -> None:
        """Read the site file again, each time it is asked for; the old one stays if the new one is wrong."""
        while True:
            await self.hang_up.wait()
            self.hang_up.clear()
            self.manager.reloading(monotonic_us=self.clock.monotonic_ns() // NS_PER_US)
            try:
                site = await asyncio.to_thread(sites.load, self.daemon.site.file)
                await self.daemon.reload(site)
                self.daemon.refused = None
            except LinebookError as mistake:
                self.daemon.refused = str(mistake)
                self.daemon.book.log.error("site file refused why=%s", mistake)
            except Exception as error:  # the old file stays, and so does whatever listens to this
                self.daemon.refused = f"unexpected {type(error).__name__}: {error}"
                self.daemon.book.log.exception("site file refused")
            self.said = self._line()
            self.manager.ready(self.said)

    def _line(self) -> str:
        return one_line(self.daemon.status())
