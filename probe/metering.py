"""Counts what passes each handoff's interface, minute by minute, and puts the hours on record.

What a reading means stands in meter; here is the waiting, and where a meter goes on from. Imports store and
book.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable

from probe.book import Book
from probe.meter import Meter
from probe.reach import Reach
from store import cap
from store.clock import NS_PER_S, Clock, zone
from store.site import Handoff, Site
from store.traffic import Reading, Traffic

LOOK_EVERY_S = 60.0

Count = Callable[[Reach, Clock], Awaitable[Reading | None]]  # None: there is no such interface, or no line


async def keep(meter: Meter, where: Reach, *, count: Count, book: Book) -> None:
    """Count until cancelled; the hour that was under way is put on record then."""
    clock = book.clock
    try:
        while True:
            _keep(meter.take(await count(where, clock), own=book.purse.moved(meter.handoff)), book)
            now_ns = clock.unix_ns()
            left_s = (meter.next_hour_ns(now_ns) - now_ns) / NS_PER_S
            await asyncio.sleep(min(LOOK_EVERY_S, left_s))
    finally:
        _keep(meter.close(), book)


async def restored(site: Site, handoffs: Iterable[Handoff], *, now_ns: int) -> dict[str, Meter]:
    """A meter for each of these handoffs, which goes on from its last record."""
    return await asyncio.to_thread(_restored, site, list(handoffs), now_ns)


def _restored(site: Site, handoffs: Iterable[Handoff], now_ns: int) -> dict[str, Meter]:
    from store.reader import Reader  # brings SQLite along

    where, found = zone(site.timezone), {}
    reader = Reader.open(site.database)
    try:
        for handoff in handoffs:
            since_ns = cap.since_ns(handoff.cap, now_ns, where=where)
            records = reader.documents(Traffic, handoff=handoff.name, since_ns=since_ns)
            ended_ns = records[-1].ended_unix_ns if records else now_ns
            half = reader.spent_bytes(handoff.name, ended_ns) // 2
            found[handoff.name] = Meter(
                handoff=handoff.name, where=where, records=records, unrecorded=(half, half)
            )
    finally:
        reader.close()
    return found


def _keep(record: Traffic | None, book: Book) -> None:
    if record is not None:
        book.keep(record)
        if record.missed:
            book.log.warning("traffic missed handoff=%s why=%s", record.handoff, record.missed)
