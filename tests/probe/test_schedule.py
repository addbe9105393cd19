"""The schedule: slots of days that are 23, 24 and 25 hours long, and starts that are random in them.

Clock changes of 2026 in Europe: 29 March and 25 October at 01:00 UTC (Directive 2000/84/EC: last Sundays
of March and October), so Lisbon's days have 23 and 25 hours then. Random starts: RFC 3432 section 3.
"""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from probe.schedule import Due, midnight_ns, next_due, run_ns, runs_in, slot_at
from store.clock import NS_PER_S, local, zone
from store.site import RunPlan
from tests.probe.sites import run_plan

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


def walked(plan: RunPlan, *, from_ns: int, to_ns: int, seed: int) -> list[Due]:
    """Every run that a plan makes due in a span, as the daemon walks it: slot after slot."""
    random = Random(seed)
    found = []
    after_ns = from_ns
    while (due := next_due(plan, after_ns, where=LISBON, random=random)).slot.start_ns < to_ns:
        found.append(due)
        after_ns = due.slot.end_ns
    return found


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
    found = [next_due(plan, after_ns, where=LISBON, random=Random(seed)) for seed in range(2000)]
    kept = [due.start_ns for due in found if due.slot.start_ns == slot_ns]
    passed_ratio = HOUR_NS / 2 / (HOUR_NS - run_ns(plan))
    assert stats.binomtest(2000 - len(kept), 2000, passed_ratio).pvalue > 0.01
    shares = [(start_ns - after_ns) / (HOUR_NS / 2 - run_ns(plan)) for start_ns in kept]
    assert stats.kstest(shares, "uniform").pvalue > 0.01


def test_a_slot_shorter_than_its_run_starts_it_at_once() -> None:
    """There is no room to draw from, so the start is the slot's own."""
    due = next_due(run_plan(every_s=10), unix_ns(2026, 6, 1), where=LISBON, random=Random(1))
    assert due.slot.start_ns == due.start_ns == due.latest_ns


@pytest.mark.parametrize(("every_s", "runs"), [(3600, 720), (900, 2880), (4 * 3600, 180), (7 * 86_400, 4)])
def test_runs_in_a_month(every_s: int, runs: int) -> None:
    """30 days of 24 hours divided by the slot."""
    assert runs == runs_in(30, every_s=every_s)
