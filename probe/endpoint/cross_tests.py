"""The cross-tests of a running endpoint: one round each few minutes while no run is under way.

Holds the newest results, its own or those that `linebook endpoint cross` left in the folder, and how busy
this host was between two looks. Owns the task of a round that goes on. Imports crossing.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from pathlib import Path

from probe.endpoint import crossing
from probe.endpoint.crossing import Cross
from probe.linux import processors
from probe.linux.processors import Ticks
from store.clock import NS_PER_S, Clock
from store.errors import UserMistake

log = logging.getLogger(__name__)

_LOOK_NS = 5 * NS_PER_S  # processors are looked at over so long at least; less is chance


class CrossTests:
    """`look_after` once a second; `unwell` when somebody asks."""

    def __init__(self, *, directory: Path, clock: Clock) -> None:
        self._directory = directory
        self._clock = clock
        self._crosses: tuple[Cross, ...] = ()
        self._read: float | None = None  # the file's time of change
        self._due_ns = clock.monotonic_ns()
        self._round: asyncio.Task[None] | None = None
        self._looked: tuple[int, Ticks | None] = (clock.monotonic_ns(), None)
        self._busy_ratio: float | None = None

    def unwell(self, *, idle: bool) -> str | None:
        """What speaks against this endpoint now; while a run is under way its processors may be busy.

        One that has no others says nothing: nobody asked it to look after itself.
        """
        if not self._crosses:
            return None
        return crossing.unwell(
            self._crosses, busy_ratio=self._busy_ratio if idle else None, now_unix_ns=self._clock.unix_ns()
        )

    async def look_after(self, *, idle: bool) -> None:
        """Look at the processors, and begin a round when one is due and nothing else is under way."""
        now_ns = self._clock.monotonic_ns()
        if now_ns - self._looked[0] >= _LOOK_NS:
            ticks = await asyncio.to_thread(self._look)
            self._busy_ratio = processors.busy_ratio(self._looked[1], ticks)
            self._looked = now_ns, ticks
        if idle and now_ns >= self._due_ns and (self._round is None or self._round.done()):
            self._due_ns = now_ns + round(crossing.EVERY_S * NS_PER_S)
            self._round = asyncio.create_task(self.test_all(), name="cross-tests")

    def _look(self) -> Ticks | None:
        """The processors, and the cross-tests in the folder where somebody else has made newer ones."""
        try:
            changed = (self._directory / crossing.FILE).stat().st_mtime
        except OSError:
            changed = None
        if changed is not None and changed != self._read:
            self._read, self._crosses = changed, crossing.load(self._directory)
        return processors.read()

    async def test_all(self) -> None:
        """One round: a train to each of the others, one after the other."""
        try:
            others = await asyncio.to_thread(crossing.others, self._directory)
        except UserMistake as mistake:
            log.error("no cross-tests why=%s", mistake)
            return
        if not others:
            self._crosses = ()
            return
        found = [await crossing.test(name, other, clock=self._clock) for name, other in others.items()]
        self._crosses = tuple(found)
        for one in found:
            log.info("cross-test name=%s sent=%d lost=%d failed=%s", one.name, one.sent, one.lost, one.failed)
        try:
            await asyncio.to_thread(crossing.save, self._directory, found)
        except OSError as error:
            log.error("cross-tests not saved why=%s", error)

    async def close(self) -> None:
        """End a round that goes on."""
        if self._round is not None:
            self._round.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._round
