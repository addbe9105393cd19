"""What the slow pages found, kept from the last time, so that nobody waits for what was judged before.

An answer is good for twenty times as long as it took. After that, up to an hour, it is shown once more, with
its moment, while it is judged anew; it is never shown once somebody noted, corrected, ran or asked for
anything since, or the site file changed. By the same rules one from before the dashboard started is shown,
which was kept on disk. Equal questions at once are judged once. Without a process beside the dashboard all
is found in the reader's thread. Imports slow, beside and on_disk.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from datetime import date
from typing import Any

from dashboard.beside import Beside
from dashboard.kept import TIMES, Kept
from dashboard.on_disk import OnDisk
from dashboard.past import Past
from dashboard.slow import Asked, Page, find
from store.clock import NS_PER_S, Clock, local, zone
from store.errors import LinebookError
from store.reader import Reader, ReaderThread
from store.site import Site

log = logging.getLogger(__name__)

_LONGEST_NS = 3600 * NS_PER_S  # nothing older is shown
_MOST = 64  # answers; a month's findings take some megabytes
_QUIET_S = 20.0  # after the start, which has other things to do, and between two looks


class NotYet(Exception):
    """What was asked for is being judged for the first time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    value: Any
    noted: int
    made_ns: int  # when its judging began, by the monotonic clock
    took_ns: int


class Judged:
    """The answers of one site file."""

    def __init__(
        self,
        site: Site,
        reader: ReaderThread,
        clock: Clock,
        *,
        kept: Kept,
        past: Past,
        beside: Beside | None,
        on_disk: OnDisk | None = None,
    ) -> None:
        self._site, self._reader, self._clock = site, reader, clock
        self._kept, self._past, self._beside, self._on_disk = kept, past, beside, on_disk
        self._answers: dict[Asked, _Answer] = {}
        self._under_way: dict[tuple[Asked, int], asyncio.Task[Any]] = {}

    def follow(self, site: Site, past: Past) -> None:
        """Judge by another site file from now on; what was judged by the one before is shown to nobody."""
        self._site, self._past, self._answers, self._under_way = site, past, {}, {}
        self._on_disk = self._on_disk and self._on_disk.of(site)

    async def found(self, asked: Asked, *, patience_s: float | None = None) -> Any:
        """The answer. Raises NotYet where there is none that may be shown, once patience is at an end."""
        if self._beside is None:
            return await self._reader.read(
                lambda reader: self._kept.get(asked, lambda: self._now(reader, asked))
            )
        noted = await self._reader.read(Reader.noted)
        known = await self._known(asked, noted)
        if known is not None:
            age_ns = self._clock.monotonic_ns() - known.made_ns
            if age_ns < TIMES * known.took_ns:
                return known.value
            if age_ns < _LONGEST_NS:
                self._begin(asked, noted, urgent=True)
                return known.value
        task = asyncio.shield(self._begin(asked, noted, urgent=True))
        done, _ = await asyncio.wait([task], timeout=patience_s)
        if not done:
            raise NotYet
        return await task

    async def ahead(self) -> None:
        """Judge everything before anybody asks, and again before it is too old to be shown; without end."""
        while self._beside is not None:
            await asyncio.sleep(_QUIET_S)
            await self.everything()

    async def everything(self) -> None:
        """Judge what was not judged yet, or would soon be too old to be shown."""
        for asked in self._every():
            try:
                await self._freshen(asked)
            except LinebookError as trouble:  # whoever asks for a page is told
                log.info("not judged ahead page=%s why=%s", asked.page, trouble)

    async def settled(self) -> None:
        """Once nothing is under way."""
        while self._under_way:
            await asyncio.wait(list(self._under_way.values()))

    async def close(self) -> None:
        """Let go of what is under way."""
        for task in self._under_way.values():
            task.cancel()
        await asyncio.gather(*self._under_way.values(), return_exceptions=True)
        if self._beside is not None:
            await self._beside.close()

    def _now(self, reader: Reader, asked: Asked) -> Any:
        return find(reader, site=self._site, past=self._past, asked=asked, now_ns=self._clock.unix_ns())

    def _every(self) -> list[Asked]:
        """What pages ask without a query, the quickest first."""
        today = local(self._clock.unix_ns(), zone(self._site.timezone)).date()
        days: tuple[tuple[Page, date | None], ...] = (
            (Page.SO_FAR, None),
            (Page.ACCEPTANCE, None),
            (Page.FINDINGS, today),
            (Page.LEDGER, None),
            (Page.TERM, today.replace(day=1)),
        )
        first, *_ = handoffs = [one.name for one in self._site.handoffs]
        pages = [Asked(page=page, handoff=name, day=day) for page, day in days for name in handoffs]
        return [*pages[: -len(handoffs)], Asked(page=Page.CALENDAR, handoff=first), *pages[-len(handoffs) :]]

    async def _known(self, asked: Asked, noted: int) -> _Answer | None:
        """The last answer, if nobody noted anything since."""
        known, on_disk = self._answers.get(asked), self._on_disk
        if known is None and on_disk is not None:
            stamp = f"{noted} {await self._reader.read(Reader.origin)}"
            kept = await asyncio.to_thread(on_disk.get, repr(asked), stamp=stamp)
            if kept is not None and on_disk is self._on_disk:
                known = self._of_before(noted, *kept)
        return known if known is not None and known.noted == noted else None

    def _of_before(self, noted: int, made_unix_ns: int, took_ns: int, value: Any) -> _Answer | None:
        """An answer from before the start; None if the clock has gone back since."""
        age_ns = self._clock.unix_ns() - made_unix_ns
        if age_ns < 0:
            return None
        return _Answer(value=value, noted=noted, made_ns=self._clock.monotonic_ns() - age_ns, took_ns=took_ns)

    async def _freshen(self, asked: Asked) -> None:
        noted = await self._reader.read(Reader.noted)
        known = await self._known(asked, noted)
        if known is not None:
            age_ns = self._clock.monotonic_ns() - known.made_ns
            if age_ns < max(_LONGEST_NS // 2, TIMES * known.took_ns):
                return
        await asyncio.shield(self._begin(asked, noted, urgent=False))

    def _begin(self, asked: Asked, noted: int, *, urgent: bool) -> asyncio.Task[Any]:
        task = self._under_way.get((asked, noted))
        if task is None:
            task = asyncio.create_task(self._judge(asked, noted, urgent=urgent), name=f"judge {asked.page}")
            self._under_way[asked, noted] = task
            task.add_done_callback(lambda done: self._ended(done, asked, noted))
        return task

    def _ended(self, task: asyncio.Task[Any], asked: Asked, noted: int) -> None:
        self._under_way.pop((asked, noted), None)
        if not task.cancelled() and task.exception() is not None:
            log.info("not judged page=%s why=%s", asked.page, task.exception())

    async def _judge(self, asked: Asked, noted: int, *, urgent: bool) -> Any:
        site = self._site
        if asked.page is Page.TERM:  # month by month, so that others come in between
            waiting = await self._ask(Asked(page=Page.MONTHS, handoff=asked.handoff), urgent=urgent)
            for month in waiting:
                await self._ask(Asked(page=Page.MONTH, handoff=asked.handoff, month=month), urgent=False)
        began_ns, began_unix_ns = self._clock.monotonic_ns(), self._clock.unix_ns()
        value = await self._ask(asked, urgent=urgent)
        took_ns = self._clock.monotonic_ns() - began_ns
        if site is not self._site:
            return value
        self._keep(asked, _Answer(value=value, noted=noted, made_ns=began_ns, took_ns=took_ns))
        if self._on_disk is not None:
            stamp = f"{noted} {await self._reader.read(Reader.origin)}"
            kept = (began_unix_ns, took_ns, value)
            await asyncio.to_thread(self._on_disk.put, repr(asked), kept, stamp=stamp)
        if asked.page is Page.TERM:  # what it comes to since the start has all months now
            await self._judge(Asked(page=Page.SO_FAR, handoff=asked.handoff), noted, urgent=False)
        return value

    def _keep(self, asked: Asked, answer: _Answer) -> None:
        self._answers.pop(asked, None)
        self._answers[asked] = answer
        if len(self._answers) > _MOST:
            del self._answers[next(iter(self._answers))]

    async def _ask(self, asked: Asked, *, urgent: bool) -> Any:
        assert self._beside is not None  # noqa: S101 - whoever calls this has one
        return await self._beside.ask(self._site, asked, now_ns=self._clock.unix_ns(), urgent=urgent)
