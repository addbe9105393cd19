"""The scheduled runs of one handoff, one at a time: each is started, skipped by a rule, or fails, on record.

What is due when stands in schedule and campaign, what forbids it in safety, windows, openings and
allowance, what makes it wait in traffic; here is the waiting.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from random import Random
from typing import Protocol

from probe import allowance, budget, campaign, clock_watch, progress, safety, traffic, windows
from probe.book import Book, placed
from probe.ceilings import Ceilings
from probe.changing import Changing, Halted, unless
from probe.reach import Reach
from probe.schedule import Busy, Due, Slot, drawn_again, next_due, run_ns
from store.bursts import BurstRun
from store.capacity import CapacityRun
from store.card import Card
from store.clock import NS_PER_S, Clock, rfc3339, zone
from store.errors import UserMistake
from store.loaded_delay import LoadedDelayRun
from store.pace import Pace, share_of
from store.paced import PacedRun
from store.path_mtu import PathMtu
from store.records import Campaign, Carrier, Direction, Failed, Owner, RateRun, Skipped
from store.rehearsals import Rehearsal
from store.site import Handoff, RunPlan, Site
from store.sizes import SizesRun
from store.steps import StepsRun

WHAT, LIGHT = "run rate", "light run"
ASKED = "asked"  # the reason of a run whose moment somebody chose

_LOOK_AGAIN_S = 30.0  # a wait by the wall's clock looks at it this often, should nobody tell of a change
_LATE_NS = NS_PER_S  # a start this late still fits: what a run takes besides its seconds is rounded up
_CATCH_UP_NS = 86_400 * NS_PER_S  # slots that passed are said one by one, those of more than a day at once
_ASKED_WAITS_NS = 600 * NS_PER_S  # so long a run that was asked for waits for others' traffic
_ASKED_MAX = 16
_OVERDUE_S = 60.0  # a run that has not ended this long after its seconds never will


Measured = (
    RateRun | PacedRun | CapacityRun | BurstRun | SizesRun | StepsRun | LoadedDelayRun | PathMtu | Rehearsal
)


class RateMethod(Protocol):
    """One run by the method of its plan; a rate run asks for no more than `pace`.
    Cancelled, it ends the run at both ends before it lets go.
    """

    def __call__(
        self, plan: RunPlan, where: Reach, clock: Clock, /, *, pace: Pace
    ) -> Awaitable[Measured | Failed]: ...


@dataclass(slots=True, kw_only=True)
class Runs:
    """The scheduled rate runs of `handoff`; `reaches` holds the way to each endpoint by its name.

    `campaigns` are those that have begun, and go by their records alone. `look` shows the traffic on the way
    there; None leaves other traffic alone.
    """

    site: Site
    handoff: Handoff
    reaches: Mapping[str, Reach]
    method: RateMethod
    book: Book
    random: Random
    ceilings: Ceilings
    look: traffic.Look | None = None
    busy_until_ns: int = field(default=0, init=False)  # when the last run ended
    campaigns: Sequence[Campaign] = ()
    due: list[Due] = field(default_factory=list, init=False)
    thinning: dict[RunPlan, allowance.Thinning] = field(default_factory=dict, init=False)
    replanned: Changing = field(default_factory=Changing, init=False)
    ended: str | None = field(default=None, init=False)  # why a person ended the run under way
    under_way: Due | None = field(default=None, init=False)
    since_ns: int = field(default=0, init=False)  # no run was planned before this
    clock_seen: int = field(default=0, init=False)  # how many changes of the clock the plans follow

    async def keep_to(self) -> None:
        """Do what is due, the earliest first, until cancelled."""
        self.since_ns, self.clock_seen = self.book.clock.unix_ns(), self.book.wall.count
        self._plan()
        while True:
            planned = await self._first_due()
            try:
                await self._take_turn(planned)
            except Exception:  # a mistake of ours: whoever begins this again must not run the same again
                self._done(planned)
                raise
            self._done(planned)

    async def _take_turn(self, planned: Due) -> None:
        """Run what is planned, or put on record why not."""
        why = await self._held_back(planned)
        if why is None and await self._measured_ceilings(planned.plan):
            why = self._forbidden(planned)  # some seconds have passed
        if planned.asked and not any(one is planned for one in self.due):
            why = why or "whoever asked for it let it go"
        if why is None:
            await self._run(planned)
            self.busy_until_ns = self.book.clock.unix_ns()
        else:
            self._skip(planned, why)

    def replan(
        self,
        site: Site,
        *,
        handoff: Handoff,
        reaches: Mapping[str, Reach],
        campaigns: Sequence[Campaign] = (),
    ) -> None:
        """Go by another site file from now on. A run under way is finished by the old one."""
        self.site, self.handoff, self.reaches, self.campaigns = site, handoff, reaches, campaigns
        self._plan()

    def ask(self, plan: RunPlan, *, why: str) -> None:
        """Make a run that no plan has, as soon as this handoff is free. Raises UserMistake with the rule that
        forbids it now.

        It waits for those before it and for others' traffic, by the rules that hold for every run, and is
        skipped on record when its time goes by.
        """
        self._add(self.refuse(plan, why=why))
        self._show_due()
        self.replanned.changed()

    def refuse(self, plan: RunPlan, *, why: str) -> Due:
        """What `ask` would have done, if it may be. Raises UserMistake with the rule that forbids it now."""
        now_ns = self.book.clock.unix_ns()
        ahead = [one for one in self.due if one.asked]
        if len(ahead) >= _ASKED_MAX:
            raise UserMistake(
                f"{len(ahead)} runs wait on handoff {self.handoff.name} already; end them first"
            )
        waits_ns = _ASKED_WAITS_NS + sum(run_ns(one.plan) for one in ahead)
        if (going := self.book.board.runs.get(self.handoff.name)) is not None:
            waits_ns += run_ns(going.plan)
        latest_ns = now_ns + waits_ns
        slot = Slot(start_ns=now_ns, end_ns=latest_ns + run_ns(plan))
        due = Due(plan=plan, slot=slot, start_ns=now_ns, latest_ns=latest_ns, asked=why)
        if (forbidden := self._forbidden(due)) is not None:
            raise UserMistake(f"it may not run now: {forbidden}")
        return due

    def asked_waiting(self) -> list[Due]:
        """Those that a person asked for and that have not begun."""
        going = self.handoff.name in self.book.board.runs
        return [one for one in self.due if one.asked and not (going and one is self.under_way)]

    def end(self, *, why: str) -> int:
        """End the run under way and let go of those that a person asked for; how many that were."""
        waiting, going = self.asked_waiting(), self.handoff.name in self.book.board.runs
        self.due = [one for one in self.due if not one.asked]
        self._show_due()
        self.replanned.changed()
        if going:
            self.ended = why
            self.book.openings.changed()
        return len(waiting) + going

    def _plan(self) -> None:
        """Draw what is due. A plan that is the same keeps its draw, so that no slot gets a second run."""
        plans = [plan for plan in self.site.runs if plan.handoff == self.handoff.name]
        known, now_ns = self.due, self.book.clock.unix_ns()
        self.due = [one for one in known if one.asked and one.plan.endpoint in self.reaches]
        for plan in plans:
            same = next(
                (one for one in known if one.plan == plan and not one.campaign and not one.asked), None
            )
            if same is not None:
                known.remove(same)
            self._add(same or self._next(plan, now_ns))
        for one in self.campaigns:
            same = next((due for due in known if due.campaign == one.name), None)
            self._add(same or campaign.due_after(one, now_ns))
        self._show_due()
        self.replanned.changed()

    def _done(self, planned: Due) -> None:
        """Draw the next one of this plan, or take the next of this campaign, if it is still planned.

        Slots that passed meanwhile come one by one, and are skipped on record.
        """
        if any(one is planned for one in self.due):
            self.due = [one for one in self.due if one is not planned]
            if planned.asked:
                self._show_due()
                return
            sealed = next((one for one in self.campaigns if one.name == planned.campaign), None)
            if sealed is not None:
                self._add(campaign.due_after(sealed, planned.start_ns + 1))
            else:
                self._add(self._next(planned.plan, self._after(planned)))
        self._show_due()

    def _after(self, planned: Due) -> int:
        """Where the next run of a plan is drawn from. What lies more than a day back is let go, on record."""
        now_ns, after_ns = self.book.clock.unix_ns(), planned.slot.end_ns
        if planned.slot.start_ns - now_ns > _CATCH_UP_NS:
            return now_ns  # the clock was set back a long way while this one ran
        if now_ns - after_ns > _CATCH_UP_NS:
            why = self.book.wall.leapt(after_ns, now_ns) or "the probe woke up too late"
            passed = replace(planned, start_ns=after_ns)
            self._skip(passed, f"{why}, and every slot up to {rfc3339(now_ns)} is let go")
            return now_ns
        return after_ns

    def _follow_clock(self) -> None:
        """Plan on by the wall's clock as it is now, if it was set or the host slept.

        A moment that went by meanwhile is drawn anew from what is left of its slot, so that not everything
        starts at once. A clock set back repeats no slot, unless it is set to before all that was planned,
        or by more than a day.
        """
        clock_watch.look(self.book)
        if self.clock_seen == self.book.wall.count:
            return
        back_ns, now_ns = self.book.wall.set_back_ns(self.clock_seen), self.book.clock.unix_ns()
        self.clock_seen = self.book.wall.count
        if now_ns < self.since_ns or back_ns > _CATCH_UP_NS:
            self.since_ns = now_ns
            plans = [one.plan for one in self.due if not one.campaign and not one.asked]
            self.due = [one for one in self.due if one.campaign or one.asked]
            for plan in plans:
                self._add(self._next(plan, now_ns))
        self.due = [self._drawn_again(one, now_ns) for one in self.due]
        self._show_due()

    def _drawn_again(self, planned: Due, now_ns: int) -> Due:
        late = planned.start_ns + _LATE_NS < now_ns <= planned.latest_ns
        if (
            planned.campaign
            or planned.asked
            or not late
            or self.book.wall.leapt(planned.start_ns, planned.start_ns) is None
        ):
            return planned
        busy = Busy(times=self.site.busy, closed=self._closed)
        where = zone(self.site.timezone)
        return drawn_again(planned, from_ns=now_ns, where=where, random=self.random, busy=busy)

    def _add(self, due: Due | None) -> None:
        if due is not None:
            self.due.append(due)

    def _show_due(self) -> None:
        due = [(one.start_ns, one.plan) for one in self.due if not one.asked]  # those are told by themselves
        self.book.board.plan(self.handoff.name, due)

    def _next(self, plan: RunPlan, after_ns: int) -> Due | None:
        where = zone(self.site.timezone)
        busy = Busy(times=self.site.busy, closed=self._closed)
        return next_due(plan, after_ns, where=where, random=self.random, busy=busy)

    def _closed(self, from_ns: int, to_ns: int) -> Sequence[tuple[int, int]]:
        """When within a span no run may fill the handoff, as far as that is known ahead."""
        never = safety.closed(
            self.handoff.safety, from_ns=from_ns, to_ns=to_ns, where=zone(self.site.timezone)
        )
        return (*windows.closed(self.site, self.handoff.name, from_ns=from_ns, to_ns=to_ns), *never)

    async def _first_due(self) -> Due:
        """The planned run that comes first, once it is time, or time to look at the line before it."""
        while True:
            self._follow_clock()
            if not self.due:
                await self.replanned.change_within(_LOOK_AGAIN_S)
                continue
            planned = min(self.due, key=lambda one: one.start_ns)
            ahead_s = traffic.LOOK_S if self.look else 0.0
            left_s = (planned.start_ns - self.book.clock.unix_ns()) / NS_PER_S - ahead_s
            if left_s <= 0:
                return planned
            await self.replanned.change_within(min(left_s, _LOOK_AGAIN_S))

    async def _held_back(self, planned: Due) -> str | None:
        """None when this run may start now; else, once it is certain, the sentence that forbids it.

        A run that others' traffic holds back is tried again as long as it still ends within its slot.
        """
        while True:
            busy = await self._busy(planned.plan)
            await self.book.until(planned.start_ns)
            clock_watch.look(self.book)
            why = self._forbidden(planned)
            if why is not None or busy is None:
                return why
            if self.book.clock.unix_ns() + round(_LOOK_AGAIN_S * NS_PER_S) > planned.latest_ns:
                return f"{busy}, until it was too late in its slot"
            self.book.log.info("run waits handoff=%s why=%s", self.handoff.name, busy)
            await asyncio.sleep(_LOOK_AGAIN_S - traffic.LOOK_S)

    async def _busy(self, plan: RunPlan) -> str | None:
        """The sentence that makes this run wait, after a look at its interface; None where it may go."""
        if self.book.board.checked(plan.handoff):
            return "a check before a show was under way"
        if self.look is None:
            return None
        where, clock = self.reaches[plan.endpoint], self.book.clock
        began_ns, before = clock.monotonic_ns(), await self.look(where)
        if before is None or before.carrier is Carrier.LOOPBACK:
            return None
        await asyncio.sleep(traffic.LOOK_S)
        after, took_s = await self.look(where), (clock.monotonic_ns() - began_ns) / NS_PER_S
        own_bps = traffic.trains_bps(self.site, plan.handoff)
        found = traffic.others(before, after, seconds=took_s, own_bps=own_bps)
        if found is None:
            return None
        return traffic.too_busy(
            found,
            direction=plan.direction,
            card=self._card,
            port_rate_bps=before.port_rate_bps,
            rules=self.site.rules,
        )

    async def _measured_ceilings(self, plan: RunPlan) -> bool:
        """Measure how much both ends carry at most, where that is due; whether it took any time."""
        if not plan.method.by_tcp:
            return False
        return await self.ceilings.before(self.reaches[plan.endpoint], flows=plan.flows)

    def _forbidden(self, planned: Due) -> str | None:
        """The sentence that forbids this run now, or None."""
        name, now_ns = self.handoff.name, self.book.clock.unix_ns()
        if now_ns > planned.latest_ns + _LATE_NS:
            if (why := self.book.wall.leapt(planned.start_ns, planned.latest_ns)) is not None:
                return why
            if self.busy_until_ns > planned.start_ns:
                return "another run kept the handoff busy until too late in its slot"
            return "the probe woke up too late in its slot"
        if (why := self.book.openings.no_run(name)) is not None:
            return why
        ends_ns, where = now_ns + run_ns(planned.plan), zone(self.site.timezone)
        if (why := safety.forbids(self.handoff, from_ns=now_ns, to_ns=ends_ns, where=where)) is not None:
            return why
        opening = windows.blocking(self.site, name, from_ns=now_ns, to_ns=ends_ns)
        if opening is not None:
            return f"it would touch {opening.window.kind} window {opening.window.name!r}"
        return self._not_paid(planned, now_ns)

    def _not_paid(self, planned: Due, now_ns: int) -> str | None:
        """The sentence when allowance or cap has no room for this run, or must be spared."""
        purses = budget.of_book(self.site, self.handoff, self.book, now_ns=now_ns).purses
        why = allowance.refused(self.handoff, planned.plan, purses, at_ns=now_ns)
        if why is not None or planned.campaign or planned.asked:
            return why  # what a campaign has planned is set aside for it, what a person asks for a decision
        found = allowance.tightest(purses)
        if planned.busy and found.thin.spares_busy:
            return None
        thinning = self.thinning.setdefault(planned.plan, allowance.Thinning(random=self.random))
        return found.said() if thinning.leaves_out(found.thin.one_in) else None

    def _skip(self, planned: Due, why: str) -> None:
        skipped = Skipped(
            what=_what(planned),
            why=why,
            planned_unix_ns=planned.start_ns,
            handoff=planned.plan.handoff,
            endpoint=planned.plan.endpoint,
        )
        self.book.keep(skipped)
        self.book.log.info(
            "run skipped handoff=%s endpoint=%s why=%s", skipped.handoff, skipped.endpoint, why
        )

    async def _run(self, planned: Due) -> None:
        """Run once, keep what came of it, and charge what it moved."""
        plan, what = planned.plan, _what(planned)
        began_ns, began_monotonic_ns = self.book.clock.unix_ns(), self.book.clock.monotonic_ns()
        begun = self.book.begin(what, plan, started_ns=began_ns)
        try:
            self.ended, self.under_way = None, planned
            with self.book.board.running(plan, unix_ns=began_ns, asked=planned.asked):
                found = await self._measured(plan)
        except asyncio.CancelledError:
            likely_bytes = self._likely_bytes(plan, since_ns=began_monotonic_ns)
            why = "the probe was stopped during the run"
            stopped = Failed(what=what, why=why, whose=Owner.HOUSE, spent_bytes=likely_bytes)
            self.book.keep(placed(stopped, plan, started_ns=began_ns), ends=begun)
            self.book.charge(plan.handoff, likely_bytes, up_ratio=_up_ratio(plan.direction))
            raise
        path = (plan.handoff, plan.endpoint)
        if isinstance(found, RateRun | LoadedDelayRun):
            found = self.ceilings.judged(found, factor=self.site.rules.evidence.ceiling_factor)
        if isinstance(found, Measured):
            self.book.charge(plan.handoff, found.spent_bytes, up_ratio=_up_ratio(plan.direction))
            if self.book.keep(_as_planned(found, planned), ends=begun):
                values = (*path, plan.direction, found.standing, found.spent_bytes)
                self.book.log.info(
                    "run stored handoff=%s endpoint=%s direction=%s standing=%s spent_bytes=%d", *values
                )
                return
            why = "it found a figure that no record can hold"
            failed = Failed(what=what, why=why, whose=Owner.UNKNOWN, spent_bytes=found.spent_bytes)
        else:
            likely_bytes = self._likely_bytes(plan, since_ns=began_monotonic_ns)
            failed = replace(found, what=what, spent_bytes=likely_bytes)
            self.book.charge(plan.handoff, likely_bytes, up_ratio=_up_ratio(plan.direction))
        self.book.keep(placed(failed, plan, started_ns=began_ns), ends=begun)
        self.book.log.warning("run failed handoff=%s endpoint=%s why=%s", *path, failed.why)

    async def _measured(self, plan: RunPlan) -> Measured | Failed:
        openings, where = self.book.openings, self.reaches[plan.endpoint]
        no_more = openings.until(lambda: openings.no_run(plan.handoff) or self.ended)
        try:
            pace = share_of(self._card, plan.share_ratio, plan.direction)
            async with asyncio.timeout(plan.lasts_s + _OVERDUE_S):
                with progress.heard_by(partial(self.book.board.progress.__setitem__, plan.handoff)):
                    found = await unless(self.method(plan, where, self.book.clock, pace=pace), no_more)
            if isinstance(found, Halted):
                return Failed(what=_name(plan), why=f"aborted: {found.why}", whose=Owner.HOUSE)
            return found
        except TimeoutError:
            why = f"it had not ended {_OVERDUE_S:g} s after its time, and was given up"
            return Failed(what=_name(plan), why=why, whose=Owner.UNKNOWN)
        except Exception as error:
            return self.book.unexpected(error, what=_name(plan))

    @property
    def _card(self) -> Card:
        """The version of the contract card that is in force now."""
        return self.handoff.card_at(self.book.clock.unix_ns())

    def _cost_bytes(self, plan: RunPlan) -> int | None:
        return allowance.once_bytes(plan, self._card)

    def _likely_bytes(self, plan: RunPlan, *, since_ns: int) -> int:
        """What a failed run moved, which nobody counted: by the time it took, the whole run at most."""
        took_s = (self.book.clock.monotonic_ns() - since_ns) / NS_PER_S
        return round((self._cost_bytes(plan) or 0) * min(1.0, took_s / plan.lasts_s))


def _up_ratio(direction: Direction) -> float:
    """Which part of a run's bytes goes up; of one both ways half, for want of anything better."""
    return {Direction.UP: 1.0, Direction.DOWN: 0.0}.get(direction, 0.5)


def _what(planned: Due) -> str:
    """What a run calls itself where it has no figures.

    `dashboard.judge.campaign` knows a campaign's by that, `dashboard.judge.contract` those at full rate.
    """
    return f"{WHAT}, campaign {planned.campaign}" if planned.campaign else _name(planned.plan)


def _name(plan: RunPlan) -> str:
    return LIGHT if plan.light else f"run {plan.method}"


def _as_planned(run: Measured, planned: Due) -> Measured:
    """The run with the moment that was drawn for it, and its campaign."""
    drawn_ns = None if planned.asked else planned.start_ns
    known = replace(run.circumstances, planned_unix_ns=drawn_ns, campaign=planned.campaign or None)
    made = replace(run, circumstances=known)
    return replace(made, reasons=(ASKED, *made.reasons)) if planned.asked else made
