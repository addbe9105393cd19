"""What a daemon makes of a clock that is set and of a host that sleeps, in jumping time.

Two whole days of it stand in test_two_days; here is each consequence by itself.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from random import Random

import pytest

from probe.daemon import Methods, prepared
from probe.linux.clock_state import ClockState
from probe.methods import train
from probe.schedule import midnight_ns
from probe.status import as_json, one_line
from store.clock import NS_PER_S, Clock, local, zone
from store.clock_change import ClockChange, ClockHow
from store.events import Event
from store.records import Failed, Gap, Owner, Skipped, Stall, TrainSpan, WindowClosed, WindowOpened
from store.site import EVENINGS, Site, WindowKind
from tests.probe.jumping import Leap, run_from
from tests.probe.living import START_NS, FakeRate, Life, alive
from tests.probe.paper_line import PaperLine
from tests.probe.sites import run_plan, site, train_plan, window
from tests.probe.test_two_days import Kept

LISBON = zone("Europe/Lisbon")
HOUR_S = 3600.0
DAY_NS = midnight_ns(date(2026, 6, 3), where=LISBON)
SET = ClockState(synchronised=True, error_us=700)
UNSET = ClockState(synchronised=False, error_us=None)


def watched(
    asked: Site,
    *,
    for_s: float,
    leaps: tuple[Leap, ...] = (),
    line: PaperLine | None = None,
    from_ns: int = START_NS,
    state: Callable[[], ClockState] = lambda: SET,
) -> Kept:
    """The store after a daemon with real trains over a line on paper was awake for so many seconds."""
    store = Kept()

    async def life(clock: Clock) -> None:
        methods = Methods(rate=FakeRate(), train=train.keep, clock_state=state)
        made = await prepared(
            asked, clock=clock, writer=store, methods=methods, random=Random(1), spent_bytes={}
        )
        task = asyncio.create_task(made.run(), name="daemon")
        await asyncio.wait({task}, timeout=for_s)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    with (line or PaperLine()).laid():
        run_from(from_ns, life, leaps=leaps)
    return store


def seconds(unix_ns: int) -> float:
    return (unix_ns - START_NS) / NS_PER_S


# On record


def test_a_step_is_an_event_with_both_times(caplog: pytest.LogCaptureFixture) -> None:
    """Sentence, owner, what the clock showed before and after at the same moment; and a line in the log."""
    kept = watched(site(), for_s=60, leaps=(Leap(awake_s=30.5, set_s=-2.0),))
    (event,) = kept.of(Event)
    assert event.says == "the clock of this host was set back by 2.000 s"
    assert (event.owner, event.before, event.after) == (
        Owner.HOUSE,
        "2026-06-03T00:00:31.000Z",
        "2026-06-03T00:00:29.000Z",
    )
    (step,) = [one for one in kept.of(ClockChange) if one.how is ClockHow.STEP]
    assert (seconds(step.started_unix_ns), seconds(step.ended_unix_ns), step.by_us) == (30, 29, -2_000_000)
    assert any(
        message.startswith("clock step by_us=-2000000 uncertainty_us=0 before=2026-06-03T00:00:31.000Z")
        for message in caplog.messages
    )


def test_a_sleep_is_a_gap_for_all_handoffs_and_an_event(caplog: pytest.LogCaptureFixture) -> None:
    kept = watched(site(), for_s=60, leaps=(Leap(awake_s=30.5, slept_s=5000.0),))
    assert [
        Gap(
            started_unix_ns=START_NS + 31 * NS_PER_S,
            ended_unix_ns=START_NS + 5031 * NS_PER_S,
            why="this host slept",
        )
    ] == kept.of(Gap)
    (event,) = kept.of(Event)
    assert (event.says, event.seconds) == ("this host slept for 5000.000 s, and nothing was measured", 5000.0)
    assert "host slept seconds=5000.000 uncertainty_us=0" in caplog.messages


def test_the_status_says_when_the_clock_is_not_synchronised(caplog: pytest.LogCaptureFixture) -> None:
    """In the line for people, in the JSON with the kernel's bound, and on record as it changes."""
    caplog.set_level(logging.INFO, "probe")
    now = [SET]

    async def life(clock: Clock) -> None:
        async with alive(clock, site(), clock_state=lambda: now[0]) as one:
            assert "synchronised" not in one_line(one.daemon.status())
            assert {"synchronised": True, "error_us": 700} == as_json(one.daemon.status())["clock"]
            now[0] = UNSET
            await asyncio.sleep(2)
            assert one_line(one.daemon.status()).startswith("the clock is not synchronised; ")
            assert {"synchronised": False, "error_us": None} == as_json(one.daemon.status())["clock"]
            hows = [change.how for change in one.store.of(ClockChange)]
            assert [ClockHow.GAINED, ClockHow.LOST] == hows

    run_from(START_NS, life)
    assert [one for one in caplog.messages if "synchronised" in one] == [
        "clock synchronised error_us=700",
        "clock not synchronised",
    ]


# Trains


@pytest.mark.parametrize("slept_s", [20.0, 5000.0])  # within the minute, and over many
def test_a_train_ends_with_the_sleep_and_begins_anew_after_it(slept_s: float) -> None:
    """20 packets a second for three minutes awake: what was under way is neither here nor lost."""
    line = PaperLine(delay_s=0.080)  # three packets are under way at any time
    kept = watched(
        site(trains=(train_plan(),)), for_s=180, leaps=(Leap(awake_s=90.31, slept_s=slept_s),), line=line
    )
    spans = sorted(kept.of(TrainSpan), key=lambda span: span.started_unix_ns)
    woke_s = 90.3 + slept_s
    assert [seconds(span.started_unix_ns) for span in spans] == pytest.approx(
        [0, 60, woke_s, woke_s + 9.7, woke_s + 69.7], abs=0.1
    )
    assert [span.seconds for span in spans] == pytest.approx([60, 30.3, 9.7, 60, 20.2], abs=0.3)
    assert 2 == line.opened
    assert 3 <= len(line.asleep) <= 4
    assert 0 == sum(span.lost + span.held_up + span.held_down for span in spans)
    assert line.sent - sum(span.received for span in spans) <= 8  # under way in the sleep, and at the end
    assert [] == kept.of(Stall) == kept.of(Failed)
    assert {()} == {span.reasons for span in spans}
    assert all(159_000 < us < 161_000 for span in spans for us in (span.rtt.min or 0, span.rtt.max or 0))


def test_a_train_that_cannot_be_opened_after_a_sleep_is_a_gap_from_then_on() -> None:
    """The sleep is not counted twice: the train's own gap begins when the host woke."""
    kept = watched(
        site(trains=(train_plan(),)),
        for_s=180,
        leaps=(Leap(awake_s=90.31, slept_s=1000.0),),
        line=_closing(at_s=90.0, times=2),
    )
    asleep, own = sorted(kept.of(Gap), key=lambda gap: gap.ended_unix_ns)
    assert ("this host slept", "no train: no way to the endpoint") == (asleep.why, own.why)
    assert asleep.ended_unix_ns <= own.started_unix_ns + NS_PER_S
    assert 1090 <= seconds(own.started_unix_ns) <= 1092
    assert 2 <= seconds(own.ended_unix_ns) - seconds(own.started_unix_ns) <= 12
    assert ["no way to the endpoint"] == [failed.why for failed in kept.of(Failed)]


class _Closing(PaperLine):
    """Refuses so many openings once it was opened the first time."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self.times = times

    def __setattr__(self, name: str, value: object) -> None:
        super().__setattr__(name, value)
        if name == "opened" and value == 1:
            super().__setattr__("refuses", self.times)


def _closing(*, at_s: float, times: int) -> PaperLine:
    return _Closing(times)


@pytest.mark.parametrize("set_s", [0.42, -2.0, -90.0])
def test_a_step_moves_labels_and_nothing_else(set_s: float) -> None:
    """A stall that began before the clock was set keeps the moment of then; the span says ``clock_step``."""
    line = PaperLine(silent_s=(61.0, 62.5))
    kept = watched(
        site(trains=(train_plan(),)), for_s=300, leaps=(Leap(awake_s=62.8, set_s=set_s),), line=line
    )
    (stall,) = kept.of(Stall)
    assert seconds(stall.started_unix_ns) == pytest.approx(61, abs=0.1)
    assert (stall.seconds, stall.lost) == (pytest.approx(1.55, abs=0.1), line.lost_up)
    spans = kept.of(TrainSpan)
    assert line.lost_up == sum(span.lost for span in spans)
    assert 300.4 == pytest.approx(sum(span.seconds for span in spans), abs=0.1)  # 0.4 s for the last replies
    marked = [span for span in spans if span.reasons == ("clock_step",)]
    # the train's own mark, its neighbour, and the time that a clock set back shows again
    assert 1 <= len(marked) <= 2 + (set_s < -60)
    assert sum(seconds(span.started_unix_ns) <= 62.8 + max(0, set_s) for span in marked) >= 1
    assert all(19_900 < us < 20_100 for span in spans for us in (span.rtt.min or 0, span.rtt.max or 0))


@pytest.mark.parametrize(
    ("from_hour", "slept_hours", "ends"),
    [
        (19.5, 1, "23:00"),  # asleep from 20:00 to 21:00, two hours are left
        (21.5, 3, "22:00"),  # asleep from 22:00 to 01:00, none is
    ],
)
def test_a_train_with_hours_ends_when_they_do_by_the_wall(
    from_hour: float, slept_hours: float, ends: str
) -> None:
    """18:00 to 23:00, however long the train itself has been awake."""
    asked = site(trains=(replace(train_plan(per_second=0.1), times=EVENINGS),))
    leap = Leap(awake_s=HOUR_S / 2, slept_s=slept_hours * HOUR_S)
    from_ns = DAY_NS + round(from_hour * HOUR_S) * NS_PER_S
    spans = watched(asked, for_s=3 * HOUR_S, leaps=(leap,), from_ns=from_ns).of(TrainSpan)
    last_ns = max(span.started_unix_ns + round(span.seconds * NS_PER_S) for span in spans)
    assert ends == f"{local(last_ns + 15 * NS_PER_S, LISBON):%H:%M}"  # a packet every ten seconds
    measured_s = sum(span.seconds for span in spans)
    assert measured_s == pytest.approx(HOUR_S / 2 + (2 * HOUR_S if ends == "23:00" else 0), abs=15)


def test_hours_of_a_train_do_not_come_twice() -> None:
    """The clock is set back by 2 s right after 23:00."""
    asked = site(trains=(replace(train_plan(per_second=1), times=EVENINGS),))
    leaps = (Leap(awake_s=0.4 * HOUR_S + 0.2, set_s=-2.0),)  # while the last replies are waited for
    line = PaperLine(delay_s=0.3)
    kept = watched(
        asked, for_s=HOUR_S, leaps=leaps, line=line, from_ns=DAY_NS + round(22.6 * HOUR_S) * NS_PER_S
    )
    ended_ns = max(span.started_unix_ns + round(span.seconds * NS_PER_S) for span in kept.of(TrainSpan))
    assert local(ended_ns, LISBON).strftime("%H:%M") in ("22:59", "23:00")
    assert 0.4 * HOUR_S == pytest.approx(sum(span.seconds for span in kept.of(TrainSpan)), abs=1.1)


# Runs and windows


def test_a_step_forward_is_noticed_by_what_waits() -> None:
    """A run that waits starts at its moment by the new clock; one that was leapt over, later in its slot."""
    rate = FakeRate()
    found: list[int] = []

    async def life(clock: Clock) -> None:
        asked = site(runs=(run_plan(every_s=3600),))
        async with alive(clock, asked, rate=rate, clock_state=lambda: SET) as one:
            found.extend(start_ns for start_ns, _ in one.daemon.status().due)
            await asyncio.sleep(HOUR_S)

    run_from(START_NS, life)
    due_s, began_s = seconds(found[0]), seconds(rate.runs[0][1])
    assert due_s == began_s
    rate.runs.clear()
    run_from(START_NS, life, leaps=(Leap(awake_s=due_s - 25, set_s=24.0),))
    assert due_s == seconds(rate.runs[0][1])  # 24 s earlier by clocks that nobody sets
    rate.runs.clear()
    run_from(START_NS, life, leaps=(Leap(awake_s=due_s - 25, set_s=26.0),))
    assert due_s < seconds(rate.runs[0][1]) < HOUR_S
    assert 1 == len(rate.runs)


def test_a_window_that_the_host_slept_through_is_on_record() -> None:
    """02:00 to 03:00, asleep from 01:00 to 04:00: it opened and closed when its hours said."""
    quiet = window(WindowKind.QUIET, minutes=(120, 180))
    kept = watched(
        site(windows=(quiet,)),
        for_s=2 * HOUR_S,
        leaps=(Leap(awake_s=HOUR_S, slept_s=3 * HOUR_S),),
        from_ns=DAY_NS,
    )
    (opened,), (closed,) = kept.of(WindowOpened), kept.of(WindowClosed)
    assert (DAY_NS + 7200 * NS_PER_S, DAY_NS + 10_800 * NS_PER_S) == (
        opened.started_unix_ns,
        closed.started_unix_ns,
    )
    assert closed.why == "its hours are over"


@pytest.mark.parametrize("edge_s", [7200, 10_800])
def test_a_window_comes_once_when_the_clock_is_set_back_at_its_edge(edge_s: int) -> None:
    """By 60 s, 30 s after it opened or closed."""
    quiet = window(WindowKind.QUIET, minutes=(120, 180))
    kept = watched(
        site(windows=(quiet,)),
        for_s=5 * HOUR_S,
        leaps=(Leap(awake_s=edge_s + 30, set_s=-60.0),),
        from_ns=DAY_NS,
    )
    assert (1, 1) == (len(kept.of(WindowOpened)), len(kept.of(WindowClosed)))
    assert [one.why for one in kept.of(WindowClosed)] == ["its hours are over"]


def test_a_stop_ends_by_the_wall_when_the_host_slept_over_its_end() -> None:
    """An hour's stop, three hours asleep in it: trains go again with the first look after the sleep."""

    async def life(clock: Clock) -> None:
        async with alive(clock, site(trains=(train_plan(),)), clock_state=lambda: SET) as one:
            await one.daemon.stop(minutes=60, why="quiet please")
            await asyncio.sleep(1800)
            assert _last_opened(one) == 3 * HOUR_S + 601
            (closed,) = one.store.of(WindowClosed)
            assert (HOUR_S, "its time was over") == (one.seconds(closed.started_unix_ns), closed.why)

    def _last_opened(one: Life) -> float:
        return one.seconds(one.train.opened_ns[-1])

    run_from(START_NS, life, leaps=(Leap(awake_s=600.5, slept_s=3 * HOUR_S),))


def test_slots_that_were_slept_through_say_so() -> None:
    """Every quarter of an hour, an hour and a half asleep: five or six moments passed, each on record."""
    kept = watched(
        site(runs=(run_plan(every_s=900),)), for_s=HOUR_S, leaps=(Leap(awake_s=1800.5, slept_s=1.5 * HOUR_S),)
    )
    whys = {one.why for one in kept.of(Skipped)}
    assert whys == {"this host slept"}
    planned = sorted(seconds(one.planned_unix_ns) for one in kept.of(Skipped))
    assert planned[0] >= 1800.5 - 900
    assert planned[-1] <= 7200.5
    assert 5 <= len(planned) <= 6
