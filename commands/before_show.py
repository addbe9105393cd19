"""`linebook check --before`: a day, an hour or ten minutes before a show.

Reads the forecast of comparable hours, makes the stage's own runs and looks at the rest, and keeps the
answer as a forecast that can be scored after the show. Imports probe, store, dashboard.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from commands import answering, permission
from commands.permission import Standing
from dashboard import history, planned, text_shows
from dashboard.judge import before, hours
from dashboard.judge.hours import Show
from dashboard.judge.stream import Check
from dashboard.planned import AHEAD_S, Planned
from probe import safety, windows
from probe.methods import rate, train
from probe.methods.rate import RatePlan
from probe.reach import Reach, Reaches, reaches_of
from store import before_show, door
from store import site as sites
from store.before_show import FLOWS, STINTS, Stage, Stint
from store.clock import NS_PER_S, Clock, local, zone
from store.errors import LinebookError, UserMistake
from store.failovers import Failover
from store.pace import FULL, Pace
from store.reader import Reader
from store.records import Direction, Failed, Owner, RateRun, Stall, TrainSpan
from store.shows import CheckRun, Forecast, LookedAt
from store.site import Handoff, Site, StreamPlan, Where, WindowKind

_SETTLE_S = 6.0  # what opening and ending a run takes, beside its seconds
_LOOK_EVERY_S = 1.0
_IDLE_S = 1.0  # the run's train alone before it
_PAYLOAD_OF_IP = 1448 / 1500  # what a full packet of IPv4 with TCP timestamps carries (RFC 6349, RFC 7323)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is read before anything is sent."""

    check: Check
    recent: LookedAt
    failover: Failover | None
    standings: dict[str, Standing]


@dataclass(frozen=True, slots=True, kw_only=True)
class _House:
    span: TrainSpan | Failed | None
    stalls: tuple[Stall, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What a check gives: the forecast, and the runs that it made. None of it is on record yet."""

    check: Check
    forecast: Forecast
    runs: tuple[CheckRun, ...]


def run(site: Site, plan: StreamPlan, stage: Stage, *, clock: Clock) -> Checked | None:
    """The check of one stage; None when SIGINT or SIGTERM ended it."""
    began_ns, now_ns = clock.monotonic_ns(), clock.unix_ns()
    show = _show(site, plan, now_ns)
    uplinks = before_show.uplinks(site, plan, stage)
    known = _read(site, plan, uplinks, now_ns)
    asked_bps = before_show.asked_bps(known.check.demand_bps, stage)
    answering.say(f"Checking {plan.title} {stage} before: at most {STINTS[stage].within_s:g} s.")
    found = answering.unless_terminated(lambda: _measure(site, plan, uplinks, known, stage, asked_bps, clock))
    if found is None:
        return None
    runs, house = found
    rows = _rows(site, plan, show, known, runs, house, stage, asked_bps, now_ns)
    took_ms = (clock.monotonic_ns() - began_ns) // 1_000_000
    told = forecast(plan, known.check, show, before_=stage, rows=tuple(rows), took_ms=took_ms)
    return Checked(check=known.check, forecast=told, runs=tuple(_kept(runs, plan, stage, asked_bps)))


def forecast(
    plan: StreamPlan,
    check: Check,
    show: Show,
    *,
    before_: str,
    rows: tuple[LookedAt, ...] = (),
    took_ms: int = 0,
) -> Forecast:
    """The record of an answer for a show, lowered by what was found just now."""
    answer, decides = before.answer(check.answer, rows)
    helps = before.still_helping(check, answer, decides, plan)
    because = check.because if decides is None else f"{decides.what.capitalize()}: {decides.said}"
    chance = check.chance
    return Forecast(
        handoff=plan.handoff,
        started_unix_ns=check.started_unix_ns,
        plan=plan.name,
        show_start_unix_ns=show.start_unix_ns,
        show_end_unix_ns=show.end_unix_ns,
        before=before_,
        answer=str(answer),
        because=because,
        smallest_change=helps[0].text if helps else None,
        chance=None if chance is None else chance.share,
        chance_low=None if chance is None or not chance.days else chance.low,
        chance_high=None if chance is None or not chance.days else chance.high,
        days=0 if chance is None else chance.days,
        demand_bps=check.demand_bps,
        peak_bps=check.peak_bps,
        floor_bps=check.floor_bps,
        rows=rows,
        took_ms=took_ms,
    )


def command(options: Any) -> int:
    """`linebook check SITE --plan NAME --before STAGE`."""
    site = sites.load(options.site)
    plan = answering.stream_plan(site, options.plan)
    checked = run(site, plan, Stage(options.before), clock=Clock())
    if checked is None:
        answering.say("Ended before its time; nothing of it is on record.")
        return answering.EXIT_STOPPED
    found = checked.forecast
    for one in (*checked.runs, found):
        answering.put_on_record(site, one)
    if options.paper:
        from dashboard.papers import files, shows

        show = Show(start_unix_ns=found.show_start_unix_ns, end_unix_ns=found.show_end_unix_ns)
        told = planned.told(site, plan, show, checked.check, found)
        sheet = shows.day_sheet(site, told, now_ns=found.started_unix_ns)
        files.write_all(sheet, text_shows.forecast_json(found), options.paper)
    if options.json:
        answering.print_json(text_shows.forecast_json(found))
    else:
        print(text_shows.forecast(found, plan, zone(site.timezone)))
    return 0


def keep(site: Site, found: Planned) -> None:
    """Put the answer of a check without runs on record, as the forecast of the next show."""
    show = _show(site, found.plan, found.check.started_unix_ns)
    answering.put_on_record(site, forecast(found.plan, found.check, show, before_="any"))


def _show(site: Site, plan: StreamPlan, now_ns: int) -> Show:
    where = zone(site.timezone)
    found = hours.next_show(plan.times, where, now_unix_ns=now_ns, within_s=AHEAD_S)
    if found is None:
        raise UserMistake(f"--plan: plan {plan.name!r} in {site.file} has no show in the next 31 days")
    return found


def _read(site: Site, plan: StreamPlan, uplinks: Sequence[Handoff], now_ns: int) -> _Known:
    with closing(Reader.open(site.database)) as reader:
        check = history.check_of(reader, site, plan, now_unix_ns=now_ns, thorough=True)
        recent = history.recent_stalls(reader, site, plan, now_unix_ns=now_ns)
        failovers = reader.documents(Failover, handoff=plan.handoff, until_ns=now_ns, limit=1)
    return _Known(
        check=check,
        recent=recent,
        failover=failovers[0] if failovers else None,
        standings={one.name: permission.standing(site, one, now_ns=now_ns) for one in uplinks},
    )


async def _measure(
    site: Site,
    plan: StreamPlan,
    uplinks: Sequence[Handoff],
    known: _Known,
    stage: Stage,
    asked_bps: int | None,
    clock: Clock,
) -> tuple[dict[str, RateRun | Failed | str], _House]:
    """The runs of the stage by handoff, and a train to the house endpoint beside the first one.

    Capped runs on several uplinks go at once, full ones one after the other.
    """
    reaches, stint = reaches_of(site), STINTS[stage]
    answering.say(safety.CAUTION if asked_bps is None else safety.CAUTION_LIGHT)
    house = asyncio.create_task(_house(site, plan, reaches, stint, clock), name="house")
    asked = {one.name: _one(site, one, reaches, known, stage, asked_bps, clock) for one in uplinks}
    if asked_bps is None:
        found = {name: await work for name, work in asked.items()}
    else:
        found = dict(zip(asked, await asyncio.gather(*asked.values()), strict=True))
    return found, await house


async def _one(
    site: Site,
    handoff: Handoff,
    reaches: Reaches,
    known: _Known,
    stage: Stage,
    asked_bps: int | None,
    clock: Clock,
) -> RateRun | Failed | str:
    """A run up, or the sentence why there is none."""
    stint = STINTS[stage]
    outside = before_show.outside(site)
    if outside is None:
        return "no endpoint stands outside"
    where = reaches[handoff.name][outside]
    plan = before_show.run_plan(handoff.name, where.endpoint, stage, capped_bps=asked_bps)
    why = known.standings[handoff.name].why_not(site, plan, now_ns=clock.unix_ns())
    if why is None:
        why = await _busy(site, handoff, patience_s=stint.within_s - stint.run_s - 2 * _SETTLE_S)
    if why is not None:
        return why
    payload_bps = None if asked_bps is None else math.ceil(asked_bps * _PAYLOAD_OF_IP)
    asked = RatePlan(
        direction=Direction.UP,
        flows=FLOWS,
        seconds=stint.run_s,
        pace=FULL if payload_bps is None else Pace(up_bps=payload_bps),
        idle_s=_IDLE_S,
    )
    try:
        async with asyncio.timeout(stint.run_s + _SETTLE_S):
            return await rate.run(
                asked, where, clock, on_progress=lambda said: answering.say(f"{handoff.name}: {said}")
            )
    except TimeoutError:
        return f"it was not over after {stint.run_s + _SETTLE_S:g} s, which is all that this stage has"
    except LinebookError as trouble:
        return str(trouble)


async def _busy(site: Site, handoff: Handoff, *, patience_s: float) -> str | None:
    """Why not now: the running probe has a run of its own on this handoff and does not end it in time."""
    waited_s = 0.0
    while await _running(site, handoff):
        if waited_s >= patience_s:
            return "the probe has a run of its own under way there; try again when it is over"
        await asyncio.sleep(_LOOK_EVERY_S)
        waited_s += _LOOK_EVERY_S
    return None


async def _running(site: Site, handoff: Handoff) -> bool:
    try:
        status = await door.ask(site.database, door.Act.STATUS, within_s=2.0)
    except LinebookError:
        return False
    return any(one.get("handoff") == handoff.name for one in status.get("running", []))


async def _house(site: Site, plan: StreamPlan, reaches: Reaches, stint: Stint, clock: Clock) -> _House:
    """A train to the house endpoint for as long as the first run takes."""
    near = [one.name for one in site.endpoints if one.where is Where.HOUSE]
    if not near:
        return _House(span=None)
    where: Reach = reaches[plan.handoff][near[0]]
    asked = train.TrainRequest(
        seconds=min(stint.run_s, 10.0), per_second=20.0, packet_bytes=train.PACKET_BYTES, waiting_s=1.0
    )
    try:
        found = await train.run(asked, where, clock)
    except LinebookError as trouble:
        return _House(span=Failed(what="train", why=str(trouble), whose=Owner.UNKNOWN))
    return _House(span=found) if isinstance(found, Failed) else _House(span=found.span, stalls=found.stalls)


def _rows(
    site: Site,
    plan: StreamPlan,
    show: Show,
    known: _Known,
    runs: dict[str, RateRun | Failed | str],
    house: _House,
    stage: Stage,
    asked_bps: int | None,
    now_ns: int,
) -> list[LookedAt]:
    """Everything that was looked at, the runs first."""
    check = known.check
    rows = [
        before.carried(found, check, asked_bps=asked_bps, own=name == plan.handoff, name=name)
        for name, found in runs.items()
    ]
    rows.append(known.recent)
    own = runs[plan.handoff]
    around = own.circumstances if isinstance(own, RateRun) else None
    if stage is not Stage.MINUTES or house.span is not None:
        rows.append(before.house(house.span, house.stalls))
    card = site.handoff(plan.handoff).card_at(now_ns)
    rows.append(before.port(around, check, contracted_bps=card.port_rate_bps))
    rows.append(before.others(around, check))
    rows.append(before.maintenance(_works(site, plan, show)))
    cap = known.standings[plan.handoff].budget.cap
    left = None if cap is None else cap.cap.limit_bytes - cap.used_bytes
    rows.append(before.allowance(left, check, (show.end_unix_ns - show.start_unix_ns) / NS_PER_S))
    if stage is Stage.DAY:
        uplinks = len(site.handoffs)
        rows.append(before.exercised(known.failover, now_unix_ns=now_ns, uplinks=uplinks))
    return rows


def _works(site: Site, plan: StreamPlan, show: Show) -> list[str]:
    """The provider's works that touch the show."""
    where = zone(site.timezone)
    found = windows.open_within(site, plan.handoff, from_ns=show.start_unix_ns, to_ns=show.end_unix_ns)
    return [
        f"{one.window.name} {local(one.start_ns, where):%a %d %b %H:%M} to {local(one.end_ns, where):%H:%M}"
        for one in found
        if one.window.kind is WindowKind.MAINTENANCE
    ]


def _kept(
    runs: dict[str, RateRun | Failed | str], plan: StreamPlan, stage: Stage, asked_bps: int | None
) -> Iterator[CheckRun]:
    """The records of the runs, each with what it costs its own handoff's allowance."""
    for found in runs.values():
        if isinstance(found, RateRun) and found.up is not None:
            yield CheckRun(
                handoff=found.handoff,
                endpoint=found.endpoint,
                started_unix_ns=found.started_unix_ns,
                reasons=found.reasons,
                plan=plan.name,
                before=stage,
                seconds=found.seconds,
                asked_bps=asked_bps,
                rates=found.up.rates,
                lowest_second_bps=found.up.lowest_second_bps,
                rtt_idle_us=found.rtt_idle_us,
                rtt_loaded_us=found.rtt_loaded_us,
                limited_by=found.up.limited_by,
                spent_bytes=found.spent_bytes,
                circumstances=found.circumstances,
            )
