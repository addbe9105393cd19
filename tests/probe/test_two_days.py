"""Forty-eight hours by the local clock, with everything a clock can do: nothing is lost, doubled or made up.

The daemon and its trains are the product's, over a line on paper and in jumping time; the rate run is a fake.
What must be on record is worked out here from the IANA time zone database and the list of what happened to
the clock, second by second, without the product's calendar.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from probe import daemon
from probe.daemon import Methods
from probe.linux.clock_state import ClockState
from probe.methods import train
from store.cells import Length
from store.clock import NS_PER_S, Clock
from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.reader import Reader
from store.records import Failed, Gap, RateRun, Skipped, Stall, TrainSpan, WindowOpened
from store.site import Site, Times, WindowKind
from store.writer import Writer
from tests.probe.jumping import Leap, run_from, unhurried
from tests.probe.paper_line import PaperLine
from tests.probe.sites import EVERY_DAY, handoff, run_plan, site, train_plan, window
from tests.probe.test_daemon import FakeRate, MemoryStore

LISBON = ZoneInfo("Europe/Lisbon")
ALLOWED_BYTES = 1_500_000_000  # 96 runs that move 25 MB each do not fit
BEAT_S = 60.0
SLEPT_S = 3 * 3600.0
WORKING = (7, 22)  # local hours of the second train
QUIET = (3, 5)  # local hours in which no run may fill a line


@dataclass(frozen=True, kw_only=True)
class Case:
    """`day` is the first of the two local days, `hours` what each of them has (by the almanac).

    The span of time is what is tested here, so packets and looks at the clock are far between.
    """

    day: date
    hours: tuple[int, int]
    leaps: tuple[Leap, ...] = ()

    @property
    def packets_s(self) -> float:
        """Between two packets."""
        return 20.0 if self.leaps else 30.0

    @property
    def look_s(self) -> float:
        return 10.0 if self.leaps else 20.0

    @property
    def slack_s(self) -> float:
        """A sleep is noticed with the next packet, and with the next look."""
        return self.packets_s + self.look_s


CASES = {
    # clock changes by Directive 2000/84/EC: 28 March and 31 October 2027 at 01:00 UTC
    "spring": Case(day=date(2027, 3, 27), hours=(24, 23)),
    "autumn": Case(day=date(2027, 10, 30), hours=(24, 25)),
    "leap day": Case(day=date(2028, 2, 28), hours=(24, 24)),  # the day after is the 29th
    "asleep": Case(day=date(2027, 6, 1), hours=(24, 24), leaps=(Leap(awake_s=37_233.3, slept_s=SLEPT_S),)),
    "forward": Case(day=date(2027, 6, 1), hours=(24, 24), leaps=(Leap(awake_s=37_233.3, set_s=0.42),)),
    # right after 22:00, when the second train's hours are over and slots and spans begin
    "back": Case(day=date(2027, 6, 1), hours=(24, 24), leaps=(Leap(awake_s=79_200.8, set_s=-2.0),)),
}


class Kept(MemoryStore):
    def so_far(self, span: TrainSpan) -> None:
        """What a train has of its minute is not asked here."""


@dataclass(frozen=True, kw_only=True)
class Lived:
    """What two days left on record, and what the line and the fake rate run saw."""

    case: Case
    store: Kept
    line: PaperLine
    rate: FakeRate

    @property
    def span_s(self) -> int:
        return sum(self.case.hours) * 3600

    def second(self, unix_ns: int) -> float:
        """Seconds since the first local midnight, by the wall clock."""
        return unix_ns / NS_PER_S - first_midnight(self.case.day).timestamp()


def first_midnight(day: date) -> datetime:
    return datetime.combine(day, time(), LISBON)


def planned_site(case: Case) -> Site:
    a, b = handoff("A"), replace(handoff("B"), allowance_bytes=ALLOWED_BYTES)
    working = Times(
        weekdays=EVERY_DAY, dates=frozenset(), from_minute=WORKING[0] * 60, to_minute=WORKING[1] * 60
    )
    return site(
        handoffs=(a, b),
        trains=(
            replace(train_plan(handoff="A"), per_second=1 / case.packets_s),
            replace(train_plan(handoff="B"), per_second=1 / case.packets_s, span_s=600, times=working),
        ),
        runs=(run_plan(every_s=3600), run_plan(every_s=1800, seconds=30, handoff="B")),
        windows=(window(WindowKind.QUIET, minutes=(QUIET[0] * 60, QUIET[1] * 60)),),
    )


def lived(case: Case) -> Lived:
    """Two local days of the daemon; on the second, all tests are stopped from 15:00 to 16:30."""
    store, rate, line = Kept(), FakeRate(), PaperLine(one_in=97)
    midnight = first_midnight(case.day)
    ends_ns = int(first_midnight(case.day + timedelta(days=2)).timestamp()) * NS_PER_S
    stop_ns = int(datetime.combine(case.day + timedelta(days=1), time(15), LISBON).timestamp()) * NS_PER_S

    async def life(clock: Clock) -> None:
        made = await daemon.prepared(
            planned_site(case),
            clock=clock,
            writer=store,
            methods=Methods(
                rate=rate, train=train.keep, clock_state=lambda: ClockState(synchronised=True, error_us=900)
            ),
            random=Random(2027),
            spent_bytes={},
        )
        task = asyncio.create_task(made.run(), name="daemon")
        await made.book.until(stop_ns)
        await made.stop(minutes=90, why="an exam")
        await made.book.until(ends_ns)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task

    with unhurried(BEAT_S, clock_look_s=case.look_s), line.laid(beat_s=BEAT_S):
        random.seed(2027)  # the phases of trains
        run_from(int(midnight.timestamp()) * NS_PER_S, life, leaps=case.leaps)
    return Lived(case=case, store=store, line=line, rate=rate)


def ticked(pieces: Iterable[tuple[float, float]], whole_s: int) -> np.ndarray:
    """Which tenths of a second of the two days lie in one of these pieces."""
    found = np.zeros(whole_s * 10, dtype=bool)
    for from_s, to_s in pieces:
        found[max(0, round(from_s * 10)) : max(0, round(to_s * 10))] = True
    return found


def spans_of(two_days: Lived, handoff: str) -> Iterator[tuple[float, float]]:
    for span in two_days.store.of(TrainSpan):
        if span.handoff == handoff:
            began_s = two_days.second(span.started_unix_ns)
            yield began_s, began_s + span.seconds


def gaps_of(two_days: Lived, handoff: str) -> Iterator[tuple[float, float]]:
    for gap in two_days.store.of(Gap):
        if gap.handoff in ("", handoff):
            yield two_days.second(gap.started_unix_ns), two_days.second(gap.ended_unix_ns)


def minutes_of(two_days: Lived) -> Iterator[tuple[int, datetime]]:
    """Every minute of the two days: its number, and the local time at which it begins."""
    begins = first_midnight(two_days.case.day).astimezone(UTC)
    for number in range(two_days.span_s // 60):
        yield number, (begins + timedelta(minutes=number)).astimezone(LISBON)


def every_minute_is_measured_or_a_gap(two_days: Lived) -> None:
    """The train without hours: each minute of the local days is measured, slept through or stopped."""
    whole_s = two_days.span_s
    measured = ticked(spans_of(two_days, "A"), whole_s).reshape(-1, 600).sum(axis=1) / 10
    gaps = ticked(gaps_of(two_days, "A"), whole_s).reshape(-1, 600).sum(axis=1) / 10
    leapt_s = sum(abs(leap.set_s) for leap in two_days.case.leaps)
    found = Counter[str]()
    for number, begins in minutes_of(two_days):
        stopped = begins.day == (two_days.case.day + timedelta(days=1)).day and (
            (15, 0) <= (begins.hour, begins.minute) < (16, 30)
        )
        slept = any(
            leap.awake_s <= number * 60 + 60 and number * 60 < leap.awake_s + leap.slept_s
            for leap in two_days.case.leaps
            if leap.slept_s
        )
        together = measured[number] + gaps[number]
        if slept:
            assert together >= 60 - two_days.case.slack_s, (begins, measured[number], gaps[number])
            found["asleep"] += gaps[number] > 59
        elif stopped:
            assert (gaps[number], measured[number] < 1) == (60.0, True), begins
            found["stopped"] += 1
        else:
            assert measured[number] >= 60 - leapt_s, (begins, measured[number], gaps[number])
            assert gaps[number] <= two_days.case.slack_s, (begins, gaps[number])
            found["measured"] += 1
    assert found["stopped"] == 90
    assert found["asleep"] == (179 if any(leap.slept_s for leap in two_days.case.leaps) else 0)
    assert found["measured"] >= sum(two_days.case.hours) * 60 - 90 - (181 if found["asleep"] else 0)


def no_time_is_made_or_lost(two_days: Lived) -> None:
    """What was measured, stopped and slept adds up to what passed, by clocks that nobody sets."""
    measured_s = sum(to_s - from_s for from_s, to_s in spans_of(two_days, "A"))
    gap_s = sum(to_s - from_s for from_s, to_s in gaps_of(two_days, "A"))
    passed_s = two_days.span_s - sum(leap.set_s for leap in two_days.case.leaps)
    assert measured_s + gap_s == pytest.approx(passed_s, abs=1)


def a_train_with_hours_measures_in_them_alone(two_days: Lived) -> None:
    """07:00 to 22:00 by the local clock, whatever UTC says; what lies between is planned and no gap."""
    measured = ticked(spans_of(two_days, "B"), two_days.span_s).reshape(-1, 600).sum(axis=1) / 10
    gaps = ticked(gaps_of(two_days, "B"), two_days.span_s).reshape(-1, 600).sum(axis=1) / 10
    for number, begins in minutes_of(two_days):
        if not WORKING[0] <= begins.hour < WORKING[1]:
            assert measured[number] == 0, begins
        else:
            assert measured[number] + gaps[number] >= 60 - two_days.case.slack_s, begins


def every_slot_is_on_record_once(two_days: Lived) -> None:
    """Slots count from local midnight, so a day of 23 or 25 hours has as many of an hour."""
    for handoff_, every_s in (("A", 3600), ("B", 1800)):
        moments = [
            run.circumstances.planned_unix_ns or 0
            for run, (plan, _, _) in zip(two_days.store.of(RateRun), two_days.rate.runs, strict=True)
            if plan.handoff == handoff_
        ]
        moments += [one.planned_unix_ns for one in two_days.store.of(Skipped) if one.handoff == handoff_]
        assert [] == two_days.store.of(Failed)
        seconds = sorted(two_days.second(moment) for moment in moments)
        slots = Counter(int(second // every_s) for second in seconds)
        assert slots == dict.fromkeys(range(two_days.span_s // every_s), 1), handoff_


def runs_keep_out_of_what_is_closed(two_days: Lived) -> None:
    """None from 03:00 to 05:00 local, none while stopped or asleep, and no crowd after a sleep."""
    asleep = [(leap.awake_s, leap.awake_s + leap.slept_s) for leap in two_days.case.leaps if leap.slept_s]
    for plan, began_ns, ended_ns in two_days.rate.runs:
        began = datetime.fromtimestamp(began_ns / 1e9, LISBON)
        assert not QUIET[0] <= began.hour < QUIET[1], began
        assert ended_ns - began_ns == plan.seconds * NS_PER_S, began
    for _, woke_s in asleep:
        starts = [two_days.second(began_ns) - woke_s for _, began_ns, _ in two_days.rate.runs]
        assert not any(0 <= start < 10 for start in starts)
    whys = Counter(one.why for one in two_days.store.of(Skipped))
    assert whys["it would touch quiet window 'quiet hours'"] == 2 * 2 + 2 * 4
    assert (whys["this host slept"] >= 2 + 5) == bool(asleep)
    assert whys["all tests are stopped: an exam"] >= 1 + 2
    assert not any("woke up too late" in why or "another run" in why for why in whys)
    assert any("of the test allowance of 1.5 GB" in why for why in whys)


def windows_open_once(two_days: Lived) -> None:
    opened = Counter((one.name, one.started_unix_ns) for one in two_days.store.of(WindowOpened))
    assert set(opened.values()) == {1}
    assert len(opened) == 3  # two nights' quiet hours and the stop


def what_the_clock_did_is_found(two_days: Lived) -> None:
    """Its kind and size, the time within which it happened, an event, and a gap for all handoffs."""
    changes = [one for one in two_days.store.of(ClockChange) if one.how in (ClockHow.STEP, ClockHow.SUSPEND)]
    events = [one for one in two_days.store.of(Event) if one.what is EventKind.CLOCK]
    assert len(changes) == len(events) == len(two_days.case.leaps)
    for leap, change, event in zip(two_days.case.leaps, changes, events, strict=True):
        how, by_s = (ClockHow.SUSPEND, leap.slept_s) if leap.slept_s else (ClockHow.STEP, leap.set_s)
        assert (change.how, change.by_us) == (how, round(by_s * 1e6))
        assert two_days.second(change.started_unix_ns) <= leap.awake_s
        assert leap.awake_s + leap.slept_s + leap.set_s <= two_days.second(change.ended_unix_ns)
        assert change.elapsed_us <= (leap.slept_s + two_days.case.look_s) * 1e6 + 1
        assert event.seconds == (leap.slept_s or None)
    everywhere = [gap for gap in two_days.store.of(Gap) if not gap.handoff]
    assert [round(leap.slept_s * NS_PER_S) for leap in two_days.case.leaps if leap.slept_s] == [
        gap.ended_unix_ns - gap.started_unix_ns for gap in everywhere
    ]
    known = [one for one in two_days.store.of(ClockChange) if one.how is ClockHow.GAINED]
    assert [(True, 900)] == [(one.synchronised, one.error_us) for one in known]
    assert {0.0} == {one.drift_ppm for one in two_days.store.of(ClockChange) if one.how is ClockHow.DRIFT}


def no_loss_and_no_stall_is_made_up(two_days: Lived) -> None:
    """The line's own book says how many it lost; what was under way in a sleep is neither here nor lost."""
    spans, line = two_days.store.of(TrainSpan), two_days.line
    assert [] == two_days.store.of(Stall)
    assert 0 == sum(span.lost_down + span.lost_unattributed + span.held_up + span.held_down for span in spans)
    left_out = line.sent - sum(span.sent for span in spans)
    assert 0 <= left_out <= line.opened  # at most one under way whenever a train ended
    assert 0 <= line.lost_up - sum(span.lost_up for span in spans) <= left_out
    assert {20_000} == {us // 100 * 100 for span in spans for us in (span.rtt.min, span.rtt.max) if us}


def one_way_figures_of_a_step_are_marked(two_days: Lived) -> None:
    """The minute that the clock was set in, on each train, and at most its neighbour."""
    marked = [
        two_days.second(span.started_unix_ns)
        for span in two_days.store.of(TrainSpan)
        if "clock_step" in span.reasons
    ]
    steps_s = [leap.awake_s for leap in two_days.case.leaps if leap.set_s]
    assert bool(marked) == bool(steps_s)
    assert all(any(-603 <= at_s - step_s <= 3 for step_s in steps_s) for at_s in marked)
    assert len(marked) <= 4 * len(steps_s)


def hours_and_days_are_as_long_as_they_are(two_days: Lived, tmp_path: Path) -> None:
    """Days of 23, 24 and 25 h; hours and days hold exactly what the minutes hold."""
    path, spans = tmp_path / "line.db", two_days.store.of(TrainSpan)
    writer = Writer.open(path, clock=Clock(), timezone="Europe/Lisbon")
    for span in spans:
        writer.append(span)
    writer.close()
    reader = Reader.open(path)
    try:
        for name in ("A", "B"):
            own = [span for span in spans if span.handoff == name]
            days = [one for one in reader.sums(Length.DAY) if one.handoff == name]
            by_hour = [one for one in reader.sums(Length.HOUR) if one.handoff == name]
            midnights = [first_midnight(two_days.case.day + timedelta(days=nth)) for nth in range(3)]
            assert [int(one.timestamp()) * NS_PER_S for one in midnights[:2]] == [
                day.started_unix_ns for day in days
            ]
            assert [hours_ * 3600 * NS_PER_S for hours_ in two_days.case.hours] == [
                day.ended_unix_ns - day.started_unix_ns for day in days
            ]
            for sums in (days, by_hour):
                assert sum(one.spans for one in sums) == len(own)
                for count in ("sent", "received", "lost_up"):
                    assert sum(getattr(one, count) for one in sums) == sum(
                        getattr(span, count) for span in own
                    )
                assert sum(one.seconds for one in sums) == pytest.approx(sum(span.seconds for span in own))
            if name == "A" and not any(leap.slept_s for leap in two_days.case.leaps):
                assert days[0].ended_unix_ns == days[1].started_unix_ns
                lengths = Counter((one.ended_unix_ns - one.started_unix_ns) // NS_PER_S for one in by_hour)
                assert sum(length * count for length, count in lengths.items()) == two_days.span_s - 3600
    finally:
        reader.close()


HOLDS = (
    every_minute_is_measured_or_a_gap,
    no_time_is_made_or_lost,
    a_train_with_hours_measures_in_them_alone,
    every_slot_is_on_record_once,
    runs_keep_out_of_what_is_closed,
    windows_open_once,
    what_the_clock_did_is_found,
    no_loss_and_no_stall_is_made_up,
    one_way_figures_of_a_step_are_marked,
)


# Each takes five seconds: a clock set forward is like one set back, and a leap day differs by its date alone.
SELDOM = {"leap day", "forward"}


@pytest.mark.parametrize(
    "case", [pytest.param(one, marks=pytest.mark.long if one in SELDOM else ()) for one in CASES]
)
def test_two_days(case: str, tmp_path: Path, subtests: pytest.Subtests) -> None:
    """All of the above, in one test, since the two days take a while to live."""
    two_days = lived(CASES[case])
    for holds in HOLDS:
        with subtests.test(holds.__name__):
            holds(two_days)
    with subtests.test(hours_and_days_are_as_long_as_they_are.__name__):
        hours_and_days_are_as_long_as_they_are(two_days, tmp_path)
