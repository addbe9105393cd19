"""Which ceilings are due, and what they say of a run: `judged` is pure, `Ceilings` keeps them for a daemon.

Before a series begins and every 30 days after, this host and the endpoint of a planned rate or loaded-delay
run are measured with as many flows as the run has: just before it, when nothing forbids it. One that is older
than 60 days, or of another kernel of this host, is none any more. Stands above book, below runs; a method is
handed in.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar

from probe import standing
from probe.book import Book
from probe.changing import Halted, unless
from probe.reach import Reach
from store.ceilings import EVERY_NS, Ceiling, CeilingOf, Key, keys, valid
from store.clock import NS_PER_S, Clock
from store.loaded_delay import LoadedDelayRun
from store.records import Failed, RateRun

_AGAIN_NS = 3600 * NS_PER_S  # after one that failed

Run = TypeVar("Run", bound=RateRun | LoadedDelayRun)
CeilingMethod = Callable[[CeilingOf, int, Reach, Clock], Awaitable[Ceiling | Failed]]


def judged(run: Run, *, host: Ceiling | None, endpoint: Ceiling | None, factor: float) -> Run:
    """The run with the reasons that its ceilings bring; those that it had of them are taken off."""
    codes = standing.ceiling_reasons(
        _goodput_bps(run),
        host_bps=None if host is None else host.carries_bps,
        endpoint_bps=None if endpoint is None else endpoint.carries_bps,
        factor=factor,
    )
    others = tuple(code for code in run.reasons if code not in standing.CEILING_CODES)
    return replace(run, reasons=(*others, *codes))


def _goodput_bps(run: RateRun | LoadedDelayRun) -> list[int]:
    """What each direction carried, of every load."""
    if isinstance(run, RateRun):
        return [side.rates.goodput_bps for side in run.sides().values()]
    sides = (bps for load in run.loads for bps in (load.up_goodput_bps, load.down_goodput_bps))
    return [bps for bps in sides if bps is not None]


@dataclass(slots=True, kw_only=True)
class Ceilings:
    """What is known of this host and of each endpoint. Without a `method` nothing is measured."""

    book: Book
    method: CeilingMethod | None = None
    known: dict[Key, Ceiling] = field(default_factory=dict)
    _failed: dict[Key, tuple[int, str]] = field(default_factory=dict, init=False)  # monotonic time, and why
    _one_at_a_time: asyncio.Lock = field(default_factory=asyncio.Lock, init=False)

    def judged(self, run: Run, *, factor: float) -> Run:
        """The run as the ceilings of its time have it."""
        host, endpoint = (self._valid(key) for key in keys(run.endpoint, run.flows))
        return judged(run, host=host, endpoint=endpoint, factor=factor)

    async def before(self, where: Reach, *, flows: int) -> bool:
        """Measure what is due before a run of so many flows; whether that took any time.

        While another handoff's run is under way nothing is measured, as either would hold the other back.
        """
        if self.method is None:
            return False
        waited = self._one_at_a_time.locked()
        async with self._one_at_a_time:
            for key in keys(where.endpoint, flows):
                if self._due(key) and not self.book.board.runs:
                    waited = True
                    if not await self._measure(key, where, self.method):
                        break
        return waited

    async def _measure(self, key: Key, where: Reach, method: CeilingMethod) -> bool:
        """Measure one and keep what came of it; False when a stop or a show ended it."""
        of, _, flows = key
        openings, clock = self.book.openings, self.book.clock
        no_more = openings.until(lambda: openings.no_run(where.handoff))
        try:
            found = await unless(method(of, flows, where, clock), no_more)
        except Exception as error:
            found = self.book.unexpected(error, what="ceiling")
        if isinstance(found, Halted):
            return False
        if isinstance(found, Ceiling):
            self.known[key] = found
            self.book.keep(found)
            values = (of, found.endpoint or "-", flows, found.goodput_bps)
            self.book.log.info("ceiling measured of=%s endpoint=%s flows=%d goodput_bps=%d", *values)
            return True
        self._fail(key, found, where)
        return True

    def _fail(self, key: Key, found: Failed, where: Reach) -> None:
        """Say a failure once, as long as it stays the same."""
        of, endpoint, _ = key
        before = self._failed.get(key)
        self._failed[key] = self.book.clock.monotonic_ns(), found.why
        if before is not None and before[1] == found.why:
            return
        whose = "this host" if of is CeilingOf.HOST else f"endpoint {endpoint}"
        self.book.keep(
            replace(
                found,
                what=f"ceiling of {whose}",
                handoff=where.handoff,
                endpoint=endpoint or where.endpoint,
                started_unix_ns=found.started_unix_ns or self.book.clock.unix_ns(),
            )
        )
        self.book.log.warning("ceiling not measured of=%s endpoint=%s why=%s", of, endpoint or "-", found.why)

    def _valid(self, key: Key) -> Ceiling | None:
        return valid(self.known.get(key), now_ns=self.book.clock.unix_ns(), kernel=os.uname().release)

    def _due(self, key: Key) -> bool:
        if (failed := self._failed.get(key)) is not None:
            if self.book.clock.monotonic_ns() - failed[0] < _AGAIN_NS:
                return False
        found = self._valid(key)
        return found is None or self.book.clock.unix_ns() - found.started_unix_ns >= EVERY_NS
