"""Notices as the daemon sends them: at most one of a case and channel, tried for a day, never in the way.

Hears every record that is kept. When an event makes a case worth a notice, a `Notice` is put on record as
queued, and the channel's own task delivers it: after 15 s, so that what comes with it is in it; after the
end of a show, where it is held back; again after growing pauses, where it could not be delivered. A restart
takes up what is queued on record. A process that is killed between the delivery and its record sends the
message once more, under the same name, by which a receiver can know it. Stands above book and the ways out.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from probe.book import Book
from probe.changing import Changing
from probe.notices import apart, command, message, rules
from probe.notices.message import Message
from store.cases import Case, Subject, cases, unended
from store.clock import NS_PER_S, Clock, zone
from store.errors import StoreTrouble
from store.events import Event
from store.notice_channels import Channel, Command, Hook, Mail
from store.notices import Notice, NoticeState, about
from store.site import Site

if TYPE_CHECKING:
    from probe.notices.hook import HookTry
    from probe.notices.mail import MailTry

SETTLE_S = 15.0
TRY_WITHIN_S = 60.0

_MOST_EVENTS, _LAST_EVENTS = 400, 200  # of a case that goes on and is told: beyond the one the other is kept
_LOOK_AGAIN_S = 30.0  # a wait looks at the windows this often, as some close by the clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """Why a try did not deliver, in a sentence without secrets; of a mail that some have, who has not."""

    why: str
    left: tuple[str, ...] = ()


Deliver = Callable[[Message, Channel, Clock], Awaitable[Missed | None]]


async def deliver(found: Message, channel: Channel, clock: Clock) -> Missed | None:
    """Try once; None when it is delivered."""
    way = channel.way
    if isinstance(way, Command):
        why = await command.run(found, way)
        return None if why is None else Missed(why=why)
    work = _try_of(way, found, channel, clock)
    try:
        async with asyncio.timeout(TRY_WITHIN_S):
            await apart.run(work)
    except Exception as error:
        return Missed(why=work.why(error), left=work.left)
    return None


def _try_of(way: Mail | Hook, found: Message, channel: Channel, clock: Clock) -> MailTry | HookTry:
    """Loads what it needs here: few sites have either."""
    if isinstance(way, Mail):
        from probe.notices.mail import MailTry

        return MailTry(found, way, password=channel.secret, unix_ns=clock.unix_ns())
    from probe.notices.hook import HookTry

    return HookTry(found, way, token=channel.secret)


def _to(channel: Channel, left: tuple[str, ...]) -> Channel:
    """The channel as the next try takes it: whoever has the mail does not get it once more."""
    if not left or not isinstance(channel.way, Mail):
        return channel
    still = tuple(one for one in channel.way.to if one in left)
    return replace(channel, way=replace(channel.way, to=still or channel.way.to))


@dataclass(slots=True, kw_only=True)
class _Waiting:
    """A message that is not delivered yet, and when the next try is due (monotonic).

    `left` are the recipients that have not got it where others have; empty for all.
    """

    notice: Notice
    due_ns: int
    give_up_ns: int
    left: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class Notices:
    """What a daemon tells of its cases. `events` and `known` are those on record of the last weeks."""

    site: Site
    book: Book
    events: list[Event] = field(default_factory=list)
    known: list[Notice] = field(default_factory=list)
    deliver: Deliver = deliver
    _waiting: list[_Waiting] = field(default_factory=list, init=False)
    _changed: Changing = field(default_factory=Changing, init=False)
    # how many events of a case are let go of, by its handoff and subject
    _let_go: dict[tuple[str, Subject], int] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        """Take up what was queued and neither delivered nor given up."""
        newest: dict[tuple[str, str, int], Notice] = {}
        for notice in sorted(self.known, key=lambda one: one.started_unix_ns):
            newest[notice.channel, notice.id, notice.queued_unix_ns] = notice
        for notice in newest.values():
            if notice.state is NoticeState.QUEUED:
                self._wait(notice)

    def heard(self, what: object) -> None:
        """Take in one record: an event may begin a notice."""
        if isinstance(what, Event):
            self.events.append(what)
            self.consider()

    def follow(self, site: Site) -> None:
        """Go by another site file: what waits for a channel that it does not have is given up."""
        self.site = site
        names = {channel.name for channel in site.notices}
        for waiting in [one for one in self._waiting if one.notice.channel not in names]:
            self._end(waiting, NoticeState.FAILED, "the site file does not have this notice any more")
        self.consider()

    def consider(self) -> None:
        """Queue a notice of each open case that is worth one, where it has none."""
        found = self._cases()
        self._forget(found)
        for case in found:
            if case.ended_unix_ns is not None:
                continue
            told = {notice.channel for notice in about(case, self.known)}
            for channel in self.site.notices:
                if channel.name not in told and rules.begins(case, channel):
                    self._queue(case, channel)

    async def serve(self, channel: Channel) -> None:
        """Deliver what is queued for a channel, until cancelled."""
        while True:
            waiting = min(
                (one for one in self._waiting if one.notice.channel == channel.name),
                key=lambda one: one.due_ns,
                default=None,
            )
            if waiting is None:
                await self._changed.change_within(_LOOK_AGAIN_S)
                continue
            left_s = (waiting.due_ns - self.book.clock.monotonic_ns()) / NS_PER_S
            if left_s > 0:
                await self._changed.change_within(min(left_s, _LOOK_AGAIN_S))
            else:
                await self._try(waiting, channel)

    async def _try(self, waiting: _Waiting, channel: Channel) -> None:
        case = self._case_of(waiting.notice)
        if case is None:
            self._end(waiting, NoticeState.FAILED, "the events of its case are not at hand any more")
            return
        if self._held(case):
            now_ns = self.book.clock.monotonic_ns()
            waiting.due_ns = now_ns + round(_LOOK_AGAIN_S * NS_PER_S)
            waiting.give_up_ns = now_ns + round(rules.GIVE_UP_S * NS_PER_S)
            return
        try:
            found = message.of(
                case,
                waiting.notice,
                site=self.site,
                where=zone(self.site.timezone),
                let_go=self._let_go_of(case),
            )
            missed = await self.deliver(found, _to(channel, waiting.left), self.book.clock)
        except Exception as error:
            self.book.log.exception("notice not delivered channel=%s", channel.name)
            missed = Missed(why=f"unexpected {type(error).__name__}")
        if missed is not None and missed.left:
            waiting.left = missed.left
        await self._tried(waiting, None if missed is None else missed.why)

    async def _tried(self, waiting: _Waiting, why: str | None) -> None:
        waiting.notice = replace(waiting.notice, tries=waiting.notice.tries + 1, why=why)
        notice, now_ns = waiting.notice, self.book.clock.monotonic_ns()
        values = (notice.channel, notice.tries, why)
        if why is None:
            self._end(waiting, NoticeState.DELIVERED, None)
            with contextlib.suppress(StoreTrouble):
                await self.book.store.flush()
        elif now_ns >= waiting.give_up_ns:
            self.book.log.error("notice given up channel=%s tries=%d why=%s", *values)
            self._end(waiting, NoticeState.FAILED, why)
        else:
            self.book.log.warning("notice not delivered channel=%s tries=%d why=%s", *values)
            waiting.due_ns = now_ns + round(rules.pause_s(notice.tries) * NS_PER_S)

    def _queue(self, case: Case, channel: Channel) -> None:
        now_ns = self.book.clock.unix_ns()
        notice = Notice(
            handoff=case.handoff,
            started_unix_ns=now_ns,
            channel=channel.name,
            subject=str(case.subject),
            case_unix_ns=case.started_unix_ns,
            queued_unix_ns=now_ns,
            state=NoticeState.QUEUED,
            says=message.says(case, let_go=self._let_go_of(case)),
        )
        self._keep(notice)
        self._wait(notice)

    def _wait(self, notice: Notice) -> None:
        clock = self.book.clock
        now_ns, age_ns = clock.monotonic_ns(), max(0, clock.unix_ns() - notice.queued_unix_ns)
        waiting = _Waiting(
            notice=notice,
            due_ns=now_ns + max(0, round(SETTLE_S * NS_PER_S) - age_ns),
            give_up_ns=now_ns + max(0, round(rules.GIVE_UP_S * NS_PER_S) - age_ns),
        )
        self._waiting.append(waiting)
        self._changed.changed()

    def _end(self, waiting: _Waiting, state: NoticeState, why: str | None) -> None:
        self._waiting.remove(waiting)
        now_ns = self.book.clock.unix_ns()
        self._keep(replace(waiting.notice, started_unix_ns=now_ns, state=state, why=why))

    def _keep(self, notice: Notice) -> None:
        self.known.append(notice)
        values = (notice.state, notice.channel, notice.handoff or "all", notice.tries, notice.says)
        self.book.log.info("notice %s channel=%s handoff=%s tries=%d says=%s", *values)
        self.book.keep(notice)

    def _cases(self) -> tuple[Case, ...]:
        return cases(self.events, gap_s=self.site.rules.case_gap_s, now_ns=self.book.clock.unix_ns())

    def _case_of(self, notice: Notice) -> Case | None:
        return next((case for case in self._cases() if about(case, [notice])), None)

    def _held(self, case: Case) -> bool:
        out = {handoff for _, handoff, _ in unended(self.events)}
        names = [each.name for each in self.site.handoffs]
        return rules.held(case, self.book.openings.all, handoffs=names, out=out)

    def _forget(self, found: Iterable[Case]) -> None:
        """Let go of events and notices of cases that are over and told."""
        waiting = [one.notice for one in self._waiting]
        kept = [case for case in found if case.ended_unix_ns is None or about(case, waiting)]
        still = [(case, about(case, self.known)) for case in kept]
        self.known = [notice for _, notices in still for notice in notices]
        self._let_go = {
            (case.handoff, case.subject): count for case in kept if (count := self._let_go_of(case))
        }
        self.events = []
        for case, notices in still:
            waits = any(notice.state is NoticeState.QUEUED for notice in notices)
            self.events += case.events if waits else self._shortened(case, notices)

    def _shortened(self, case: Case, notices: Iterable[Notice]) -> tuple[Event, ...]:
        """What is kept of a case: a line that flaps for weeks is one, which nothing else would end.

        The notices of the case are known by when it begins, so they move along.
        """
        if len(case.events) <= _MOST_EVENTS:
            return case.events
        before, after = case.events[:-_LAST_EVENTS], case.events[-_LAST_EVENTS:]
        kept = (*unended(before).values(), *after)
        key = (case.handoff, case.subject)
        self._let_go[key] = self._let_go.get(key, 0) + len(case.events) - len(kept)
        for notice in notices:
            self.known.remove(notice)
            began_ns = max(notice.case_unix_ns, kept[0].started_unix_ns)
            self.known.append(replace(notice, case_unix_ns=began_ns))
        return kept

    def _let_go_of(self, case: Case) -> int:
        """How many events of this case are on record only."""
        return sum(
            count
            for (handoff, subject), count in self._let_go.items()
            if subject is case.subject and (handoff == case.handoff or "" in (handoff, case.handoff))
        )
