"""Once a day, what the site file's rules no longer keep goes from the record (`store.thinning`).

Looking for it happens on a connection of its own, in a thread; removing it in the writer's, a sealed day
after the other, so that what is measured meanwhile waits a second at most. Owned by the daemon.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Protocol

from probe.book import Book
from store import thinning
from store.clock import Clock
from store.errors import DatabaseMistake, StoreTrouble
from store.reader import Reader
from store.records import Thinned
from store.site import Site
from store.thinning import Due, Plan

FIRST_AFTER_S = 3_600.0  # a probe that starts has better things to do
EVERY_S = 86_400.0


class Store(Protocol):
    """What this needs of `store.writer.Writer`."""

    async def let_go(self, due: Due, plan: Plan) -> Thinned | None: ...
    def drop_tens(self, before_ns: int) -> None: ...


async def once_a_day(site: Callable[[], Site], book: Book) -> None:
    """Thin by the rules of the site file as it is then, until cancelled."""
    wait_s = FIRST_AFTER_S
    while True:
        await asyncio.sleep(wait_s)
        try:
            await thin(site(), store=book.store, clock=book.clock, log=book.log)
        except (DatabaseMistake, StoreTrouble) as trouble:
            book.log.warning("not thinned why=%s", trouble)
        wait_s = EVERY_S


async def thin(site: Site, *, store: Store, clock: Clock, log: logging.Logger) -> None:
    """Remove all that is due now. Raises StoreTrouble, once the others are done, for a day that does not fit
    its seal.
    """
    plan, trouble = thinning.plan(site, now_ns=clock.unix_ns()), None
    for due in await asyncio.to_thread(_due, site, plan):
        try:
            thinned = await store.let_go(due, plan)
        except StoreTrouble as why:
            trouble = why
            continue
        if thinned is not None:
            values = (due.rule.key, due.day.day, due.rows, due.bytes)
            log.info("thinned rule=%s day=%s rows=%d bytes=%d", *values)
    store.drop_tens(clock.unix_ns() - thinning.TENS_DAYS * round(EVERY_S) * 10**9)
    if trouble is not None:
        raise trouble


def _due(site: Site, plan: Plan) -> list[Due]:
    reader = Reader.open(site.database)
    try:
        return reader.due(plan)
    finally:
        reader.close()
