"""Runs one row of an acceptance sheet at the rate of the contract card, and puts what came of it on record.

Only while every safety question is answered and no probe runs, since both would measure each other. What
forbids a scheduled run forbids these as well. Imports probe, store, dashboard.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from commands import answering, permission
from dashboard.acceptance_plans import Groups as Groups
from dashboard.acceptance_plans import plans as plans
from dashboard.judge.acceptance_rows import BY_ID
from probe.methods import by_method
from probe.reach import Reach, reaches_of
from store import door
from store.clock import Clock
from store.errors import LinebookError, NotRunning, UserMistake
from store.pace import FULL
from store.records import Document, Failed, Owner, RateRun
from store.site import Handoff, RunPlan, Site
from store.writer import Writer


def run(site: Site, handoff: Handoff, row: str, *, seconds: int | None, clock: Clock) -> bool:
    """Run it; whether everything of it was measured and kept. Raises UserMistake where it may not go."""
    groups = plans(site, handoff, row, seconds=seconds, now_ns=clock.unix_ns())
    _refuse_beside_a_probe(site)
    for asked in (one for group in groups for one in group):
        standing = permission.standing(site, site.handoff(asked.handoff), now_ns=clock.unix_ns())
        why = standing.why_not(site, asked, now_ns=clock.unix_ns())
        if why is not None:
            raise UserMistake(f"--run: row {row} may not run on {asked.handoff} now: {why}")
    for text in BY_ID[row].cautions:
        answering.say(text)
    whole = True
    for group in groups:
        for found in asyncio.run(_together(site, group, clock)):
            whole = _kept(site, found) and whole
    return whole


def _refuse_beside_a_probe(site: Site) -> None:
    try:
        answering.finish(lambda: door.ask(site.database, door.Act.STATUS, within_s=2.0))
    except NotRunning:
        return
    raise UserMistake(
        "--run: a probe is running on this site, and both would measure each other; stop it for the row"
    )


async def _together(site: Site, group: Sequence[RunPlan], clock: Clock) -> list[Document | RateRun | Failed]:
    """The runs of a group at once. One that fails ends those beside it: they would tell nothing."""
    reaches = reaches_of(site)
    runs = {
        asyncio.create_task(_one(plan, reaches[plan.handoff][plan.endpoint], clock), name=plan.handoff): plan
        for plan in group
    }
    found: list[Document | RateRun | Failed] = []
    waiting = set(runs)
    while waiting:
        done, waiting = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        found += [one.result() for one in done]
        if waiting and any(isinstance(one.result(), Failed) for one in done):
            for one in waiting:
                one.cancel()
            await asyncio.wait(waiting)
            found += [_ended(runs[one], clock) for one in waiting]
            answering.say("The runs beside it are ended: the row asks for all of them at once.")
            waiting = set()
    return found


def _ended(plan: RunPlan, clock: Clock) -> Failed:
    return Failed(
        what=f"run {plan.method}",
        why="it was ended, since a run that belongs beside it failed",
        whose=Owner.UNKNOWN,
        started_unix_ns=clock.unix_ns(),
        handoff=plan.handoff,
        endpoint=plan.endpoint,
    )


async def _one(plan: RunPlan, where: Reach, clock: Clock) -> Document | RateRun | Failed:
    what = f"run {plan.method}"
    answering.say(f"{what} on {plan.handoff} {plan.direction}, {plan.lasts_s} s")
    try:
        found = await by_method.measured(plan, where, clock, pace=FULL)
    except LinebookError as trouble:
        found = Failed(what=what, why=str(trouble), whose=Owner.UNKNOWN, started_unix_ns=clock.unix_ns())
    if isinstance(found, Failed):
        answering.say(f"{what} on {plan.handoff} failed: {found.why}")
    return found


def _kept(site: Site, found: Document | RateRun | Failed) -> bool:
    """Whether it is a measurement, and on record."""
    try:
        writer = Writer.open(site.database, clock=Clock(), timezone=site.timezone)
        writer.append(found)
        writer.close()
    except LinebookError as trouble:
        answering.say(f"Not put on record: {trouble}")
        return False
    return not isinstance(found, Failed)
