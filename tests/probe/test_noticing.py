"""What a daemon notices in its own measuring: with fakes for methods, in time that jumps; and with real ones.

The real train goes through a relay that goes silent, and a real port is the probe's end of a pair whose
other end is taken down.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field, replace

from probe.answering import Answering
from probe.linux.link import Link
from probe.ports import Port
from probe.reach import Reach
from probe.trains import Deliver
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.histogram import Histogram
from store.records import Direction, Failed, Owner, RateRun, Stall
from store.site import EndpointRef, Site, TrainPlan, Where
from tests.probe.jumping import run_from, unhurried
from tests.probe.living import START_NS, FakeRate, Life, alive
from tests.probe.sites import INVITATION, handoff, rate_run, run_plan, site, train_plan
from tests.probe.test_daemon import answering, train_span

HOUR_S = 3600.0


@dataclass(kw_only=True)
class LiveTrain:
    """Says once a second whether replies come; `silences` are (from, to) in seconds since its start.

    A minute's record comes every minute, its least delay as `least_us` says for the minute's number.
    """

    silences: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    least_us: Callable[[int], int] = lambda minute: 19_000

    async def __call__(self, plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver, /) -> Failed:
        began_ns = since_ns = heard_ns = clock.monotonic_ns()
        second = 0
        while True:
            await asyncio.sleep(1)
            second += 1
            now_ns = clock.monotonic_ns()
            at_s = (now_ns - began_ns) / NS_PER_S
            silent = any(start < at_s <= end for start, end in self.silences.get(plan.endpoint, []))
            if not silent:
                since_ns = now_ns if now_ns - heard_ns > 10 * NS_PER_S else since_ns
                heard_ns = now_ns
            deliver(answering(plan, since_ns=since_ns, heard_ns=heard_ns))
            if second % 60 == 0:
                span = train_span(plan, clock.unix_ns() - 60 * NS_PER_S, 60.0)
                deliver(replace(span, rtt=Histogram([self.least_us(second // 60 - 1)])))


def lived(
    asked: Site,
    work: Callable[[Life], Awaitable[None]],
    *,
    train: LiveTrain | None = None,
    rate: FakeRate | None = None,
    events: Iterable[Event] = (),
    links: Callable[[Clock], Callable[[Reach], Awaitable[Link | None]]] | None = None,
) -> list[Event]:
    """The events of a daemon that lived as long as `work` lasts."""

    async def life(clock: Clock) -> list[Event]:
        look = None if links is None else links(clock)
        async with alive(
            clock, asked, train=train or LiveTrain(), rate=rate, events=events, link=look
        ) as found:
            await work(found)
        return found.store.of(Event)

    return run_from(START_NS, life)


def for_s(seconds: float) -> Callable[[Life], Awaitable[None]]:
    async def work(life: Life) -> None:
        await asyncio.sleep(seconds)

    return work


def seconds_of(event: Event) -> float:
    return (event.started_unix_ns - START_NS) / NS_PER_S


def three_endpoints() -> Site:
    """North and south outside, lan in the house, a train to each."""
    return site(
        endpoints=tuple(
            EndpointRef(name=name, where=where, invitation=INVITATION)
            for name, where in (("north", Where.OUTSIDE), ("south", Where.OUTSIDE), ("lan", Where.HOUSE))
        ),
        trains=tuple(train_plan(endpoint=name) for name in ("north", "south", "lan")),
    )


def test_an_outage_begins_while_it_lasts_and_ends_with_its_length() -> None:
    train = LiveTrain(silences={"north": [(100, 130)]})

    async def work(life: Life) -> None:
        await asyncio.sleep(112)
        (start,) = life.store.of(Event)
        assert start.what is EventKind.OUTAGE_START
        await asyncio.sleep(60)

    start, end = lived(site(trains=(train_plan(),)), work, train=train)
    assert (seconds_of(start), seconds_of(end)) == (100.0, 131.0)
    assert (end.what, end.seconds, end.says) == (
        EventKind.OUTAGE_END,
        31.0,
        "north answers again after 31.0 s",
    )


def test_nine_seconds_are_no_outage() -> None:
    train = LiveTrain(silences={"north": [(100, 109)]})
    assert lived(site(trains=(train_plan(),)), for_s(300), train=train) == []


def test_one_of_two_endpoints_silent_is_that_endpoints() -> None:
    train = LiveTrain(silences={"north": [(100, 130)]})
    start, _ = lived(three_endpoints(), for_s(300), train=train)
    assert (start.endpoint, start.owner) == ("north", Owner.ENDPOINT)


def test_all_silent_is_the_houses() -> None:
    everywhere = {name: [(100.0, 130.0)] for name in ("north", "south", "lan")}
    found = lived(three_endpoints(), for_s(300), train=LiveTrain(silences=everywhere))
    starts = [event for event in found if event.what is EventKind.OUTAGE_START]
    assert [event.owner for event in starts] == [Owner.HOUSE] * 3


def test_an_endpoint_that_refuses_the_question_is_the_endpoints() -> None:
    """Its host answers that nothing listens, so the line carries packets."""

    async def work(life: Life) -> None:
        await asyncio.sleep(5)
        heard_ns = life.clock.monotonic_ns()
        word = answering(train_plan(endpoint="west"), since_ns=0, heard_ns=heard_ns)
        life.daemon.book.tell(word)
        await asyncio.sleep(11)
        why = "nothing listens at 192.0.2.230:47862; does the endpoint run?"
        life.daemon.book.tell(replace(word, why=why, whose=Owner.ENDPOINT))

    (start,) = lived(site(), work)
    assert (start.what, start.endpoint, start.owner) == (EventKind.OUTAGE_START, "west", Owner.ENDPOINT)
    assert start.says.endswith("; nothing listens at 192.0.2.230:47862; does the endpoint run?")


def test_a_stop_is_no_outage() -> None:
    async def work(life: Life) -> None:
        await asyncio.sleep(100)
        await life.daemon.stop(minutes=30, why="a test")
        await asyncio.sleep(HOUR_S)

    assert lived(site(trains=(train_plan(),)), work) == []


def test_an_outage_goes_on_over_a_restart_and_is_told_once() -> None:
    before = Event(
        handoff="A",
        endpoint="north",
        started_unix_ns=START_NS - 500 * NS_PER_S,
        what=EventKind.OUTAGE_START,
        says="x",
        owner=Owner.UNKNOWN,
    )
    train = LiveTrain(silences={"north": [(0, 100)]})
    (end,) = lived(site(trains=(train_plan(),)), for_s(300), train=train, events=[before])
    assert (end.what, end.seconds) == (EventKind.OUTAGE_END, None)
    assert end.says == "north answers again; nobody watched all the while"


def test_an_outage_on_a_path_that_leaves_the_site_file_does_not_last_for_ever() -> None:
    train = LiveTrain(silences={"north": [(100, 10_000)]})
    asked = site(trains=(train_plan(),))

    async def work(life: Life) -> None:
        await asyncio.sleep(200)
        await life.daemon.reload(replace(asked, trains=()))
        await asyncio.sleep(200)

    found = lived(asked, work, train=train)
    assert [event.what for event in found] == [EventKind.OUTAGE_START, EventKind.OUTAGE_END]


# Stalls


def stall(started_unix_ns: int, seconds: float, *, endpoint: str = "north") -> Stall:
    return Stall(
        handoff="A",
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        duration_us=round(seconds * 1e6),
        direction=Direction.UP,
        how="lost",
        lost=10,
        held=0,
    )


def test_two_hundred_and_fourteen_stalls_a_day_are_readable() -> None:
    """One a minute at most, 75 s after its first stall; none of the stalls is left out."""

    async def work(life: Life) -> None:
        for nth in range(214):
            life.daemon.book.keep(stall(life.clock.unix_ns(), 0.8))
            await asyncio.sleep(3 if nth % 4 else 1500)

    found = lived(site(), work)
    assert {event.what for event in found} == {EventKind.STALL}
    assert sum(event.count or 0 for event in found) == 214
    assert len(found) == 55  # bursts of four, the first and the last of one


def test_what_is_gathered_is_kept_when_the_probe_stops() -> None:
    async def work(life: Life) -> None:
        life.daemon.book.keep(stall(life.clock.unix_ns(), 1.3))

    (found,) = lived(site(), work)
    assert (found.count, found.seconds) == (1, 1.3)


def test_a_stall_that_was_an_outage_is_not_told_twice() -> None:
    train = LiveTrain(silences={"north": [(100, 130)]})

    async def work(life: Life) -> None:
        await asyncio.sleep(140)
        life.daemon.book.keep(stall(START_NS + 100 * NS_PER_S, 30.9))
        await asyncio.sleep(200)

    found = lived(site(trains=(train_plan(),)), work, train=train)
    assert [event.what for event in found] == [EventKind.OUTAGE_START, EventKind.OUTAGE_END]


def test_a_stall_of_more_than_ten_seconds_that_no_outage_tells_is_told() -> None:
    async def work(life: Life) -> None:
        await asyncio.sleep(140)
        life.daemon.book.keep(stall(START_NS + 100 * NS_PER_S, 10.1))
        await asyncio.sleep(200)

    (found,) = lived(site(trains=(train_plan(),)), work)
    assert (found.what, found.seconds) == (EventKind.STALL, 10.1)


# The path


def test_a_path_that_takes_five_milliseconds_more_is_one_step() -> None:
    train = LiveTrain(least_us=lambda minute: 19_000 if minute < 30 else 24_000)
    (found,) = lived(site(trains=(train_plan(),)), for_s(2 * HOUR_S), train=train)
    assert (found.what, found.owner, seconds_of(found)) == (EventKind.PATH_STEP, Owner.UNKNOWN, 1800.0)
    assert (found.before, found.after) == ("19.0 ms", "24.0 ms")


def test_minutes_with_a_run_of_ours_say_nothing_of_the_path() -> None:
    """Runs back to back for a quarter of an hour hold the queue full, and no path moved."""
    plan = run_plan(every_s=60, seconds=50)
    train = LiveTrain(least_us=lambda minute: 60_000 if minute >= 30 else 19_000)
    asked = site(trains=(train_plan(),), runs=(plan,))
    assert [] == [
        event for event in lived(asked, for_s(HOUR_S), train=train) if event.what is EventKind.PATH_STEP
    ]


# Runs and the allowance


def limited(*reasons: str) -> Callable[[int], RateRun]:
    return lambda number: replace(rate_run(), reasons=reasons, started_unix_ns=START_NS)


def test_a_run_at_a_limit_of_this_host_is_told_once_a_day() -> None:
    rate = FakeRate(outcome=limited("probe_limit"))
    asked = site(runs=(run_plan(every_s=3600),))
    (found,) = lived(asked, for_s(10 * HOUR_S), rate=rate)
    assert (found.what, found.owner) == (EventKind.CEILING, Owner.HOUSE)
    assert found.says == "rate run up to north: the probe host was at its limit"


def test_a_restart_does_not_tell_it_again() -> None:
    rate = FakeRate(outcome=limited("endpoint_limit"))
    asked = site(runs=(run_plan(every_s=3600),))
    (first,) = lived(asked, for_s(2 * HOUR_S), rate=rate)
    assert first.owner is Owner.ENDPOINT
    assert lived(asked, for_s(2 * HOUR_S), rate=rate, events=[first]) == []


def test_a_run_without_a_limit_is_no_event() -> None:
    rate = FakeRate(outcome=limited("short", "window_limit"))
    assert lived(site(runs=(run_plan(every_s=3600),)), for_s(2 * HOUR_S), rate=rate) == []


def test_eighty_percent_of_the_allowance_are_told_once_a_month() -> None:
    """25 MB a run of 50 MB each hour: the 16th run reaches 400 of 500 MB. The next month begins anew."""
    asked = site(handoffs=(replace(handoff(), allowance_bytes=500_000_000),), runs=(run_plan(every_s=3600),))
    with unhurried():
        (found,) = lived(asked, for_s(40 * HOUR_S))
        assert (found.what, found.owner, found.handoff) == (EventKind.ALLOWANCE, Owner.HOUSE, "A")
        assert found.says.startswith("80 % of the test allowance of 500 MB are spent; forecast")
        assert lived(asked, for_s(40 * HOUR_S), events=[found]) == []
        last_month = replace(found, started_unix_ns=START_NS - 4 * 86_400 * NS_PER_S)
        assert len(lived(asked, for_s(40 * HOUR_S), events=[last_month])) == 1


# Ports


@dataclass(kw_only=True)
class Lead:
    """A port whose lead is pulled from `from_s` to `to_s`."""

    clock: Clock
    from_s: float
    to_s: float
    asked: set[str] = field(default_factory=set)

    async def look(self, where: Reach) -> Link:
        self.asked.add(where.handoff)
        pulled = self.from_s <= self.clock.monotonic_ns() / NS_PER_S < self.to_s
        return Link(
            name="eth7",
            there=True,
            set_up=True,
            carrier=not pulled,
            lost=None,
            back=None,
            port_rate_bps=None if pulled else 1_000_000_000,
            duplex=None if pulled else "full",
        )


def test_a_pulled_lead_is_told_and_its_return() -> None:
    lost, back = lived(site(), for_s(200), links=lambda clock: Lead(clock=clock, from_s=50, to_s=90).look)
    assert [lost.what, back.what] == [EventKind.CARRIER_LOST, EventKind.CARRIER_BACK]
    assert 50 <= seconds_of(lost) <= 60
    assert 90 <= seconds_of(back) <= 100
    assert back.seconds == seconds_of(back) - seconds_of(lost)


def test_a_reload_does_not_forget_a_lost_carrier() -> None:
    asked = site()

    async def work(life: Life) -> None:
        await asyncio.sleep(100)
        await life.daemon.reload(replace(asked, name="Another"))
        await asyncio.sleep(200)

    found = lived(asked, work, links=lambda clock: Lead(clock=clock, from_s=50, to_s=200).look)
    assert [event.what for event in found] == [EventKind.CARRIER_LOST, EventKind.CARRIER_BACK]


def test_nor_does_a_restart() -> None:
    (lost,) = Port(handoff="A").look(
        Link(
            name="eth7",
            there=True,
            set_up=True,
            carrier=False,
            lost=None,
            back=None,
            port_rate_bps=None,
            duplex=None,
        ),
        unix_ns=START_NS - NS_PER_S,
        monotonic_ns=0,
    )
    (back,) = lived(
        site(),
        for_s(200),
        events=[lost],
        links=lambda clock: Lead(clock=clock, from_s=0, to_s=90).look,
    )
    assert (back.what, back.seconds) == (EventKind.CARRIER_BACK, None)


def test_a_listener_that_breaks_takes_nothing_down() -> None:
    async def work(life: Life) -> None:
        life.daemon.book.listeners.insert(0, _broken)
        life.daemon.book.keep(stall(life.clock.unix_ns(), 1.3))
        life.daemon.book.tell(Answering(handoff="A", endpoint="north", since_ns=None, heard_ns=None))

    assert len(lived(site(), work)) == 1


def _broken(what: object) -> None:
    raise RuntimeError("a mistake of ours")
