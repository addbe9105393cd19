"""A train kept going for years: what it delivers is stored, and an outage is one Failed and one Gap.

A train goes on through an outage of the line, for lost packets are what it is there to count. What stops
it is an endpoint that cannot be reached or does not know it any more: then it is opened again, after 2 s
at first and 60 s at last, at random so that many probes do not come back together. While all tests are
stopped it is closed at both ends, and that time is a Gap with no Failed. No time of a train is left out:
what none of its spans covers is a Gap, were it only the moment in which it is opened; and since when it
stands still is noted in the store, should this process be killed before that is over.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from random import Random
from typing import Protocol

from probe import clock_watch
from probe.allowance import packet_at_ip
from probe.answering import RESTARTED, Answering, Paused, Unanswered
from probe.board import TrainNow, TrainState
from probe.book import Book, placed
from probe.changing import Halted, unless
from probe.reach import Reach
from probe.train_samples import Near, Sampled
from probe.windows import stretches
from store.clock import NS_PER_S, Clock
from store.records import Failed, Gap, Stall, TrainSpan
from store.samples import SampledFor, samples_of
from store.site import TrainPlan
from store.unfinished import SEAM_NS, SoFar, Standing

OPENING = "the train was being opened"
NOTHING_SENT = "this host sent no packet of the train"
CLOCK_SET = "the clock was set forward, so that this time never came"
FIRST_RETRY_S, LAST_RETRY_S = 2.0, 60.0

_AHEAD_NS = 86_400 * NS_PER_S

Deliver = Callable[[TrainSpan | Stall | Gap | SoFar | Answering | Sampled], None]


class TrainMethod(Protocol):
    """A train without end: delivers its records as they are complete and returns only why it failed.

    Cancelled, it delivers what it has before it lets go.
    """

    def __call__(
        self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /
    ) -> Awaitable[Failed]: ...


async def keep_going(
    plan: TrainPlan, where: Reach, *, method: TrainMethod, book: Book, random: Random
) -> None:
    """Run this train, and open it again whenever it fails, until cancelled."""
    train = _Train(plan=plan, book=book, covered_ns=book.clock.unix_ns())
    train.begin()
    openings = book.openings
    try:
        while True:
            if (why := openings.no_traffic()) is not None:
                train.halt(why)
                await openings.until(openings.going)
                train.resume(book.clock.unix_ns())
            train.show(TrainState.BEGUN)
            began_ns = book.clock.unix_ns()
            try:
                found = await unless(
                    method(plan, where, book.clock, train.deliver), openings.until(openings.no_traffic)
                )
            except Exception as error:
                found = book.unexpected(error, what="run train")
            if not isinstance(found, Halted):
                train.fail(placed(found, plan, started_ns=began_ns))
                pause = asyncio.sleep(_pause_s(train.tries, random=random))
                await unless(pause, openings.until(openings.no_traffic))
    finally:
        train.end()
        book.tell(Paused(handoff=plan.handoff, endpoint=plan.endpoint))
        book.board.train(plan, None)


async def keep_hours(
    plan: TrainPlan, where: Reach, *, zone: tzinfo, method: TrainMethod, book: Book, random: Random
) -> None:
    """Run a train in its hours only, until cancelled; what lies between is planned, and no gap."""
    done_ns = book.clock.unix_ns()
    while plan.times is not None:
        from_ns = max(done_ns, book.clock.unix_ns())  # a clock set back repeats no hours
        ahead = stretches(plan.times, from_ns=from_ns, to_ns=from_ns + _AHEAD_NS, where=zone)
        if not ahead:
            await book.until(from_ns + _AHEAD_NS)
            continue
        begins_ns, done_ns = ahead[0]
        await book.until(begins_ns)
        book.reached.pop((plan.handoff, plan.endpoint), None)  # what lay between was planned
        going = keep_going(plan, where, method=method, book=book, random=random)
        await unless(going, _over(done_ns, book=book))


async def _over(unix_ns: int, *, book: Book) -> str:
    await book.until(unix_ns)
    return "its hours are over"


def _pause_s(tries: int, *, random: Random) -> float:
    """Seconds until the next try: from 2 to 4 after the first, doubling, from 30 to 60 at last."""
    ceiling_s = min(LAST_RETRY_S, FIRST_RETRY_S * 2 ** min(tries, 10))
    return random.uniform(ceiling_s / 2, ceiling_s)


@dataclass(slots=True, kw_only=True)
class _Train:
    """How far a train's record reaches, and whether the train stands still."""

    plan: TrainPlan
    book: Book
    covered_ns: int  # end of the last span or gap, at first the start
    still: str | None = field(default=None, init=False)  # why, as long as it stands still
    goes: bool = field(default=False, init=False)  # it has a span
    stepped: bool = field(default=False, init=False)  # the clock was set within its last one
    tries: int = field(default=0, init=False)
    left_out: int = field(default=0, init=False)  # packets of an outage since its beginning was kept

    @property
    def path(self) -> tuple[str, str]:
        return self.plan.handoff, self.plan.endpoint

    def begin(self) -> None:
        """It is to go from now on, or from where what went before it on this path ended."""
        self.covered_ns = self.book.reached.pop(self.path, self.covered_ns)
        self._note(OPENING)

    def end(self) -> None:
        """It goes no more: what is not covered up to now is a gap."""
        self.resume(self.book.clock.unix_ns())
        self._note("")
        self.book.reached[self.path] = self.covered_ns

    def _note(self, why: str) -> None:
        handoff, endpoint = self.path
        self.book.store.stands(
            Standing(handoff=handoff, endpoint=endpoint, since_unix_ns=self.covered_ns, why=why)
        )

    def deliver(self, record: TrainSpan | Stall | Gap | SoFar | Answering | Sampled) -> None:
        """Store what the train measured; it goes again if it stood still."""
        if isinstance(record, Answering):
            self.book.tell(record)
            return
        if isinstance(record, Sampled):
            self.sample(record)
            return
        self.show(TrainState.GOING)
        if isinstance(record, SoFar):
            self.book.store.so_far(record.span)
            return
        if isinstance(record, TrainSpan):
            record = self._marked(record)
        self.tries = 0
        if isinstance(record, TrainSpan):
            self.resume(record.started_unix_ns)
            self.goes, self.stepped = True, "clock_step" in record.reasons
            self.covered_ns = record.started_unix_ns + round(record.seconds * NS_PER_S)
            packets = record.sent + record.received
            self.book.charge(
                record.handoff,
                packets * packet_at_ip(record.packet_bytes),
                up_ratio=record.sent / max(1, packets),
            )
        elif isinstance(record, Gap) and record.why != RESTARTED:  # which lies within a span
            if self.still is not None:
                self.resume(record.started_unix_ns)
            self.covered_ns = record.ended_unix_ns
        self.book.keep(record)

    def sample(self, found: Sampled) -> None:
        """Keep packets one by one where a stall is near or a claim is in force."""
        handoff, endpoint = self.plan.handoff, self.plan.endpoint
        if found.near is not Near.STALL and not self.book.claims.hold(handoff, found.packets[0].sent_unix_ns):
            self.left_out = self.left_out + len(found.packets) if found.near is Near.OUTAGE else 0
            return
        kept_for = SampledFor.STALL if found.near is Near.STALL else SampledFor.CLAIM
        self.book.keep(
            samples_of(
                found.packets,
                handoff=handoff,
                endpoint=endpoint,
                kept_for=kept_for,
                left_out=self.left_out,
            )
        )
        self.left_out = 0

    def _marked(self, span: TrainSpan) -> TrainSpan:
        """The span, and that the clock was set within, if the method did not see it."""
        clock_watch.look(self.book)
        ended_ns = span.started_unix_ns + round(span.seconds * NS_PER_S)
        if "clock_step" in span.reasons or not self.book.wall.stepped(span.started_unix_ns, ended_ns):
            return span
        return replace(span, reasons=(*span.reasons, "clock_step"))

    def fail(self, failed: Failed) -> None:
        """Store the failure if the train went until now, and only count it otherwise."""
        self.tries += 1
        if self.still is None:
            self.still = f"no train: {failed.why}"
            self._note(self.still)
            self.book.keep(failed)
        self.show(TrainState.FAILED, failed.why)
        path = (self.plan.handoff, self.plan.endpoint)
        self.book.tell(Unanswered(handoff=path[0], endpoint=path[1], why=failed.why, whose=failed.whose))
        self.book.log.warning(
            "train failed handoff=%s endpoint=%s tries=%d why=%s", *path, self.tries, failed.why
        )

    def halt(self, why: str) -> None:
        """It stands still because it must; an outage that went before ends here."""
        self.resume(self.book.clock.unix_ns())
        self.still = why
        self._note(why)
        self.book.tell(Paused(handoff=self.plan.handoff, endpoint=self.plan.endpoint))
        self.show(TrainState.STOPPED, why)

    def resume(self, unix_ns: int) -> None:
        """Put the time without a train, if there was one, on record as a gap up to this moment."""
        began_ns = self.book.wall.awake_since(self.covered_ns)
        if self.still is None and unix_ns - began_ns <= SEAM_NS:
            if not self.goes:
                self._note("")
            return
        gap = Gap(
            started_unix_ns=began_ns,
            ended_unix_ns=max(unix_ns, began_ns),
            why=self.still or (CLOCK_SET if self.stepped else NOTHING_SENT if self.goes else OPENING),
            handoff=self.plan.handoff,
            endpoint=self.plan.endpoint,
        )
        self.still, self.covered_ns = None, gap.ended_unix_ns
        self.book.keep(gap)
        self._note("")
        seconds = (gap.ended_unix_ns - gap.started_unix_ns) / NS_PER_S
        self.book.log.info(
            "train gap handoff=%s endpoint=%s seconds=%.1f", gap.handoff, gap.endpoint, seconds
        )

    def show(self, state: TrainState, why: str = "") -> None:
        """Tell whoever asks how this train stands."""
        path = (self.plan.handoff, self.plan.endpoint)
        before = self.book.board.trains.get(path)
        if before is None or before.state is not state:
            now = TrainNow(state=state, since_unix_ns=self.book.clock.unix_ns(), why=why)
            self.book.board.train(self.plan, now)
