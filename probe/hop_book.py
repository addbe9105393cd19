"""The hops of one handoff, asked beside its trains for as long as the daemon runs, and what of it is kept.

Kept are counts a minute, some minutes to a record, and what each hop answered around every stall of a
train on the same handoff: a stall is then placed by who answered in the same second. The packets between
stalls are let go. Stands above book; is handed the method that asks (`probe.hops.watch`).
"""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from statistics import median
from typing import Protocol

from probe.answering import Word
from probe.book import Book
from probe.changing import Halted, unless
from probe.hops import WAIT_S, Asked
from probe.reach import Reach
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.histogram import Histogram
from store.records import Failed, Record, Stall
from store.segments import HopCount, Hops, Seen, Station, Witnesses
from store.site import HopPlan

MINUTES = 10  # to a record
BEFORE_S, AFTER_S = 15, 2  # of a stall: enough to see what is usual
AGAIN_S = 60.0  # after it failed

_KEPT_S = 900  # of answers, so that a long stall still has its begin
_NEAR_NS = 100 * NS_PER_MS  # of a stall's ends: what left there may have been in it
_MOST = 200  # answers of one hop in a record of one stall
_SETTLED_NS = round((WAIT_S + 1) * NS_PER_S)  # after that every packet's outcome is known
_MINUTE_NS = 60 * NS_PER_S


class HopMethod(Protocol):
    """Asks the hops until cancelled, telling each packet's outcome; returns only why it cannot."""

    def __call__(
        self, where: Reach, clock: Clock, plan: HopPlan, take: Callable[[Asked], None], /
    ) -> Awaitable[Failed]: ...


async def keep_asking(plan: HopPlan, where: Reach, *, method: HopMethod, book: Book) -> None:
    """Ask the hops of this handoff until cancelled, on record; not while all tests are stopped."""
    keeper, openings = _Keeper(plan=plan, where=where, book=book), book.openings
    book.listeners.append(keeper.notice)
    try:
        while True:
            await openings.until(openings.going)
            asking = method(where, book.clock, plan, keeper.take)
            found = await unless(asking, openings.until(openings.no_traffic))
            if not isinstance(found, Halted):
                book.log.warning("hops not asked handoff=%s why=%s", where.handoff, found.why)
                await unless(asyncio.sleep(AGAIN_S), openings.until(openings.no_traffic))
    finally:
        book.listeners.remove(keeper.notice)
        keeper.finish()


@dataclass(slots=True, kw_only=True)
class _Keeper:
    """Answers of the last minutes, and the records that are made of them."""

    plan: HopPlan
    where: Reach
    book: Book
    asked: deque[Asked] = field(default_factory=deque)  # by when they became known
    stalls: list[Stall] = field(default_factory=list)  # that ended and are not on record yet
    silences: deque[tuple[int, int]] = field(default_factory=deque)  # begin and end of stalls that are over
    cut_ns: int = 0  # where the record begins that is open

    def take(self, asked: Asked) -> None:
        """Note what became of a packet, and put on record what is settled by now."""
        if asked.reached:
            return
        now_ns = self.book.clock.unix_ns()
        if self.asked and abs(asked.sent_unix_ns - self.asked[-1].sent_unix_ns) > _KEPT_S * NS_PER_S:
            self._begin_anew()  # after a stop or a sleep, or the clock was set
        self.cut_ns = self.cut_ns or asked.sent_unix_ns // _MINUTE_NS * _MINUTE_NS
        self.asked.append(asked)
        self._tell_stalls(now_ns - _SETTLED_NS)
        if now_ns - _SETTLED_NS >= self.cut_ns + MINUTES * _MINUTE_NS:
            self._cut(self.cut_ns + MINUTES * _MINUTE_NS)
            self._forget(now_ns - _KEPT_S * NS_PER_S)

    def notice(self, record: Record | Word) -> None:
        """Remember a stall of this handoff until its last packets are settled."""
        if isinstance(record, Stall) and record.handoff == self.where.handoff:
            self.stalls.append(record)
            self.silences.append((record.started_unix_ns - _NEAR_NS, _end_ns(record) + _NEAR_NS))

    def finish(self) -> None:
        """Put on record what there is."""
        now_ns = self.book.clock.unix_ns()
        self._tell_stalls(now_ns)
        if self.asked:
            self._cut(now_ns)

    def _tell_stalls(self, settled_ns: int) -> None:
        for stall in [one for one in self.stalls if _end_ns(one) + AFTER_S * NS_PER_S <= settled_ns]:
            self.stalls.remove(stall)
            self._tell(stall)

    def _tell(self, stall: Stall) -> None:
        start_ns, end_ns = stall.started_unix_ns, _end_ns(stall)
        from_ns, to_ns = start_ns - BEFORE_S * NS_PER_S, end_ns + AFTER_S * NS_PER_S
        near = [one for one in self.asked if from_ns <= one.sent_unix_ns <= to_ns]
        before = [
            one
            for one in self.asked
            if one.sent_unix_ns < start_ns
            and not any(first <= one.sent_unix_ns <= last for first, last in self.silences)
        ]
        ttls = sorted({one.ttl for one in near})
        if not ttls:
            return
        sent = Counter(one.ttl for one in before)
        answered = Counter(one.ttl for one in before if one.rtt_us is not None)
        self.book.keep(
            Witnesses(
                handoff=stall.handoff,
                endpoint=stall.endpoint,
                started_unix_ns=start_ns,
                duration_us=stall.duration_us,
                house_hops=self.plan.house,
                seen=tuple(_seen(ttl, near, start_ns) for ttl in ttls),
                sent_before=tuple(sent[ttl] for ttl in ttls),
                answered_before=tuple(answered[ttl] for ttl in ttls),
            )
        )

    def _cut(self, until_ns: int) -> None:
        """The record of the minutes that began before `until_ns`, if anything was asked in them."""
        own = [one for one in self.asked if self.cut_ns <= one.sent_unix_ns < until_ns]
        minutes = -(-(until_ns - self.cut_ns) // _MINUTE_NS)
        if own:
            self.book.keep(
                Hops(
                    handoff=self.where.handoff,
                    endpoint=self.where.endpoint,
                    started_unix_ns=self.cut_ns,
                    minutes=minutes,
                    house_hops=self.plan.house,
                    counts=tuple(
                        _count(ttl, own, from_ns=self.cut_ns, minutes=minutes)
                        for ttl in sorted({one.ttl for one in own})
                    ),
                )
            )
        self.cut_ns = until_ns // _MINUTE_NS * _MINUTE_NS

    def _begin_anew(self) -> None:
        """Put on record what there is, for nothing that comes is near it."""
        for stall in self.stalls:
            self._tell(stall)
        self._cut(self.asked[-1].sent_unix_ns + 1)
        self.asked.clear()
        self.stalls.clear()
        self.silences.clear()
        self.cut_ns = 0

    def _forget(self, before_ns: int) -> None:
        while self.asked and self.asked[0].sent_unix_ns < before_ns:
            self.asked.popleft()
        while self.silences and self.silences[0][1] < before_ns:
            self.silences.popleft()


def _end_ns(stall: Stall) -> int:
    return stall.started_unix_ns + stall.duration_us * NS_PER_US


def _seen(ttl: int, near: Iterable[Asked], start_ns: int) -> Seen:
    own = sorted((one for one in near if one.ttl == ttl), key=lambda one: one.sent_unix_ns)[:_MOST]
    answered = [one for one in own if one.rtt_us is not None]
    rtts_us = [one.rtt_us for one in answered if one.rtt_us is not None]
    return Seen(
        station=Station.HOP,
        name=next((name for name, _ in Counter(one.sender for one in answered).most_common(1)), ""),
        ttl=ttl,
        sent=len(own),
        lost=len(own) - len(answered),
        rtt_us=Histogram(rtts_us).delays(),
        answered_ms=tuple((one.sent_unix_ns - start_ns) // NS_PER_MS for one in answered),
        rtts_us=tuple(rtts_us),
        missed_ms=tuple((one.sent_unix_ns - start_ns) // NS_PER_MS for one in own if one.rtt_us is None),
    )


def _count(ttl: int, asked: Iterable[Asked], *, from_ns: int, minutes: int) -> HopCount:
    own = [one for one in asked if one.ttl == ttl]
    answered = [one for one in own if one.rtt_us is not None]
    sent_in = Counter((one.sent_unix_ns - from_ns) // _MINUTE_NS for one in own)
    answered_in = Counter((one.sent_unix_ns - from_ns) // _MINUTE_NS for one in answered)
    names = dict.fromkeys(one.sender for one in answered)
    return HopCount(
        ttl=ttl,
        names=tuple(names),
        sent=tuple(sent_in[nth] for nth in range(minutes)),
        answered=tuple(answered_in[nth] for nth in range(minutes)),
        p50_us=round(median(one.rtt_us or 0 for one in answered)) if answered else None,
    )
