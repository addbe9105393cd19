"""The probe as it runs for years: trains without end, rate runs by the schedule, everything on record.

One task a train and one a handoff with runs, in one TaskGroup; none can take another down. It ends by
being cancelled, within 2 s. Stands above trains and runs and hands them the methods, which it loads only
when it runs.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from random import Random, SystemRandom

from probe.allowance import Purse, month_start_ns
from probe.book import Book, Store
from probe.reach import Binding, Reach
from probe.runs import RateMethod, Runs
from probe.trains import TrainMethod, keep_going
from probe.wire import invitation
from store.clock import Clock, rfc3339, zone
from store.errors import StoreTrouble, UserMistake
from store.records import Failed, Gap, RateRun
from store.site import EndpointRef, RunPlan, Site

ALIVE_EVERY_S = 10.0

_FLUSH_WITHIN_S = 1.0
_LOG = logging.getLogger("probe")


@dataclass(frozen=True, slots=True, kw_only=True)
class Methods:
    """How a daemon measures."""

    rate: RateMethod
    train: TrainMethod


async def run(
    site: Site,
    *,
    clock: Clock,
    writer: Store,
    methods: Methods | None = None,
    random: Random | None = None,
    spent_bytes: Mapping[str, int] | None = None,
    log: logging.Logger = _LOG,
) -> None:
    """Measure by the site file until cancelled; all that was measured is with the writer then.

    `spent_bytes` is what each handoff's tests moved so far this month; None asks the site's database.
    Raises UserMistake for an invitation that cannot be read.
    """
    reaches, where = _reaches(site), zone(site.timezone)
    month_ns = month_start_ns(clock.unix_ns(), where=where)
    if methods is None:
        methods = await asyncio.to_thread(_methods)
    if spent_bytes is None:
        spent_bytes = await asyncio.to_thread(_spent_since, month_ns, site)
    purse = Purse(where=where, month_ns=month_ns, spent=dict(spent_bytes))
    book = Book(store=writer, purse=purse, clock=clock, log=log)
    _note_absence(book)
    log.info("probe started site=%s trains=%d runs=%d", site.name, len(site.trains), len(site.runs))
    try:
        await _measure(site, reaches, book=book, methods=methods, random=random or SystemRandom())
    finally:
        await _leave(book)
        log.info("probe stopped site=%s", site.name)


async def _measure(
    site: Site,
    reaches: Mapping[str, Mapping[str, Reach]],
    *,
    book: Book,
    methods: Methods,
    random: Random,
) -> None:
    """Everything at once, until cancelled."""
    async with asyncio.TaskGroup() as group:
        group.create_task(_stay_alive(book), name="alive")
        for train in site.trains:
            where = reaches[train.handoff][train.endpoint]
            keeping = keep_going(train, where, method=methods.train, book=book, random=random)
            group.create_task(keeping, name=f"train {train.handoff} {train.endpoint}")
        for handoff in site.handoffs:
            plans = [plan for plan in site.runs if plan.handoff == handoff.name]
            runs = Runs(
                site=site,
                handoff=handoff,
                reaches=reaches[handoff.name],
                method=methods.rate,
                book=book,
                random=random,
            )
            if plans:
                group.create_task(runs.keep_to(plans), name=f"runs {handoff.name}")


def _note_absence(book: Book) -> None:
    """Put the time since the last sign of life on record, if there was one."""
    now_ns, last_ns = book.clock.unix_ns(), book.store.last_alive_unix_ns
    if last_ns is None:
        return
    if last_ns > now_ns:
        book.log.warning("clock behind last_alive=%s now=%s", rfc3339(last_ns), rfc3339(now_ns))
        return
    book.keep(Gap(started_unix_ns=last_ns, ended_unix_ns=now_ns, why="the probe was not running"))


async def _stay_alive(book: Book) -> None:
    """Leave a sign of life every 10 s, and say once when the store cannot be written or can again."""
    said = ""
    while True:
        book.store.mark_alive(book.clock.unix_ns())
        trouble = str(book.store.trouble or "")
        if bool(trouble) != bool(said):
            book.log.warning("store %s", f"trouble why={trouble}" if trouble else "written again")
        said = trouble
        await asyncio.sleep(ALIVE_EVERY_S)


async def _leave(book: Book) -> None:
    """Hand everything to the disk, which may take a second and no longer."""
    book.store.mark_alive(book.clock.unix_ns())
    try:
        async with asyncio.timeout(_FLUSH_WITHIN_S):
            await book.store.flush()
    except TimeoutError:
        book.log.error("store not flushed within_s=%.1f", _FLUSH_WITHIN_S)
    except StoreTrouble as trouble:
        book.log.error("store not flushed why=%s", trouble)


def _reaches(site: Site) -> dict[str, dict[str, Reach]]:
    """The way from each handoff to each endpoint. Raises UserMistake that names the endpoint."""
    invitations = {endpoint.name: _invitation(endpoint) for endpoint in site.endpoints}
    return {
        handoff.name: {
            name: Reach(
                handoff=handoff.name,
                endpoint=name,
                invitation=found,
                binding=Binding(interface=handoff.interface, source=handoff.source),
            )
            for name, found in invitations.items()
        }
        for handoff in site.handoffs
    }


def _invitation(endpoint: EndpointRef) -> invitation.Invitation:
    try:
        return invitation.parse(endpoint.invitation)
    except UserMistake as mistake:
        raise UserMistake(f"endpoint {endpoint.name!r}: {mistake}") from None


def _spent_since(month_ns: int, site: Site) -> dict[str, int]:
    """What tests moved since then on each handoff that has an allowance. Blocks."""
    limited = [handoff.name for handoff in site.handoffs if handoff.allowance_bytes is not None]
    if not limited:
        return {}
    from store.reader import Reader

    reader = Reader.open(site.database)
    try:
        return {name: reader.spent_bytes(name, month_ns) for name in limited}
    finally:
        reader.close()


def _methods() -> Methods:
    """The real ones, loaded only here. Blocks."""
    from probe.methods import rate, train

    async def run_rate(plan: RunPlan, where: Reach, clock: Clock, /) -> RateRun | Failed:
        asked = rate.RatePlan(direction=plan.direction, flows=plan.flows, seconds=plan.seconds)
        return await rate.run(asked, where, clock)

    return Methods(rate=run_rate, train=train.keep)
