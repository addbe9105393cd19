"""Campaigns: a question whose runs are fixed, moment by moment, before the first of them.

When a campaign begins, every moment is drawn from a seed and the whole plan goes into the record, which is
chained and signed; only when it is on the disk does the first run come due. From then on the record is the
campaign: what the site file says later changes nothing of it, and is refused. So nobody, not even who
runs it, can choose the runs by what they showed.

Stands above schedule and book. The moments are pure: times are Unix nanoseconds that the caller hands in.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from datetime import timedelta, tzinfo
from itertools import islice
from random import Random
from typing import Any

from probe.book import Book
from probe.schedule import Due, Slot, midnight_ns, next_due, run_ns, slots_from
from store.clock import zone
from store.errors import StoreTrouble
from store.records import Campaign, Planned
from store.site import CampaignPlan, RunPlan, Site

_SEED_BITS = 128
_WRITE_AGAIN_S = 10.0


def drawn(plan: CampaignPlan, *, now_ns: int, timezone: str, seed: str) -> Campaign:
    """The campaign with all its moments, none before now.

    They come from `random.Random(seed)` of Python, slot after slot, as the schedule draws them, so that the
    draw can be repeated from what is stored.
    """
    where = zone(timezone)
    random = Random(seed)  # noqa: S311 - nothing to guard here, all to repeat
    until_ns = _end_ns(plan, where=where)
    after_ns = max(now_ns, midnight_ns(plan.first_day, where=where))
    planned: list[Planned] = []
    while plan.count is None or len(planned) < plan.count:
        due = next_due(plan.run, after_ns, where=where, random=random)
        if due is None or (until_ns is not None and due.start_ns >= until_ns):
            break
        planned.append(Planned(start_unix_ns=due.start_ns, latest_unix_ns=due.latest_ns))
        after_ns = due.slot.end_ns
    return Campaign(
        started_unix_ns=now_ns, seed=seed, planned=tuple(planned), **_definition(plan, timezone=timezone)
    )


def runs_planned(plan: CampaignPlan, *, where: tzinfo) -> int:
    """How many runs a campaign will have when it begins on its first day."""
    begins_ns, until_ns = midnight_ns(plan.first_day, where=where), _end_ns(plan, where=where)
    slots = slots_from(plan.run, begins_ns, where=where)
    if until_ns is None:
        return sum(1 for _ in islice(slots, plan.count))
    count = 0
    for slot in slots:
        if slot.start_ns >= until_ns:
            break
        count += slot.start_ns >= begins_ns
    return count


def refusals(site: Site, sealed: Iterable[Campaign]) -> tuple[str, ...]:
    """What the site file says otherwise of campaigns that have begun, a sentence each."""
    asked = {plan.name: plan for plan in site.campaigns}
    found = []
    for campaign in sealed:
        plan = asked.get(campaign.name)
        if plan is None:
            continue
        now = _definition(plan, timezone=site.timezone)
        changed = [_KEYS.get(name, name) for name, value in now.items() if value != getattr(campaign, name)]
        if changed:
            found.append(
                f"{site.file}: campaign {campaign.name!r} has begun and cannot be changed any more "
                f"({', '.join(changed)}); put back what it said, or give the new question a name of its own"
            )
    return tuple(found)


def due_after(campaign: Campaign, after_ns: int) -> Due | None:
    """The first run of a campaign from an instant on, None when there is none any more."""
    plan = run_plan(campaign)
    for one in campaign.planned:
        if one.start_unix_ns >= after_ns:
            slot = Slot(start_ns=one.start_unix_ns, end_ns=one.latest_unix_ns + run_ns(plan))
            return Due(
                plan=plan,
                slot=slot,
                start_ns=one.start_unix_ns,
                latest_ns=one.latest_unix_ns,
                campaign=campaign.name,
            )
    return None


def run_plan(campaign: Campaign) -> RunPlan:
    """What each of its runs does."""
    return RunPlan(
        handoff=campaign.handoff,
        endpoint=campaign.endpoint,
        direction=campaign.direction,
        seconds=round(campaign.seconds),
        flows=campaign.flows,
        every_s=campaign.every_s,
    )


async def begins(plan: CampaignPlan, *, timezone: str, book: Book) -> None:
    """Wait until a campaign begins."""
    await book.until(midnight_ns(plan.first_day, where=zone(timezone)))


def begin(plan: CampaignPlan, *, timezone: str, book: Book, random: Random) -> Campaign:
    """Draw a campaign and put it on record."""
    seed = f"{random.getrandbits(_SEED_BITS):032x}"
    campaign = drawn(plan, now_ns=book.clock.unix_ns(), timezone=timezone, seed=seed)
    book.keep(campaign)
    book.log.info("campaign begun name=%s runs=%d", plan.name, len(campaign.planned))
    return campaign


async def written(name: str, *, book: Book) -> None:
    """Wait until everything on record so far is on the disk, however long that takes."""
    while True:
        try:
            return await book.store.flush()
        except StoreTrouble as trouble:
            book.log.warning("campaign waits name=%s why=%s", name, trouble)
            await asyncio.sleep(_WRITE_AGAIN_S)


_KEYS = {"every_s": "every", "first_day": "from", "last_day": "to"}  # where the site file calls it otherwise


def _definition(plan: CampaignPlan, *, timezone: str) -> Mapping[str, Any]:
    """What a site file fixes of a campaign, by the names of the record."""
    run = plan.run
    return {
        "handoff": run.handoff,
        "endpoint": run.endpoint,
        "name": plan.name,
        "question": plan.question,
        "direction": run.direction,
        "seconds": float(run.seconds),
        "flows": run.flows,
        "every_s": run.every_s,
        "hours": "" if run.times is None else run.times.said(),
        "first_day": str(plan.first_day),
        "last_day": None if plan.last_day is None else str(plan.last_day),
        "count": plan.count,
        "timezone": timezone,
    }


def _end_ns(plan: CampaignPlan, *, where: tzinfo) -> int | None:
    return None if plan.last_day is None else midnight_ns(plan.last_day + timedelta(days=1), where=where)
