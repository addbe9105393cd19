"""The schedule: slots of days that are 23, 24 and 25 hours long, and starts that are random in them.

Clock changes of 2026 in Europe: 29 March and 25 October at 01:00 UTC (Directive 2000/84/EC: last Sundays
of March and October), so Lisbon's days have 23 and 25 hours then. Random starts: RFC 3432 section 3.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from probe.schedule import (
    Busy,
    Due,
    drawn_again,
    in_busy_hours,
    midnight_ns,
    next_due,
    run_ns,
    runs_a_day,
    runs_in,
    slot_at,
)
from probe.windows import stretches
from store.clock import NS_PER_S, local, zone
from store.site import EVENINGS, RunPlan, Times
from tests.probe.sites import EVERY_DAY, run_plan

LISBON = zone("Europe/Lisbon")
HOUR_NS = 3600 * NS_PER_S
SPRING, AUTUMN = date(2026, 3, 29), date(2026, 10, 25)
ZONES = (
    "UTC",
    "Europe/Lisbon",
    "America/Santiago",
    "Asia/Kathmandu",
    "Australia/Lord_Howe",
    "America/Havana",
)


def unix_ns(year: int, month: int, day: int, hour: int = 0) -> int:
    """An hour in UTC as Unix nanoseconds."""
    return int(datetime(year, month, day, hour, tzinfo=UTC).timestamp()) * NS_PER_S


def due_of(plan: RunPlan, after_ns: int, *, random: Random, busy: Busy | None = None) -> Due:
    """The next run of a plan that has no end."""
    due = next_due(plan, after_ns, where=LISBON, random=random, busy=busy)
    assert due is not None
    return due


def walked(plan: RunPlan, *, from_ns: int, to_ns: int, seed: int, busy: Busy | None = None) -> list[Due]:
    """Every run that a plan makes due in a span, as the daemon walks it: slot after slot."""
    random = Random(seed)
    found = []
    after_ns = from_ns
    while (due := due_of(plan, after_ns, random=random, busy=busy)).slot.start_ns < to_ns:
        found.append(due)
        after_ns = due.slot.end_ns
    return found


def local_days(*, first: date, days: int) -> list[tuple[date, int, int]]:
    """Local days with their first instants and those of the next ones."""
    found = [first + timedelta(days=number) for number in range(days)]
    edges = [midnight_ns(day, where=LISBON) for day in (*found, first + timedelta(days=days))]
    return list(zip(found, edges, edges[1:], strict=False))


@pytest.mark.parametrize(
    ("day", "every_s", "slots"),
    [
        (date(2026, 6, 1), 3600, 24),
        (SPRING, 3600, 23),
        (AUTUMN, 3600, 25),
        (SPRING, 900, 92),
        (AUTUMN, 900, 100),
        (SPRING, 6 * 3600, 4),  # the last has five hours
        (AUTUMN, 6 * 3600, 4),  # the last has seven
        (AUTUMN, 86_400, 1),
        (date(2026, 6, 1), 7 * 3600, 3),  # 24 = 7 + 7 + 10
    ],
)
def test_every_slot_of_a_day_has_exactly_one_run(day: date, every_s: int, slots: int) -> None:
    """Walked through a whole day, each slot brings one run, and the run ends within its slot."""
    start_ns, end_ns = (midnight_ns(d, where=LISBON) for d in (day, day + timedelta(days=1)))
    plan = run_plan(every_s=every_s)
    found = walked(plan, from_ns=start_ns, to_ns=end_ns, seed=1)
    assert slots == len(found) == len({due.slot for due in found})
    assert [start_ns, end_ns] == [found[0].slot.start_ns, found[-1].slot.end_ns]
    assert all(due.slot.start_ns <= due.start_ns <= due.slot.end_ns - run_ns(plan) for due in found)
    assert all(one.slot.end_ns == other.slot.start_ns for one, other in itertools.pairwise(found))


@pytest.mark.parametrize("minutes", [0, 30, 59, 61])
def test_a_run_drawn_again_lies_in_what_is_left_of_its_slot(minutes: int) -> None:
    """Uniformly, as the first draw was; where nothing is left it stays as it was."""
    slot_ns = unix_ns(2026, 6, 3)
    due, random = due_of(run_plan(every_s=3600), slot_ns, random=Random(3)), Random(4)
    from_ns = slot_ns + minutes * 60 * NS_PER_S
    found = [drawn_again(due, from_ns=from_ns, where=LISBON, random=random) for _ in range(500)]
    assert {due.slot} == {one.slot for one in found}
    if minutes == 61:
        assert {due.start_ns} == {one.start_ns for one in found}
        return
    assert all(from_ns <= one.start_ns <= due.latest_ns for one in found)
    left = [(one.start_ns - from_ns) / (due.latest_ns - from_ns) for one in found]
    assert stats.kstest(left, "uniform").pvalue > 0.001


def test_a_run_drawn_again_stays_in_the_busy_hours_where_they_last() -> None:
    """EVENINGS are 18:00 to 23:00; the slot from 18:00 to 24:00 is the one that serves them."""
    day_ns = midnight_ns(date(2026, 6, 3), where=LISBON)
    busy, random = Busy(times=EVENINGS), Random(5)
    due = due_of(run_plan(every_s=6 * 3600), day_ns + 18 * HOUR_NS, random=random, busy=busy)
    assert due.busy
    for from_hour, last_hour in ((20, 23), (23, 24)):
        from_ns = day_ns + from_hour * HOUR_NS
        found = drawn_again(due, from_ns=from_ns, where=LISBON, random=random, busy=busy)
        assert found.busy == (from_hour < 23)
        assert from_ns <= found.start_ns <= day_ns + last_hour * HOUR_NS - run_ns(due.plan)


def test_days_of_clock_changes_have_23_and_25_hours() -> None:
    """The local days begin and end where Directive 2000/84/EC puts the change between them."""
    assert unix_ns(2026, 3, 29) == midnight_ns(SPRING, where=LISBON)
    assert unix_ns(2026, 3, 29, 23) == midnight_ns(SPRING + timedelta(days=1), where=LISBON)
    assert unix_ns(2026, 10, 24, 23) == midnight_ns(AUTUMN, where=LISBON)
    assert unix_ns(2026, 10, 26) == midnight_ns(AUTUMN + timedelta(days=1), where=LISBON)


@given(st.sampled_from(ZONES), st.dates(date(2000, 1, 1), date(2037, 12, 31)))
def test_midnight_is_the_first_instant_of_its_day(name: str, day: date) -> None:
    """One second earlier it is yesterday, also where clocks change at midnight (Santiago, Havana)."""
    where = zone(name)
    found_ns = midnight_ns(day, where=where)
    before = local(found_ns - NS_PER_S, where).date()
    assert (day, day - timedelta(days=1)) == (local(found_ns, where).date(), before)


@given(
    st.sampled_from(ZONES),
    st.integers(unix_ns(2000, 1, 1), unix_ns(2037, 12, 31)),
    st.sampled_from([30, 900, 3600, 5 * 3600, 7 * 3600, 86_400, 7 * 86_400]),
)
def test_slots_cover_time_without_hole_or_overlap(name: str, moment_ns: int, every_s: int) -> None:
    """Any instant lies in its slot, every instant of that slot finds it, and the next begins at its end."""
    where = zone(name)
    slot = slot_at(moment_ns, every_s=every_s, where=where)
    assert slot.start_ns <= moment_ns < slot.end_ns
    assert slot == slot_at(slot.start_ns, every_s=every_s, where=where)
    assert slot == slot_at(slot.end_ns - 1, every_s=every_s, where=where)
    assert slot.end_ns == slot_at(slot.end_ns, every_s=every_s, where=where).start_ns


def test_weekly_slots_begin_on_mondays() -> None:
    """A week of the plan is a week of the calendar (ISO 8601 weeks begin on Monday), 167 hours in March."""
    slot = slot_at(unix_ns(2026, 3, 26, 12), every_s=7 * 86_400, where=LISBON)
    assert "2026-03-23T00:00:00+00:00" == local(slot.start_ns, LISBON).isoformat()
    assert 167 * HOUR_NS == slot.end_ns - slot.start_ns


def offsets(count: int, *, seed: int) -> list[float]:
    """Start offsets of successive hourly runs, as shares of the room that each slot leaves."""
    plan = run_plan(every_s=3600)
    from_ns = unix_ns(2026, 1, 1)
    found = walked(plan, from_ns=from_ns, to_ns=from_ns + count * HOUR_NS, seed=seed)
    return [(due.start_ns - due.slot.start_ns) / (due.latest_ns - due.slot.start_ns) for due in found]


def test_start_offsets_are_uniform() -> None:
    """RFC 3432 section 3: the start is drawn from [T, T+dT]; a Kolmogorov-Smirnov test agrees (scipy)."""
    found = offsets(5000, seed=20260329)
    assert len(found) == len(set(found)) == 5000
    assert stats.kstest(found, "uniform").pvalue > 0.01


def test_start_offsets_are_independent() -> None:
    """RFC 3432 section 3: drawn anew each time; neighbours show no rank correlation (scipy)."""
    found = offsets(5000, seed=20261025)
    assert stats.spearmanr(found[:-1], found[1:]).pvalue > 0.01


def test_a_probe_that_starts_late_in_a_slot_stays_uniform_over_it() -> None:
    """A draw in the part that has passed leaves the slot out instead of crowding its end."""
    plan = run_plan(every_s=3600)
    slot_ns = unix_ns(2026, 6, 1, 12)
    after_ns = slot_ns + HOUR_NS // 2
    found = [due_of(plan, after_ns, random=Random(seed)) for seed in range(2000)]
    kept = [due.start_ns for due in found if due.slot.start_ns == slot_ns]
    passed_ratio = HOUR_NS / 2 / (HOUR_NS - run_ns(plan))
    assert stats.binomtest(2000 - len(kept), 2000, passed_ratio).pvalue > 0.01
    shares = [(start_ns - after_ns) / (HOUR_NS / 2 - run_ns(plan)) for start_ns in kept]
    assert stats.kstest(shares, "uniform").pvalue > 0.01


def test_a_slot_shorter_than_its_run_starts_it_at_once() -> None:
    """There is no room to draw from, so the start is the slot's own."""
    due = due_of(run_plan(every_s=10), unix_ns(2026, 6, 1), random=Random(1))
    assert due.slot.start_ns == due.start_ns == due.latest_ns


@pytest.mark.parametrize(("every_s", "runs"), [(3600, 720), (900, 2880), (4 * 3600, 180), (7 * 86_400, 4)])
def test_runs_in_a_month(every_s: int, runs: int) -> None:
    """30 days of 24 hours divided by the slot."""
    assert runs == runs_in(30, every_s=every_s)


# The busy hours


@pytest.mark.parametrize(
    ("every_s", "first", "days", "runs"),
    [  # 2028 is a leap year (Gregorian calendar); its clock changes are on 26 March and 29 October
        (6 * 3600, date(2028, 2, 27), 366, 4 * 366),
        (4 * 3600, date(2028, 3, 20), 14, 6 * 14),
        (3600, date(2028, 2, 28), 2, 48),  # the 28th and the leap day
        (3600, date(2028, 3, 26), 1, 23),
        (3600, date(2028, 10, 29), 1, 25),
        (86_400 // 2, date(2028, 10, 20), 20, 40),
    ],
)
def test_every_local_day_has_exactly_one_run_kept_for_its_busy_hours(
    every_s: int, first: date, days: int, runs: int
) -> None:
    """18:00 to 23:00 by the local clock, on days of 23, 24 and 25 hours; no run more than without."""
    plan, each_day = run_plan(every_s=every_s), local_days(first=first, days=days)
    found = walked(plan, from_ns=each_day[0][1], to_ns=each_day[-1][2], seed=7, busy=Busy(times=EVENINGS))
    assert runs == len(found) == len({due.slot for due in found})
    for day, start_ns, end_ns in each_day:
        (kept,) = (due for due in found if due.busy and start_ns <= due.start_ns < end_ns)
        begin, end = (local(ns, LISBON) for ns in (kept.start_ns, kept.start_ns + run_ns(plan)))
        assert (day, day) == (begin.date(), end.date())
        assert 18 <= begin.hour < 23
        assert (end.hour, end.minute, end.second) <= (23, 0, 0)


def test_the_run_kept_for_the_busy_hours_is_uniform_and_independent_in_them() -> None:
    """RFC 3432 section 3 with the busy hours of a slot of six for [T, T+dT]; scipy agrees."""
    plan, random, busy = run_plan(every_s=6 * 3600), Random(11), Busy(times=EVENINGS)
    slot_ns = unix_ns(2026, 1, 5, 18)  # a winter's evening; Lisbon is at UTC then
    starts = [due_of(plan, slot_ns, random=random, busy=busy).start_ns for _ in range(4000)]
    shares = [(start_ns - slot_ns) / (5 * HOUR_NS - run_ns(plan)) for start_ns in starts]
    assert stats.kstest(shares, "uniform").pvalue > 0.01
    assert stats.spearmanr(shares[:-1], shares[1:]).pvalue > 0.01


def test_the_busy_run_keeps_out_of_what_is_closed() -> None:
    """A show from 19:00 to 21:00 every day: the run is before or after it, each as likely as it has room."""
    show = Times(weekdays=EVERY_DAY, dates=frozenset(), from_minute=19 * 60, to_minute=21 * 60)
    busy = Busy(
        times=EVENINGS,
        closed=lambda from_ns, to_ns: stretches(show, from_ns=from_ns, to_ns=to_ns, where=LISBON),
    )
    plan, random = run_plan(every_s=6 * 3600), Random(3)
    slot_ns = unix_ns(2026, 1, 5, 18)
    hours = [
        (due_of(plan, slot_ns, random=random, busy=busy).start_ns - slot_ns) / HOUR_NS for _ in range(3000)
    ]
    assert all(hour + 14 / 3600 <= 1 or 3 <= hour <= 5 - 14 / 3600 for hour in hours)
    assert stats.binomtest(sum(hour < 1 for hour in hours), 3000, 1 / 3).pvalue > 0.01


def test_where_all_busy_hours_are_closed_the_plan_goes_on() -> None:
    """There is nothing to keep, and no day without its four slots."""
    busy = Busy(times=EVENINGS, closed=lambda from_ns, to_ns: [(from_ns, to_ns)])
    found = walked(
        run_plan(every_s=6 * 3600), from_ns=unix_ns(2026, 1, 5), to_ns=unix_ns(2026, 1, 8), seed=5, busy=busy
    )
    assert [False] * 12 == [due.busy for due in found]


@pytest.mark.parametrize(("every_s", "kept"), [(600, True), (3600, True), (86_400, False), (604_800, False)])
def test_which_plans_are_sure_of_the_busy_hours(every_s: int, kept: bool) -> None:
    """Less than one run a day cannot be there every day; what runs each ten minutes is there anyway."""
    assert kept == in_busy_hours(run_plan(every_s=every_s))


# Plans with hours of their own


@pytest.mark.parametrize(
    ("minutes", "every_s", "day", "starts"),
    [  # hours that cross the change of 29 March 2026 at 01:00 UTC are an hour shorter
        ((18 * 60, 23 * 60), 75 * 60, date(2026, 6, 3), 4),
        ((18 * 60, 23 * 60), 1800, date(2026, 6, 3), 10),
        ((23 * 60, 18 * 60), 285 * 60, date(2026, 6, 3), 4),
        ((22 * 60, 4 * 60), 3600, date(2026, 3, 27), 6),
        ((22 * 60, 4 * 60), 3600, date(2026, 3, 28), 5),
        ((22 * 60, 4 * 60), 3600, date(2026, 10, 24), 7),
    ],
)
def test_slots_of_hours(minutes: tuple[int, int], every_s: int, day: date, starts: int) -> None:
    """Counted from the begin of the hours; each has one run, within the hours, and none is outside."""
    times = Times(
        weekdays=frozenset({day.weekday()}), dates=frozenset(), from_minute=minutes[0], to_minute=minutes[1]
    )
    plan = replace(run_plan(every_s=every_s), times=times)
    from_ns, to_ns = (midnight_ns(day + timedelta(days=number), where=LISBON) for number in (0, 2))
    found = walked(plan, from_ns=from_ns, to_ns=to_ns, seed=2)
    ((begin_ns, end_ns),) = stretches(times, from_ns=from_ns, to_ns=to_ns, where=LISBON)
    assert starts == len(found) == len({due.slot for due in found})
    assert (begin_ns, end_ns) == (found[0].slot.start_ns, found[-1].slot.end_ns)
    assert all(begin_ns <= due.start_ns <= end_ns - run_ns(plan) for due in found)


def test_a_plan_with_dates_ends_with_them() -> None:
    """After its last date there is nothing due."""
    times = replace(EVENINGS, weekdays=frozenset(), dates=frozenset({date(2026, 6, 3)}))
    plan = replace(run_plan(every_s=3600), times=times)
    last = due_of(plan, unix_ns(2026, 6, 3, 21), random=Random(1))
    assert unix_ns(2026, 6, 3, 22) == last.slot.end_ns  # 23:00 by Lisbon's summer time
    assert next_due(plan, last.slot.end_ns, where=LISBON, random=Random(1)) is None


@pytest.mark.parametrize(
    ("every_s", "times", "runs"),
    [
        (3600, None, 24),
        (7 * 86_400, None, 1 / 7),
        (1800, EVENINGS, 10),
        (1800, replace(EVENINGS, weekdays=frozenset({0, 1})), 20 / 7),
    ],
)
def test_runs_a_day(every_s: int, times: Times | None, runs: float) -> None:
    """Slots in a day, or in the hours, over a week."""
    assert runs == pytest.approx(runs_a_day(replace(run_plan(every_s=every_s), times=times)))
