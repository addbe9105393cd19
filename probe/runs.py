"""The rate runs of one handoff, one at a time: each is started, skipped by a rule, or fails, on record.

What is due when stands in schedule, what forbids it in windows and allowance; here is the waiting.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from probe import allowance, windows
from probe.book import Book, placed
from probe.reach import Reach
from probe.schedule import Due, next_due, run_ns
from store.clock import NS_PER_S, Clock, zone
from store.records import Failed, Owner, RateRun, Skipped
from store.site import Handoff, RunPlan, Site

WHAT = "run rate"

_LOOK_AGAIN_S = 30.0  # a wait by the wall's clock looks at it this often, as it may be set meanwhile
_LATE_NS = NS_PER_S  # a start this late still fits: what a run takes besides its seconds is rounded up
_CATCH_UP_NS = 86_400 * NS_PER_S  # after more than a day asleep, or a clock set, the past is let go
_OVERDUE_S = 60.0  # a run that has not ended this long after its seconds never will


class RateMethod(Protocol):
    """One rate run. Cancelled, it ends the run at both ends before it lets go."""

    def __call__(self, plan: RunPlan, where: Reach, clock: Clock, /) -> Awaitable[RateRun | Failed]: ...


@dataclass(slots=True, kw_only=True)
class Runs:
    """The scheduled rate runs of `handoff`; `reaches` holds the way to each endpoint by its name."""

    site: Site
    handoff: Handoff
    reaches: Mapping[str, Reach]
    method: RateMethod
    book: Book
    random: Random
    busy_until_ns: int = field(default=0, init=False)  # when the last run ended

    async def keep_to(self, plans: Sequence[RunPlan]) -> None:
        """Do what is due, the earliest first, until cancelled."""
        clock = self.book.clock
        due = [self._next(plan, clock.unix_ns()) for plan in plans]
        while True:
            number = min(range(len(due)), key=lambda one: due[one].start_ns)
            planned = due[number]
            await _until(planned.start_ns, clock=clock)
            why = self._forbidden(planned)
            if why is None:
                self.book.keep(await self._run(planned.plan))
                self.busy_until_ns = clock.unix_ns()
            else:
                self._skip(planned, why)
            after_ns = planned.slot.end_ns  # slots that passed meanwhile are skipped one by one, on record
            if clock.unix_ns() - after_ns > _CATCH_UP_NS:
                after_ns = clock.unix_ns()
            due[number] = self._next(planned.plan, after_ns)

    def _next(self, plan: RunPlan, after_ns: int) -> Due:
        return next_due(plan, after_ns, where=zone(self.site.timezone), random=self.random)

    def _forbidden(self, planned: Due) -> str | None:
        """The sentence that forbids this run now, or None."""
        name, now_ns = self.handoff.name, self.book.clock.unix_ns()
        if now_ns > planned.latest_ns + _LATE_NS:
            if self.busy_until_ns > planned.start_ns:
                return "another run kept the handoff busy until too late in its slot"
            return "the probe woke up too late in its slot"
        ends_ns = now_ns + run_ns(planned.plan)
        opening = windows.blocking(self.site, name, from_ns=now_ns, to_ns=ends_ns)
        if opening is not None:
            return f"it would touch {opening.window.kind} window {opening.window.name!r}"
        spent_bytes = self.book.purse.spent_bytes(name, now_ns=now_ns)
        return allowance.may_start(
            self.handoff, spent_bytes=spent_bytes, cost_bytes=self._cost_bytes(planned.plan)
        )

    def _skip(self, planned: Due, why: str) -> None:
        skipped = Skipped(
            what=WHAT,
            why=why,
            planned_unix_ns=planned.start_ns,
            handoff=planned.plan.handoff,
            endpoint=planned.plan.endpoint,
        )
        self.book.keep(skipped)
        self.book.log.info(
            "run skipped handoff=%s endpoint=%s why=%s", skipped.handoff, skipped.endpoint, why
        )

    async def _run(self, plan: RunPlan) -> RateRun | Failed:
        """Run once, and charge what it moved."""
        began_ns, began_monotonic_ns = self.book.clock.unix_ns(), self.book.clock.monotonic_ns()
        try:
            found = await self._measured(plan)
        except asyncio.CancelledError:
            stopped = Failed(what=WHAT, why="the probe was stopped during the run", whose=Owner.HOUSE)
            self.book.keep(placed(stopped, plan, started_ns=began_ns))
            raise
        path = (plan.handoff, plan.endpoint)
        if isinstance(found, RateRun):
            self.book.charge(plan.handoff, found.spent_bytes)
            values = (*path, plan.direction, found.standing, found.spent_bytes)
            self.book.log.info(
                "run stored handoff=%s endpoint=%s direction=%s standing=%s spent_bytes=%d", *values
            )
            return found
        took_s = (self.book.clock.monotonic_ns() - began_monotonic_ns) / NS_PER_S
        self.book.charge(plan.handoff, self._likely_bytes(plan, took_s=took_s))
        self.book.log.warning("run failed handoff=%s endpoint=%s why=%s", *path, found.why)
        return placed(found, plan, started_ns=began_ns)

    async def _measured(self, plan: RunPlan) -> RateRun | Failed:
        try:
            async with asyncio.timeout(plan.seconds + _OVERDUE_S):
                return await self.method(plan, self.reaches[plan.endpoint], self.book.clock)
        except TimeoutError:
            why = f"it had not ended {_OVERDUE_S:g} s after its time, and was given up"
            return Failed(what=WHAT, why=why, whose=Owner.UNKNOWN)
        except Exception as error:
            return self.book.unexpected(error, what=WHAT)

    def _cost_bytes(self, plan: RunPlan) -> int | None:
        return allowance.run_bytes(self.handoff.card, direction=plan.direction, seconds=plan.seconds)

    def _likely_bytes(self, plan: RunPlan, *, took_s: float) -> int:
        """What a failed run moved, which nobody counted: by the time it took, the whole run at most."""
        return round((self._cost_bytes(plan) or 0) * min(1.0, took_s / plan.seconds))


async def _until(unix_ns: int, *, clock: Clock) -> None:
    """Wait for a moment on the wall's clock."""
    left_ns = unix_ns - clock.unix_ns()
    while left_ns > 0:
        await asyncio.sleep(min(left_ns / NS_PER_S, _LOOK_AGAIN_S))
        left_ns = unix_ns - clock.unix_ns()
