"""Names looked up by one handoff for as long as the daemon runs, an hour of them to a record.

Asked are the host names of the endpoints outside and those that the site file lists, each at a moment of its
own within every interval, so that nothing periodic is met or missed always. An endpoint that is given by its
address has nothing to look up, which is put on record too. None is asked while all tests are stopped. Stands
above book; is handed the method that asks.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from probe.book import Book
from probe.changing import unless
from probe.linux import resolver as resolvers
from probe.lookup_outcome import record
from probe.reach import Binding
from store.clock import NS_PER_S, Clock
from store.lookups import Lookups, NameAsked
from store.site import LookupPlan

KEEP_S = 3600.0
AGAIN_S = 600.0  # where there is no resolver to ask


class LookupMethod(Protocol):
    """One query to a resolver and what became of it."""

    def __call__(
        self, name: str, address: str, binding: Binding, clock: Clock, /, *, started_ns: int
    ) -> Awaitable[NameAsked]: ...


def names_of(plan: LookupPlan, hosts: Sequence[tuple[str, str]]) -> tuple[tuple[str, ...], str]:
    """(names to ask, why there is none); `hosts` are endpoints' names with their hosts."""
    named = [host for _, host in hosts if "." in host.removesuffix(".") and not resolvers.is_address(host)]
    found = tuple(dict.fromkeys((*plan.names, *named)))
    if found:
        return found, ""
    given = ", ".join(f"{name} ({host})" for name, host in hosts)
    return (), f"no endpoint outside is given by a name, so there is nothing to look up: {given or 'none'}"


@dataclass(slots=True, kw_only=True)
class Lookup:
    """The lookups of one handoff."""

    plan: LookupPlan
    handoff: str
    binding: Binding
    hosts: tuple[tuple[str, str], ...]  # endpoints outside and their hosts
    ask: LookupMethod
    book: Book
    random: Random
    _resolver: str = field(default="", init=False)
    _started_ns: int = field(default=0, init=False)
    _asked: list[NameAsked] = field(default_factory=list, init=False)

    async def keep_asking(self) -> None:
        """Ask until cancelled; what was asked so far is on record then."""
        names, missed = names_of(self.plan, self.hosts)
        if not names:
            self._keep_missed(missed)
            return
        try:
            while True:
                resolver = self.plan.resolver or await asyncio.to_thread(resolvers.of_host)
                if resolver is None:
                    self._cut()
                    self._keep_missed("this host is told of no resolver (resolv.conf)")
                    await asyncio.sleep(AGAIN_S)
                    continue
                await self._once_each(names, resolver)
        finally:
            self._cut()

    async def _once_each(self, names: tuple[str, ...], resolver: str) -> None:
        """Every name at a moment of its own within one interval."""
        book, openings = self.book, self.book.openings
        moments = sorted((self.random.uniform(0, self.plan.every_s), name) for name in names)
        waited_s = 0.0
        for at_s, name in moments:
            await asyncio.sleep(at_s - waited_s)
            waited_s = at_s
            await openings.until(openings.going)
            now_ns = book.clock.unix_ns()
            if resolver != self._resolver or not 0 <= now_ns - self._started_ns < KEEP_S * NS_PER_S:
                self._cut()
                self._resolver, self._started_ns = resolver, now_ns
            asking = self.ask(name, resolver, self.binding, book.clock, started_ns=self._started_ns)
            found = await unless(asking, openings.until(openings.no_traffic))
            if isinstance(found, NameAsked):
                self._asked.append(found)
        await asyncio.sleep(self.plan.every_s - waited_s)

    def _cut(self) -> None:
        asked, self._asked = self._asked, []
        if asked:
            self.book.keep(
                record(
                    self._resolver,
                    asked,
                    started_ns=self._started_ns,
                    handoff=self.handoff,
                    run_by=self.plan.run_by,
                )
            )

    def _keep_missed(self, why: str) -> None:
        now_ns = self.book.clock.unix_ns()
        self.book.log.info("no lookups handoff=%s why=%s", self.handoff, why)
        self.book.keep(
            Lookups(handoff=self.handoff, started_unix_ns=now_ns, resolver="", asked=(), missed=why)
        )
