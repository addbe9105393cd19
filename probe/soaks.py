"""Soaks of the daemon's own trains: a beginning and an end on record before, and what was kept in between.

A soak sends nothing of its own, so no window stops it and it costs nothing. Its beginning is a record; after
its end the record of the soak is made from the stored spans, also by a daemon that was started since. Time
without a span is a gap. Stands beside runs, above book.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from probe.book import Book
from probe.schedule import next_due, slots_from
from store.clock import NS_PER_S, zone
from store.errors import StoreTrouble
from store.records import Gap
from store.site import RunPlan, Site, TrainPlan
from store.soaks import SOAK_S, Kept, Soak, SoakBegun, soak_of
from store.unfinished import DOUBT_S

ReadKept = Callable[[SoakBegun], Awaitable[Kept]]

LOOK_BACK_NS = (31 * 86_400 + SOAK_S[1]) * NS_PER_S  # the longest slot, and a soak at its end

# A span is on record so long after its end, where it is not in doubt whose a silence was.
_LAST_REPLIES_S = 15
_AGAIN_S = 60.0  # when the store could not be written or read


@dataclass(slots=True, kw_only=True)
class Soaks:
    """The soaks that have begun, and `done` those of them whose record is made; by their path and start."""

    book: Book
    read: ReadKept
    random: Random
    begun: list[SoakBegun] = field(default_factory=list)
    done: set[tuple[str, str, int]] = field(default_factory=set)

    def restore(self, found: Iterable[SoakBegun | Soak]) -> None:
        """Go on from what is on record."""
        for one in found:
            if isinstance(one, Soak):
                self.done.add(_key(one))
            else:
                self.begun.append(one)

    def under_way(self, now_ns: int) -> tuple[SoakBegun, ...]:
        """Those that have begun and not ended."""
        return tuple(one for one in self.begun if one.started_unix_ns <= now_ns < one.ends_unix_ns)

    def work(self, site: Site) -> list[Callable[[], Coroutine[Any, Any, None]]]:
        """What there is to do under this site file: end what has begun, and begin what is due."""
        trains = {(train.handoff, train.endpoint): train for train in site.trains}
        where = zone(site.timezone)
        open_ = [one for one in self.begun if _key(one) not in self.done]
        return [
            *(partial(self._finish, one) for one in open_),
            *(
                partial(self._keep_to, plan, trains[plan.handoff, plan.endpoint], where)
                for plan in site.soaks
                if (plan.handoff, plan.endpoint) in trains
            ),
        ]

    async def _keep_to(self, plan: RunPlan, train: TrainPlan, where: tzinfo) -> None:
        span_ns = train.span_s * NS_PER_S
        while True:
            due = next_due(plan, self._free_ns(plan, where), where=where, random=self.random)
            if due is None:
                return
            await self.book.until(_whole(due.start_ns, span_ns))
            now_ns = self.book.clock.unix_ns()
            start_ns = _whole(due.start_ns, span_ns)
            if now_ns - start_ns >= span_ns:  # the host slept: none begins before it is on record
                start_ns = _whole(now_ns, span_ns)
            begun = SoakBegun(
                handoff=plan.handoff,
                endpoint=plan.endpoint,
                started_unix_ns=start_ns,
                ends_unix_ns=start_ns + plan.seconds * NS_PER_S,
                per_second=train.per_second,
                span_s=train.span_s,
            )
            self.begun.append(begun)
            self.book.keep(begun)
            self.book.log.info("soak begun handoff=%s endpoint=%s", begun.handoff, begun.endpoint)
            await self._finish(begun)

    def _free_ns(self, plan: RunPlan, where: tzinfo) -> int:
        """From when on another may begin: in a slot that has had one, and over one that goes, none does."""
        path = (plan.handoff, plan.endpoint)
        own = [one for one in self.begun if (one.handoff, one.endpoint) == path]
        slots = (next(slots_from(plan, one.started_unix_ns, where=where), None) for one in own)
        ends = (slot.end_ns for slot in slots if slot is not None)
        return max([self.book.clock.unix_ns(), *ends, *(one.ends_unix_ns for one in own)])

    async def _finish(self, begun: SoakBegun) -> None:
        """Make the record once the last span is stored."""
        due_ns = begun.ends_unix_ns + (begun.span_s + _LAST_REPLIES_S) * NS_PER_S
        latest_ns = due_ns + round(DOUBT_S * NS_PER_S)
        await self.book.until(due_ns)
        while True:
            try:
                await self.book.store.flush()
                kept = await self.read(begun)
                if kept.reaches(begun.ends_unix_ns) or self.book.clock.unix_ns() >= latest_ns:
                    break
            except StoreTrouble as trouble:
                self.book.log.warning("soak waits handoff=%s why=%s", begun.handoff, trouble)
            except Exception:  # what was measured is on record, and no other task may go down with this one
                self.book.log.exception("soak waits handoff=%s", begun.handoff)
            await asyncio.sleep(_AGAIN_S)
        soak = soak_of(begun, kept)
        self.done.add(_key(soak))
        self.book.keep(soak)
        values = (soak.handoff, soak.endpoint, soak.sent, soak.lost_up, soak.lost_down)
        self.book.log.info("soak stored handoff=%s endpoint=%s sent=%d lost_up=%d lost_down=%d", *values)


def stored(database: Path) -> ReadKept:
    """Reads a soak's time from the database, off the event loop."""

    async def read(begun: SoakBegun) -> Kept:
        return await asyncio.to_thread(_read, database, begun)

    return read


def _read(database: Path, begun: SoakBegun) -> Kept:
    from store.reader import Reader

    reader = Reader.open(database)
    try:
        handoff, endpoint = begun.handoff, begun.endpoint
        since_ns, until_ns = begun.started_unix_ns, begun.ends_unix_ns
        spans = reader.train_spans(handoff=handoff, endpoint=endpoint, since_ns=since_ns, until_ns=until_ns)
        stalls = reader.stalls(
            handoff=handoff,
            endpoint=endpoint,
            since_ns=since_ns,
            until_ns=until_ns + begun.span_s * NS_PER_S,
        )
        troubles = reader.troubles(handoff=handoff, endpoint=endpoint, since_ns=since_ns, until_ns=until_ns)
    finally:
        reader.close()
    gaps = tuple(one for one in troubles if isinstance(one, Gap))
    return Kept(spans=tuple(spans), stalls=tuple(stalls), gaps=gaps)


def _whole(unix_ns: int, span_ns: int) -> int:
    """The first beginning of a span from a moment on."""
    return -(-unix_ns // span_ns) * span_ns


def _key(one: SoakBegun | Soak) -> tuple[str, str, int]:
    return one.handoff, one.endpoint, one.started_unix_ns
