"""What the daemon notices in its own measuring, as events: outages as they happen, minutes with stalls, steps
of the path, runs at a limit, the allowance at 80 %.

Listens to the book, where every record and every word of a train passes; what it finds goes to the same
book. Ports have a watch of their own (`probe.ports`). Whatever lasts, or is told once a month or a day, is
taken up from the events on record, so that a restart repeats nothing. Stands above book and the pure judges.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field

from probe import allowance, outages
from probe.answering import RESTARTED, Answering, Paused, Unanswered, Word
from probe.book import Book
from probe.changing import Changing
from probe.outages import Back, Path, Silent
from probe.path_steps import Levels
from probe.stall_minutes import StallMinutes
from store.capacity import CapacityRun
from store.cases import unended
from store.clock import NS_PER_S, zone
from store.events import Event, EventKind
from store.loaded_delay import LoadedDelayRun
from store.records import REASONS, Gap, Owner, RateRun, Record, Stall, StallClass, Standing, TrainSpan
from store.site import Site, Where

CEILINGS = {  # reason of a run: who must act
    "probe_limit": Owner.HOUSE,
    "endpoint_limit": Owner.ENDPOINT,
    "host_ceiling": Owner.HOUSE,
    "endpoint_ceiling": Owner.ENDPOINT,
    "port_limit": Owner.HOUSE,
}

_DAY_NS = 86_400 * NS_PER_S
_IDLE_S = 60.0  # how often is looked when nothing waits
_KEPT_OUTAGES = 8  # of each path: what a stall that is told late may have been part of


@dataclass(slots=True, kw_only=True)
class _Watched:
    """What is known of one path."""

    path: Path
    levels: Levels
    outages: list[tuple[int, int | None]] = field(default_factory=list)  # Unix times; None: it lasts
    failed: Unanswered | Answering | None = None  # why the endpoint cannot be reached, since it answered
    restarted: bool = False  # the endpoint was, since the last outage ended


@dataclass(slots=True, kw_only=True)
class Noticing:
    """One daemon's eye on itself. `events` are those on record of the last weeks, in any order."""

    site: Site
    book: Book
    events: Iterable[Event] = ()
    _watched: dict[tuple[str, str], _Watched] = field(default_factory=dict, init=False)
    _minutes: dict[str, StallMinutes] = field(default_factory=dict, init=False)
    _told: dict[tuple[str, str, str], int] = field(default_factory=dict, init=False)  # ceilings: when
    _warned: dict[str, int] = field(default_factory=dict, init=False)  # allowance: in which month
    _loaded: dict[str, int] = field(default_factory=dict, init=False)  # when a handoff's last run was stored
    _stalled: Changing = field(default_factory=Changing, init=False)

    def __post_init__(self) -> None:
        known, self.events = list(self.events), ()
        clock = self.book.clock
        for event in known:
            if event.what is EventKind.CEILING and event.before is None and event.after is not None:
                self._told[event.handoff, event.endpoint, event.after] = event.started_unix_ns
            if event.what is EventKind.ALLOWANCE:
                self._warned[event.handoff] = self._month_ns(event.started_unix_ns)
        for (what, handoff, endpoint), event in unended(known).items():
            if what == "outage":
                path = Path(heard_ns=clock.monotonic_ns(), out=True, unsure=True)
                self._watched[handoff, endpoint] = _Watched(path=path, levels=Levels())
                self._watched[handoff, endpoint].outages.append((event.started_unix_ns, None))

    def heard(self, what: Record | Word) -> None:
        """Take in one record or word."""
        match what:
            case Answering():
                self._answering(what)
            case Unanswered():
                self._unanswered(what)
            case Paused():
                self._watch(what.handoff, what.endpoint).path.pause()
            case Stall():
                self._stall(what)
            case TrainSpan():
                self._span(what)
                self._allowance(what.handoff)
            case RateRun() | CapacityRun():
                kind = "rate" if isinstance(what, RateRun) else "capacity"
                self._run(what, kind=kind, way=f" {what.direction}")
                self._allowance(what.handoff)
            case LoadedDelayRun():
                self._run(what, kind="loaded-delay", way="")
                self._allowance(what.handoff)
            case Gap() if what.why == RESTARTED:
                self._watch(what.handoff, what.endpoint).restarted = True
            case _:
                pass

    def follow(self, site: Site) -> None:
        """Go by another site file: an outage on a path that it no longer has is not watched any more."""
        self.site = site
        planned = {(train.handoff, train.endpoint) for train in site.trains}
        for (handoff, endpoint), watched in list(self._watched.items()):
            if (handoff, endpoint) in planned:
                continue
            del self._watched[handoff, endpoint]
            if watched.path.out:
                says = f"the site file has no train to {endpoint} any more, so its outage is not watched"
                self._tell(EventKind.OUTAGE_END, handoff, endpoint, self.book.clock.unix_ns(), says)

    async def keep_minutes(self) -> None:
        """Make the events of minutes with stalls as they are over, until cancelled."""
        while True:
            now_ns = self.book.clock.unix_ns()
            due = [one.due_unix_ns for one in self._minutes.values() if one.due_unix_ns is not None]
            for minutes in self._minutes.values():
                if minutes.due_unix_ns is not None and minutes.due_unix_ns <= now_ns:
                    self._make(minutes, until_ns=minutes.minute_ends_ns)
            wait_s = (min(due) - now_ns) / NS_PER_S if due else _IDLE_S
            if wait_s > 0:
                await self._stalled.change_within(min(wait_s, _IDLE_S))
            else:
                await asyncio.sleep(0)

    def finish(self) -> None:
        """Make the events of what is still gathered."""
        for minutes in self._minutes.values():
            self._make(minutes, until_ns=None)

    # Silence

    def _answering(self, said: Answering) -> None:
        watched = self._watch(said.handoff, said.endpoint)
        before_ns = watched.path.heard_ns
        changes = watched.path.word(said, now_ns=self.book.clock.monotonic_ns())
        if watched.path.heard_ns != before_ns:
            watched.failed = None
        if said.why:
            watched.failed = said
        self._silence(said.handoff, said.endpoint, changes)

    def _unanswered(self, said: Unanswered) -> None:
        watched = self._watch(said.handoff, said.endpoint)
        watched.failed = said
        self._silence(said.handoff, said.endpoint, watched.path.tick(self.book.clock.monotonic_ns()))

    def _silence(self, handoff: str, endpoint: str, changes: Iterable[Silent | Back]) -> None:
        for change in changes:
            if isinstance(change, Silent):
                self._silent(handoff, endpoint, change)
            else:
                self._back(handoff, endpoint, change)

    def _silent(self, handoff: str, endpoint: str, change: Silent) -> None:
        watched, began_ns = self._watched[handoff, endpoint], self._unix_ns(change.since_ns)
        watched.outages = [*watched.outages[1 - _KEPT_OUTAGES :], (began_ns, None)]
        owner, why = self._owner(handoff, endpoint)
        failed = watched.failed
        if failed is not None and failed.whose is not Owner.UNKNOWN:
            owner, why = failed.whose, failed.why
        says = f"nothing came back from {endpoint} for more than 10 s"
        says += f"; {why}" if why else ""
        self._tell(EventKind.OUTAGE_START, handoff, endpoint, began_ns, says, owner)

    def _back(self, handoff: str, endpoint: str, change: Back) -> None:
        watched, ended_ns = self._watched[handoff, endpoint], self._unix_ns(change.at_ns)
        began_ns = watched.outages[-1][0] if watched.outages else ended_ns
        watched.outages = [*watched.outages[:-1], (began_ns, ended_ns)]
        owner, restarted = Owner.UNKNOWN, watched.restarted
        watched.restarted = False
        if change.since_ns is None:
            seconds, says = None, f"{endpoint} answers again; nobody watched all the while"
        else:
            seconds = round((change.at_ns - change.since_ns) / NS_PER_S, 3)
            says = f"{endpoint} answers again after {seconds:.1f} s"
        if restarted:
            owner, says = Owner.ENDPOINT, f"{says}; it had restarted"
        self._tell(EventKind.OUTAGE_END, handoff, endpoint, ended_ns, says, owner, seconds=seconds)

    def _owner(self, handoff: str, endpoint: str) -> tuple[Owner, str]:
        now_ns = self.book.clock.monotonic_ns()
        silent_s = {
            name: watched.path.silent_s(now_ns)
            for (of_handoff, name), watched in self._watched.items()
            if of_handoff == handoff
        }
        return outages.owner_of(endpoint, silent_s, house=self._house())

    # Stalls and steps

    def _stall(self, stall: Stall) -> None:
        if stall.class_ is StallClass.OUTAGE and self._was_outage(stall):
            return
        minutes = self._minutes.get(stall.handoff)
        if minutes is None:
            minutes = self._minutes[stall.handoff] = StallMinutes(handoff=stall.handoff, house=self._house())
        minutes.take(stall)
        self._stalled.changed()

    def _was_outage(self, stall: Stall) -> bool:
        ended_ns = stall.started_unix_ns + stall.duration_us * 1000
        return any(
            began_ns <= ended_ns and (until_ns is None or until_ns >= stall.started_unix_ns)
            for began_ns, until_ns in self._watch(stall.handoff, stall.endpoint).outages
        )

    def _make(self, minutes: StallMinutes, *, until_ns: int | None) -> None:
        now_ns = self.book.clock.monotonic_ns()
        going = {
            endpoint
            for (handoff, endpoint), watched in self._watched.items()
            if handoff == minutes.handoff
            and not watched.path.out
            and watched.path.silent_s(now_ns) is not None
        }
        event = minutes.make(going=going, until_ns=until_ns)
        if event is not None:
            self.book.keep_event(event)

    def _span(self, span: TrainSpan) -> None:
        """A run of our own fills the queues of its minute, so that minute says nothing of the way."""
        least_us, handoff = span.rtt.min, span.handoff
        loaded = handoff in self.book.board.runs or span.started_unix_ns <= self._loaded.get(handoff, 0)
        if least_us is None or loaded or span.standing is not Standing.VALID:
            return
        levels = self._watch(handoff, span.endpoint).levels
        step = levels.take(started_unix_ns=span.started_unix_ns, seconds=span.seconds, least_us=least_us)
        if step is None:
            return
        before, after = (f"{us / 1000:.1f} ms" for us in (step.before_us, step.after_us))
        owner = Owner.HOUSE if span.endpoint in self._house() else Owner.UNKNOWN
        self.book.keep_event(
            Event(
                handoff=handoff,
                endpoint=span.endpoint,
                started_unix_ns=step.started_unix_ns,
                what=EventKind.PATH_STEP,
                says=f"the least round trip to {span.endpoint} went from {before} to {after} and stays there",
                owner=owner,
                before=before,
                after=after,
            )
        )

    # Runs and the allowance

    def _run(self, run: RateRun | CapacityRun | LoadedDelayRun, *, kind: str, way: str) -> None:
        """A run at the limit of a host or port is told once a day for each way and limit."""
        self._loaded[run.handoff] = self.book.clock.unix_ns()
        for code in CEILINGS:
            if code not in run.reasons:
                continue
            limit = f"{code.removesuffix('_limit').replace('_', ' ')}{way}"
            key, now_ns = (run.handoff, run.endpoint, limit), run.started_unix_ns
            if 0 <= now_ns - self._told.get(key, now_ns - _DAY_NS) < _DAY_NS:
                continue
            self._told[key] = now_ns
            says = f"{kind} run{way} to {run.endpoint}: {REASONS[code][1]}"
            self.book.keep_event(
                Event(
                    handoff=run.handoff,
                    endpoint=run.endpoint,
                    started_unix_ns=now_ns,
                    what=EventKind.CEILING,
                    says=says,
                    owner=CEILINGS[code],
                    after=limit,
                )
            )

    def _allowance(self, handoff: str) -> None:
        """Warn once in a local month that 80 % of a handoff's allowance are spent."""
        found = next((one for one in self.site.handoffs if one.name == handoff), None)
        now_ns, purse = self.book.clock.unix_ns(), self.book.purse
        if found is None or found.allowance_bytes is None:
            return
        spent_bytes = purse.spent_bytes(handoff, now_ns=now_ns)
        if spent_bytes < allowance.WARN_RATIO * found.allowance_bytes:
            return
        month_ns = self._month_ns(now_ns)
        if self._warned.get(handoff) == month_ns:
            return
        self._warned[handoff] = month_ns
        state = allowance.state(self.site, found, spent_bytes=spent_bytes, now_ns=now_ns, where=purse.where)
        says = state.said().removeprefix(f"handoff {handoff}: ")
        self._tell(EventKind.ALLOWANCE, handoff, "", now_ns, says, Owner.HOUSE)

    # What they share

    def _watch(self, handoff: str, endpoint: str) -> _Watched:
        found = self._watched.get((handoff, endpoint))
        if found is None:
            path = Path(heard_ns=self.book.clock.monotonic_ns())
            found = self._watched[handoff, endpoint] = _Watched(path=path, levels=Levels())
        return found

    def _house(self) -> frozenset[str]:
        return frozenset(each.name for each in self.site.endpoints if each.where is Where.HOUSE)

    def _month_ns(self, unix_ns: int) -> int:
        return allowance.month_start_ns(unix_ns, where=zone(self.site.timezone))

    def _unix_ns(self, monotonic_ns: int) -> int:
        clock = self.book.clock
        return clock.unix_ns() - (clock.monotonic_ns() - monotonic_ns)

    def _tell(
        self,
        what: EventKind,
        handoff: str,
        endpoint: str,
        unix_ns: int,
        says: str,
        owner: Owner = Owner.UNKNOWN,
        *,
        seconds: float | None = None,
    ) -> None:
        self.book.keep_event(
            Event(
                handoff=handoff,
                endpoint=endpoint,
                started_unix_ns=unix_ns,
                what=what,
                says=says,
                owner=owner,
                seconds=seconds,
            )
        )
