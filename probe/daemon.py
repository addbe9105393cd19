"""The probe as it runs for years: trains without end, rate runs by the schedule, everything on record.

One task a train and one a handoff with runs, in one TaskGroup; none can take another down. It ends by
being cancelled, within 2 s. Whoever holds a `Daemon` may stop all test traffic, open a show window, and
hand it another site file while it goes. Stands above trains and runs and hands them the methods, which it
loads only when it runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable, Coroutine, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random, SystemRandom
from typing import Any, Protocol

from probe import (
    asked,
    before_show,
    budget,
    campaign,
    clock_watch,
    foreseen,
    hop_book,
    hours,
    letting_go,
    lookup_book,
    metering,
    optics,
    ports,
    traffic,
    upload,
)
from probe.allowance import Purse, month_start_ns
from probe.before_show import CheckMethod, Checks
from probe.board import CheckNow, RunNow
from probe.book import Book, Store
from probe.budget import Budget
from probe.ceilings import CeilingMethod, Ceilings
from probe.notices.sending import Deliver, Notices, deliver
from probe.noticing import Noticing
from probe.openings import Openings
from probe.reach import Reach, Reaches, reaches_of
from probe.runs import RateMethod, Runs
from probe.schedule import Due
from probe.shortage import shortage
from probe.soaks import ReadKept, Soaks, stored
from probe.status import Status
from probe.trains import TrainMethod, keep_going, keep_hours
from store import site as sites
from store.asked_for import AskedFor
from store.before_show import Stage
from store.cases import unended
from store.ceilings import Ceiling, CeilingOf, newest
from store.clock import NS_PER_S, Clock, rfc3339, zone
from store.errors import LinebookError, StoreTrouble, UserMistake
from store.events import Event, EventKind
from store.notice_channels import Channel
from store.notices import Notice
from store.records import Campaign, Failed, Gap, Opener, OpenKind, WindowOpened
from store.site import CampaignPlan, RunPlan, Site, TrainPlan, Where
from store.soaks import Soak, SoakBegun
from store.unfinished import NOT_RUNNING, SEAM_NS

ALIVE_EVERY_S = 10.0
AGAIN_AFTER_S = 10.0  # what a mistake or a shortage ended begins again
STOP_WITHIN_S = 1.8  # what was under way has ended at both ends by then, or is said not to have

_OWN_END_S = (
    0.9  # runs and trains that end by themselves take their last counts along; then the far end is told
)
_FLUSH_WITHIN_S = 1.0
_STOPPING_NS = 10 * NS_PER_S  # a train that went no more for longer than a stop may take was ended before it
_LOG = logging.getLogger("probe")


Work = Callable[[], Coroutine[Any, Any, None]]


class StopMethod(Protocol):
    """Ends at an endpoint whatever this caller has there; a Failed says why that could not be."""

    def __call__(self, where: Reach, clock: Clock, /) -> Coroutine[Any, Any, Failed | None]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Methods:
    """How a daemon measures, looks at and counts all traffic, looks at ports, ends what it began, sends
    notices, watches this host's clock by what the kernel says of it, reads what was kept of a soak, and makes
    checks before a show; None leaves that out."""

    rate: RateMethod
    train: TrainMethod
    look: traffic.Look | None = None
    link: ports.LinkLook | None = None
    stop: StopMethod | None = None
    count: metering.Count | None = None
    clock_state: clock_watch.ReadState | None = None
    optic: optics.ReadOptic | None = None
    deliver: Deliver = deliver
    hops: hop_book.HopMethod | None = None
    lookup: lookup_book.LookupMethod | None = None
    ceiling: CeilingMethod | None = None
    kept: ReadKept | None = None
    check: CheckMethod | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """What a stop or a show ended: runs under way, how many trains, and what did not answer."""

    runs: tuple[RunNow, ...]
    trains: int
    unanswered: tuple[str, ...] = ()


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
    made = await prepared(
        site,
        clock=clock,
        writer=writer,
        methods=methods,
        random=random,
        spent_bytes=spent_bytes,
        log=log,
    )
    await made.run()


async def prepared(
    site: Site,
    *,
    clock: Clock,
    writer: Store,
    methods: Methods | None = None,
    random: Random | None = None,
    spent_bytes: Mapping[str, int] | None = None,
    opened: Iterable[WindowOpened] = (),
    sealed: Iterable[Campaign] = (),
    events: Iterable[Event] = (),
    notices: Iterable[Notice] = (),
    measured: Iterable[Ceiling] = (),
    soaks: Iterable[SoakBegun | Soak] = (),
    version: str = "unknown",
    log: logging.Logger = _LOG,
) -> Daemon:
    """A daemon that has not begun yet. `opened` are the windows that were open when the last one ended,
    `sealed` the campaigns that have begun, `events` and `notices` those of the last weeks,
    `measured` the ceilings on record, `soaks` the soaks that have begun or ended lately.

    The rest as `run` has it.
    """
    reaches, where = reaches_of(site), zone(site.timezone)
    month_ns = month_start_ns(clock.unix_ns(), where=where)
    if methods is None:
        methods = await asyncio.to_thread(_methods, site.database)
    if spent_bytes is None:
        names = [one.name for one in site.handoffs]
        spent_bytes = await asyncio.to_thread(_spent_since, month_ns, site.database, names)
    purse = Purse(where=where, month_ns=month_ns, spent=dict(spent_bytes))
    book, known = (
        Book(store=writer, purse=purse, clock=clock, log=log, openings=Openings(opened)),
        list(events),
    )
    if methods.count is not None:
        book.meters.update(await metering.restored(site, site.handoffs, now_ns=clock.unix_ns()))
    random = random or SystemRandom()
    soaking = None
    if methods.kept is not None:
        soaking = Soaks(book=book, read=methods.kept, random=random)
        soaking.restore(soaks)
    fading = {} if methods.optic is None else await asyncio.to_thread(optics.restored, site)
    return Daemon(
        site=site,
        reaches=reaches,
        book=book,
        ceilings=Ceilings(book=book, method=methods.ceiling, known=newest(measured)),
        optics=fading,
        noticing=Noticing(site=site, book=book, events=known),
        notices=Notices(
            site=site, book=book, events=list(known), known=list(notices), deliver=methods.deliver
        ),
        ports={
            event.handoff: ports.Port(handoff=event.handoff, lost=event)
            for event in unended(known).values()
            if event.what is EventKind.CARRIER_LOST
        },
        methods=methods,
        random=random,
        soaks=soaking,
        version=version,
        sealed=list(sealed),
    )


@dataclass(slots=True, kw_only=True)
class _Scheduled:
    """The runs of one handoff, and the task that does them."""

    runs: Runs
    task: asyncio.Task[None]


@dataclass(slots=True, kw_only=True)
class Daemon:
    """Everything under way. Make it with `prepared`, then `run` it; all else may be called while it runs."""

    site: Site
    reaches: Reaches
    book: Book
    noticing: Noticing
    notices: Notices
    ports: dict[str, ports.Port]
    optics: dict[str, optics.Fading]
    ceilings: Ceilings
    methods: Methods
    random: Random
    soaks: Soaks | None
    version: str
    sealed: list[Campaign] = field(default_factory=list)
    started_ns: int = field(default=0, init=False)
    refused: str | None = field(default=None, init=False)  # why the last site file was not taken over
    checks: Checks = field(init=False)
    began: asyncio.Event = field(default_factory=asyncio.Event, init=False)
    _group: asyncio.TaskGroup = field(default_factory=asyncio.TaskGroup, init=False)
    _trains: dict[tuple[TrainPlan, Reach], asyncio.Task[None]] = field(default_factory=dict, init=False)
    _scheduled: dict[str, _Scheduled] = field(default_factory=dict, init=False)
    _asked_trains: dict[tuple[str, str], asyncio.Task[None]] = field(default_factory=dict, init=False)
    _unsealed: set[str] = field(default_factory=set, init=False)  # campaigns that are not on the disk yet
    _watches: list[asyncio.Task[None]] = field(default_factory=list, init=False)
    _senders: dict[Channel, asyncio.Task[None]] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self.checks = Checks(book=self.book)

    async def run(self) -> None:
        """Measure until cancelled. `began` is set once every train and run is scheduled."""
        book, site = self.book, self.site
        self.started_ns = book.clock.unix_ns()
        book.listeners.extend((self.noticing.heard, self.notices.heard))
        _note_absence(book, self.started_ns)
        always = (train for train in site.trains if train.times is None)
        book.reached.update({(train.handoff, train.endpoint): self.started_ns for train in always})
        book.log.info("probe started site=%s trains=%d runs=%d", site.name, len(site.trains), len(site.runs))
        try:
            async with self._group:
                if (read_state := self.methods.clock_state) is not None:
                    self._keep(partial(clock_watch.watch, book, read_state=read_state), name="clock watch")
                self._keep(self._follow_clock, name="clock followed")
                self._keep(partial(_stay_alive, book), name="alive")
                self._keep(partial(hours.close_on_time, book), name="window ends")
                self._keep(self.noticing.keep_minutes, name="minutes with stalls")
                self._keep(partial(letting_go.once_a_day, lambda: self.site, book), name="thinning")
                self._follow_site()
                await asyncio.sleep(0)  # each task takes its first step
                self.began.set()
        finally:
            self.noticing.finish()
            await _leave(book)
            book.log.info("probe stopped site=%s", self.site.name)

    def status(self) -> Status:
        """How it is at this moment."""
        book, board = self.book, self.book.board
        budgets, due = self.budgets(), board.next_due()
        return Status(
            version=self.version,
            site=self.site.name,
            timezone=self.site.timezone,
            now_ns=book.clock.unix_ns(),
            started_ns=self.started_ns,
            runs=tuple(board.runs.values()),
            progress=dict(board.progress),
            check=None if board.check is None else (board.check, board.check_said),
            asked=tuple((one.plan, one.asked) for one in self.asked_waiting()),
            due=due,
            held=tuple(
                foreseen.skipped(
                    plan,
                    start_ns,
                    site=self.site,
                    openings=book.openings,
                    purses=budgets[plan.handoff].purses if plan.handoff in budgets else (),
                )
                for start_ns, plan in due
            ),
            soaks=self.soaks.under_way(book.clock.unix_ns()) if self.soaks is not None else (),
            trains=dict(board.trains),
            windows=book.openings.all,
            budgets=tuple(budgets.values()),
            waiting=book.store.waiting,
            trouble=None if book.store.trouble is None else str(book.store.trouble),
            refused=self.refused,
            clock=book.wall.state,
        )

    def budgets(self) -> dict[str, Budget]:
        """How each handoff's tests stand in this month."""
        book, now_ns = self.book, self.book.clock.unix_ns()
        return {one.name: budget.of_book(self.site, one, book, now_ns=now_ns) for one in self.site.handoffs}

    async def stop(self, *, minutes: float, why: str) -> Ended:
        """End all test traffic at both ends within 2 s; none goes again for so long, or until `resume`."""
        book = self.book
        going = self._under_way()
        if (before := book.openings.stop()) is not None:
            book.close_window(before, why="another stop took its place")
        now_ns = book.clock.unix_ns()
        book.open_window(
            WindowOpened(
                started_unix_ns=now_ns,
                name="stop",
                window=OpenKind.STOP,
                opener=Opener.PERSON,
                why=why,
                ends_unix_ns=now_ns + round(minutes * 60 * NS_PER_S),
            )
        )
        unanswered = await self._end_everywhere()
        return Ended(runs=going.runs, trains=going.trains, unanswered=unanswered)

    def resume(self, *, why: str) -> bool:
        """End the stop that is in force; False when there is none."""
        stop = self.book.openings.stop()
        if stop is not None:
            self.book.close_window(stop, why=why)
        return stop is not None

    async def open_show(self, handoff: str, *, minutes: float | None, why: str) -> Ended:
        """Open a show window at once, for all handoffs when the name is empty; it ends runs under way."""
        book, now_ns = self.book, self.book.clock.unix_ns()
        concerned = tuple(run for run in book.board.runs.values() if handoff in ("", run.plan.handoff))
        for before in book.openings.shows(handoff, opener=Opener.PERSON):
            if before.handoff == handoff:
                book.close_window(before, why="another show window took its place")
        book.open_window(
            WindowOpened(
                started_unix_ns=now_ns,
                name="show",
                window=OpenKind.SHOW,
                opener=Opener.PERSON,
                why=why,
                ends_unix_ns=None if minutes is None else now_ns + round(minutes * 60 * NS_PER_S),
                handoff=handoff,
            )
        )
        names = {run.plan.handoff for run in concerned}
        await self._within_stop_time(
            book.board.until(
                lambda: (
                    True if names.isdisjoint(book.board.runs) and not book.board.checked(handoff) else None
                )
            )
        )
        return Ended(runs=concerned, trains=0)

    def close_show(self, handoff: str, *, why: str) -> int:
        """Close the shows that were opened at once or by upload; how many there were."""
        shows = [one for one in self.book.openings.shows(handoff) if handoff in ("", one.handoff)]
        for one in shows:
            self.book.close_window(one, why=why)
        return len(shows)

    def ask(self, plans: Sequence[RunPlan | TrainPlan], *, seconds: int, why: str) -> None:
        """Run these as soon as the schedule's rules allow, those of one handoff one after the other.

        A train goes for so many `seconds`. Raises UserMistake, with none of them taken on, for the first that
        may not go now.
        """
        for plan in plans:
            if isinstance(plan, TrainPlan):
                self._refuse_train(plan)
            else:
                self._runs_of(plan.handoff).refuse(plan, why=why)
        for plan in plans:
            if isinstance(plan, TrainPlan):
                self._ask_train(plan, seconds=seconds)
            else:
                self._runs_of(plan.handoff).ask(plan, why=why)
            self._asked_for(asked.said(plan), why=why, handoff=plan.handoff, endpoint=plan.endpoint)

    def check(self, name: str, stage: Stage, *, why: str) -> CheckNow:
        """Have the check of a stream plan made now. Raises UserMistake with what forbids it."""
        if (method := self.methods.check) is None:
            raise UserMistake("this probe makes no checks before a show")
        now = self.checks.wanted(self.site, name, stage, why=why)
        self._runs_of(now.plan.handoff).refuse(now.plan, why=why)
        self.book.board.check = now  # at once, so that there is never a second
        self._start(partial(self.checks.make, now, self.site, method), name=f"check {name}")
        self._asked_for(f"check {stage} before {now.title}", why=why, handoff=now.plan.handoff)
        return now

    def end(self, handoff: str, *, why: str) -> int:
        """End what runs on a handoff, on all when the name is empty, and let go of what was asked for there;
        how many that were. Trains of the schedule go on.
        """
        ended = int(self.checks.end(handoff, why=why))
        for name, scheduled in self._scheduled.items():
            if handoff in ("", name):
                ended += scheduled.runs.end(why=why)
        for path, task in list(self._asked_trains.items()):
            if handoff in ("", path[0]):
                task.cancel()
                ended += 1
        if ended:
            runs = f"{ended} run{'s' * (ended > 1)}"
            self._asked_for(f"end of {runs} on {handoff or 'all handoffs'}", why=why, handoff=handoff)
        return ended

    def asked_waiting(self) -> tuple[Due, ...]:
        """The runs that a person asked for and that have not begun, those of one handoff in their order."""
        waiting = (one for each in self._scheduled.values() for one in each.runs.asked_waiting())
        return tuple(waiting)

    def _asked_for(self, what: str, *, why: str, handoff: str = "", endpoint: str = "") -> None:
        """Put on record what a person had done, and by whom."""
        now_ns = self.book.clock.unix_ns()
        self.book.keep(
            AskedFor(handoff=handoff, endpoint=endpoint, started_unix_ns=now_ns, what=what, why=why)
        )
        self.book.log.info("asked for what=%s why=%s", what, why)

    def _refuse_train(self, plan: TrainPlan) -> None:
        path = (plan.handoff, plan.endpoint)
        if path in self.book.board.trains:
            raise UserMistake(
                f"a train goes on {plan.handoff} to {plan.endpoint} already; its minutes are on record"
            )
        if (why := self.book.openings.no_traffic()) is not None:
            raise UserMistake(f"it may not run now: {why}")

    def _ask_train(self, plan: TrainPlan, *, seconds: int) -> None:
        path, where = (plan.handoff, plan.endpoint), self.reaches[plan.handoff][plan.endpoint]

        async def go() -> None:
            method, book, random = self.methods.train, self.book, self.random
            try:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(seconds):
                        await keep_going(plan, where, method=method, book=book, random=random)
            finally:
                self._asked_trains.pop(path, None)
                self.book.reached.pop(path, None)  # the next one begins for itself

        self._asked_trains[path] = self._start(go, name=f"asked train {plan.handoff} {plan.endpoint}")

    async def reload(self, site: Site) -> None:
        """Go by another site file. Trains that are the same in both go on, and nothing of them is lost.

        Raises UserMistake, and changes nothing, for what cannot be taken over while the probe runs.
        """
        if site.database != self.site.database:
            raise UserMistake(
                f"{site.file}: database: it may not change while the probe runs ({self.site.database} is "
                "open); stop the probe to change it"
            )
        for why in campaign.refusals(site, self.sealed):
            raise UserMistake(why)
        reaches, where = reaches_of(site), zone(site.timezone)
        known = {one.name for one in self.site.handoffs} if site.timezone == self.site.timezone else set()
        names = [one.name for one in site.handoffs if one.name not in known]
        if names:
            now_ns = self.book.clock.unix_ns()
            month_ns = month_start_ns(now_ns, where=where)
            spent_bytes = await asyncio.to_thread(_spent_since, month_ns, site.database, names)
            self.book.purse.learn(spent_bytes, now_ns=now_ns, where=where)
        new = [handoff for handoff in site.handoffs if handoff.name not in self.book.meters]
        if self.methods.count is not None and new:
            now_ns = self.book.clock.unix_ns()
            self.book.meters.update(await metering.restored(site, new, now_ns=now_ns))
        for meter in self.book.meters.values():
            meter.where = where
        self.site, self.reaches = site, reaches
        self._follow_site()
        self.book.log.info(
            "site file taken over site=%s trains=%d runs=%d", site.name, len(site.trains), len(site.runs)
        )

    async def read_again(self, what: str, *, why: str) -> None:
        """Read the site file again and go by it. Raises LinebookError, and goes on by the old one."""
        try:
            await self.reload(await asyncio.to_thread(sites.load, self.site.file))
        except LinebookError as mistake:
            self.refused = str(mistake)
            raise
        self.refused = None
        self._asked_for(" ".join(what.split()), why=why)

    async def _follow_clock(self) -> None:
        """Wake whoever waits by the wall's clock when it was set, or the host slept."""
        while True:
            await self.book.wall.change()
            for scheduled in self._scheduled.values():
                scheduled.runs.replanned.changed()
            self.book.openings.changed()

    def _follow_site(self) -> None:
        """Start what the site file asks for and does not run yet, end what it no longer asks for."""
        self.noticing.follow(self.site)
        self.book.claims.follow(self.site)
        self._follow_trains()
        self._follow_runs()
        self._follow_notices()
        for old in self._watches:
            old.cancel()
        openings = partial(hours.record_openings, self.site, self.book)
        self._watches = [self._keep(openings, name="window hours")]
        self._watches += self._follow_campaigns()
        if self.soaks is not None:
            self._watches += [self._keep(each, name="soak") for each in self.soaks.work(self.site)]
        if self.methods.link is not None:
            watch_ports = partial(
                ports.watch, self._first_reaches(), look=self.methods.link, book=self.book, ports=self.ports
            )
            self._watches.append(self._keep(watch_ports, name="ports"))
        if self.site.timestamp_url is not None:
            from probe import stamping  # brings libraries along that few sites need

            stamps = partial(
                stamping.keep_stamped,
                self.site.timestamp_url,
                database=self.site.database,
                store=self.book.store,
                log=self.book.log,
            )
            self._watches.append(self._keep(stamps, name="time stamps"))
        if self.methods.optic is not None:
            for where in self._first_reaches():
                fading = self.optics.setdefault(where.handoff, optics.Fading(handoff=where.handoff))
                watch_optic = partial(optics.watch, where, fading, read=self.methods.optic, book=self.book)
                self._watches.append(self._keep(watch_optic, name=f"optic {where.handoff}"))
        if self.methods.hops is not None:
            for where in self._first_reaches():
                plan = self.site.handoff(where.handoff).hops
                if plan.watch:
                    asking = partial(
                        hop_book.keep_asking, plan, where, method=self.methods.hops, book=self.book
                    )
                    self._watches.append(self._keep(asking, name=f"hops {where.handoff}"))
        if self.methods.lookup is not None:
            for where in self._first_reaches():
                names = self.site.handoff(where.handoff).lookups
                if names.watch:
                    lookup = lookup_book.Lookup(
                        plan=names,
                        handoff=where.handoff,
                        binding=where.binding,
                        hosts=self._hosts_outside(where.handoff),
                        ask=self.methods.lookup,
                        book=self.book,
                        random=self.random,
                    )
                    self._watches.append(self._keep(lookup.keep_asking, name=f"lookups {where.handoff}"))
        if self.methods.count is not None:
            for where in self._first_reaches():
                meter = self.book.meters[where.handoff]
                counting = partial(metering.keep, meter, where, count=self.methods.count, book=self.book)
                self._watches.append(self._keep(counting, name=f"traffic {where.handoff}"))
        watched = set(self.reaches) if self.site.rules.show_upload_bps is not None else set()
        for one in self.book.openings.shows("", opener=Opener.UPLOAD):
            if one.handoff not in watched:  # nobody would ever close it
                self.book.close_window(one, why="the site file has uploads watched here no more")
        if self.methods.look is not None and watched:
            for where in self._first_reaches():
                watch = partial(upload.watch, self.site, where, look=self.methods.look, book=self.book)
                self._watches.append(self._keep(watch, name=f"upload {where.handoff}"))

    def _follow_notices(self) -> None:
        for channel in [channel for channel in self._senders if channel not in self.site.notices]:
            self._senders.pop(channel).cancel()
        self.notices.follow(self.site)
        for channel in self.site.notices:
            if channel not in self._senders:
                sending = partial(self.notices.serve, channel)
                self._senders[channel] = self._keep(sending, name=f"notices {channel.name}")

    def _follow_trains(self) -> None:
        wanted = [(train, self.reaches[train.handoff][train.endpoint]) for train in self.site.trains]
        new = [key for key in wanted if key not in self._trains]
        leaving: dict[tuple[str, str], asyncio.Task[None]] = {}
        for train, _ in new:  # one that a person asked for makes room
            if (asked_for := self._asked_trains.get((train.handoff, train.endpoint))) is not None:
                leaving[train.handoff, train.endpoint] = asked_for
        for key in [key for key in self._trains if key not in wanted]:
            leaving[key[0].handoff, key[0].endpoint] = self._trains.pop(key)
        planned = {(train.handoff, train.endpoint) for train, _ in wanted}
        for path, task in leaving.items():
            task.cancel()
            if path not in planned:  # should it be planned again, what lay between was not
                task.add_done_callback(partial(self._let_go_of, path))
        for train, where in new:
            if (train, where) not in self._trains:
                after = leaving.get((train.handoff, train.endpoint))
                keeping = partial(self._keep_train, train, where, after=after)
                name = f"train {train.handoff} {train.endpoint}"
                self._trains[train, where] = self._keep(keeping, name=name)

    def _let_go_of(self, path: tuple[str, str], _: asyncio.Task[None]) -> None:
        self.book.reached.pop(path, None)

    async def _keep_train(self, train: TrainPlan, where: Reach, *, after: asyncio.Task[None] | None) -> None:
        """One train, once the one on the same path that it takes the place of has let go."""
        if after is not None:
            await asyncio.wait({after})
        method, book, random = self.methods.train, self.book, self.random
        if train.times is None:
            await keep_going(train, where, method=method, book=book, random=random)
        else:
            local = zone(self.site.timezone)
            await keep_hours(train, where, zone=local, method=method, book=book, random=random)

    def _follow_campaigns(self) -> list[asyncio.Task[None]]:
        """Wait for the beginning of those that are still to come; the sealed ones go by their records."""
        begun = {one.name for one in self.sealed}
        for why in campaign.refusals(self.site, self.sealed):
            self.book.log.error("campaign kept as it began why=%s", why)
        waiting = [
            partial(self._begin_campaign, plan) for plan in self.site.campaigns if plan.name not in begun
        ]
        waiting += [partial(self._seal_campaign, name) for name in self._unsealed]
        return [self._keep(each, name="campaign") for each in waiting]

    async def _begin_campaign(self, plan: CampaignPlan) -> None:
        timezone = self.site.timezone
        await campaign.begins(plan, timezone=timezone, book=self.book)
        if all(one.name != plan.name for one in self.sealed):
            begun = campaign.begin(plan, timezone=timezone, book=self.book, random=self.random)
            self.sealed.append(begun)
            self._unsealed.add(begun.name)
        await self._seal_campaign(plan.name)

    async def _seal_campaign(self, name: str) -> None:
        """Let the runs of a campaign come due once it is on the disk, and chained."""
        await campaign.written(name, book=self.book)
        self._unsealed.discard(name)
        self._follow_runs()

    def _campaigns_on(self, handoff: str) -> list[Campaign]:
        """The sealed campaigns that a handoff can still serve."""
        endpoints = self.reaches.get(handoff, {})
        own = (one for one in self.sealed if one.handoff == handoff and one.name not in self._unsealed)
        return [one for one in own if one.endpoint in endpoints]

    def _follow_runs(self) -> None:
        planned = {plan.handoff for plan in self.site.runs}
        planned |= {name for name in self.reaches if self._campaigns_on(name)}
        planned |= {one.plan.handoff for one in self.asked_waiting() if one.plan.handoff in self.reaches}
        for name in [name for name in self._scheduled if name not in planned]:
            self._scheduled.pop(name).task.cancel()
            self.book.board.plan(name, ())
        for name in sorted(planned):
            handoff, reaches = self.site.handoff(name), self.reaches[name]
            if name in self._scheduled:
                self._scheduled[name].runs.replan(
                    self.site, handoff=handoff, reaches=reaches, campaigns=self._campaigns_on(name)
                )
                continue
            self._runs_of(name)

    def _runs_of(self, name: str) -> Runs:
        """The runs of a handoff, begun where none are."""
        if name not in self._scheduled:
            runs = Runs(
                site=self.site,
                handoff=self.site.handoff(name),
                reaches=self.reaches[name],
                method=self.methods.rate,
                book=self.book,
                random=self.random,
                ceilings=self.ceilings,
                look=self.methods.look,
                campaigns=self._campaigns_on(name),
            )
            self._scheduled[name] = _Scheduled(runs=runs, task=self._keep(runs.keep_to, name=f"runs {name}"))
        return self._scheduled[name].runs

    def _first_reaches(self) -> list[Reach]:
        """A way out by each handoff, to an endpoint outside where there is one."""
        order = sorted(self.site.endpoints, key=lambda one: one.where is not Where.OUTSIDE)
        return [reaches[order[0].name] for reaches in self.reaches.values()]

    def _hosts_outside(self, handoff: str) -> tuple[tuple[str, str], ...]:
        """The endpoints outside, and the host that each one's invitation names."""
        reaches = self.reaches[handoff]
        return tuple(
            (one.name, reaches[one.name].invitation.host)
            for one in self.site.endpoints
            if one.where is Where.OUTSIDE
        )

    def _under_way(self) -> Ended:
        board = self.book.board
        going = board.trains_going()
        return Ended(runs=tuple(board.runs.values()), trains=going)

    async def _end_everywhere(self) -> tuple[str, ...]:
        """Wait until nothing goes here, and let every endpoint end what it knows; those that did not."""
        board, stop, clock = self.book.board, self.methods.stop, self.book.clock
        if stop is None:
            await self._idle_within(STOP_WITHIN_S)
            return ()
        used = {(train.handoff, train.endpoint) for train in self.site.trains}
        used |= {(plan.handoff, plan.endpoint) for plan in self.site.runs}

        async def end(where: Reach) -> Failed | None:
            await self._idle_within(_OWN_END_S)
            return await stop(where, clock)

        asked = [
            (endpoint, asyncio.create_task(end(self.reaches[handoff][endpoint]), name=f"stop {endpoint}"))
            for handoff, endpoint in sorted(used)
        ]
        answers = [task for _, task in asked]
        await self._within_stop_time(
            asyncio.gather(board.until(board.idle), *answers, return_exceptions=True)
        )
        silent = {endpoint for endpoint, _ in asked} - {name for name, task in asked if _answered(task)}
        return tuple(sorted(silent))

    async def _idle_within(self, seconds: float) -> None:
        """Wait until nothing is being sent, but no longer than this."""
        board = self.book.board
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await board.until(board.idle)

    async def _within_stop_time(self, ending: Awaitable[Any]) -> None:
        try:
            async with asyncio.timeout(STOP_WITHIN_S):
                await ending
        except TimeoutError:
            self.book.log.warning("stop not complete within_s=%.1f", STOP_WITHIN_S)

    def _keep(self, work: Work, *, name: str) -> asyncio.Task[None]:
        """Have this go on for as long as the probe runs, whatever happens in it."""
        return self._start(work, name=name, again=True)

    def _start(self, work: Work, *, name: str, again: bool = False) -> asyncio.Task[None]:
        """Have this done; what nobody foresaw in it ends nothing else."""
        return self._group.create_task(self._done(work, name, again=again), name=name)

    async def _done(self, work: Work, name: str, *, again: bool) -> None:
        while True:
            try:
                return await work()
            except Exception as error:
                what = "begins again" if again else "ended"
                if (why := shortage(error)) is None:
                    self.book.log.exception("%s what=%s", what, name)
                else:
                    self.book.log.warning("%s what=%s why=%s", what, name, why)
            if not again:
                return
            await asyncio.sleep(AGAIN_AFTER_S)


def _answered(stopping: asyncio.Task[Failed | None]) -> bool:
    """Whether an endpoint said that it ended everything."""
    done = stopping.done() and not stopping.cancelled()
    return done and stopping.exception() is None and stopping.result() is None


def _note_absence(book: Book, now_ns: int) -> None:
    """Put the time since the last sign of life on record, if there was one."""
    last_ns = book.store.last_alive_unix_ns
    if last_ns is None:
        return
    if last_ns > now_ns:
        book.log.warning("clock behind last_alive=%s now=%s", rfc3339(last_ns), rfc3339(now_ns))
        return
    book.keep(Gap(started_unix_ns=last_ns, ended_unix_ns=now_ns, why=NOT_RUNNING))


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
    now_ns = book.clock.unix_ns()
    for (handoff, endpoint), reached_ns in book.reached.items():
        if SEAM_NS < now_ns - reached_ns <= _STOPPING_NS:
            book.keep(
                Gap(
                    started_unix_ns=reached_ns,
                    ended_unix_ns=now_ns,
                    why="the probe was being stopped",
                    handoff=handoff,
                    endpoint=endpoint,
                )
            )
    book.store.mark_alive(now_ns)
    try:
        async with asyncio.timeout(_FLUSH_WITHIN_S):
            await book.store.flush()
    except TimeoutError:
        book.log.error("store not flushed within_s=%.1f", _FLUSH_WITHIN_S)
    except StoreTrouble as trouble:
        book.log.error("store not flushed why=%s", trouble)


def _spent_since(month_ns: int, database: Path, handoffs: Iterable[str]) -> dict[str, int]:
    """What tests moved since then on each of these handoffs. Blocks."""
    from store.reader import Reader

    with contextlib.closing(Reader.open(database)) as reader:
        return {name: reader.spent_bytes(name, month_ns) for name in handoffs}


def _methods(database: Path) -> Methods:
    """The real ones, loaded only here. Blocks."""
    from probe import hops
    from probe.control import Control
    from probe.linux import clock_state, optic
    from probe.methods import by_method, ceiling, lookup, train

    async def measure_ceiling(of: CeilingOf, flows: int, where: Reach, clock: Clock) -> Ceiling | Failed:
        return await ceiling.run(ceiling.CeilingPlan(of=of, flows=flows), where, clock)

    async def stop(where: Reach, clock: Clock, /) -> Failed | None:
        async with Control(where, clock=clock) as control:
            found = await control.stop()
        return found if isinstance(found, Failed) else None

    interfaces = traffic.Interfaces()

    async def read_optic(where: Reach) -> tuple[str, optic.Optic] | None:
        name = where.binding.interface or await interfaces.name(where)
        found = None if name is None else await asyncio.to_thread(optic.read, name)
        return None if name is None or found is None else (name, found)

    links = ports.Links(interfaces.name)
    return Methods(
        rate=by_method.measured,
        train=train.keep,
        look=interfaces.look,
        link=links.look,
        stop=stop,
        count=interfaces.read,
        clock_state=clock_state.read,
        optic=read_optic,
        hops=hops.watch,
        lookup=lookup.ask,
        ceiling=measure_ceiling,
        kept=stored(database),
        check=before_show.by_command,
    )
