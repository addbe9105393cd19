"""Windows as instants: hours that cross midnight, days of clock changes, and what forbids a run.

Clock changes of 2026 in Europe: 29 March and 25 October at 01:00 UTC (Directive 2000/84/EC).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.windows import Opening, blocking, next_change, open_within
from store.clock import NS_PER_S, local, zone
from store.site import Site, StreamPlan, Times, WindowKind
from tests.probe.sites import handoff, site, window

SHOW, QUIET, MAINTENANCE = WindowKind.SHOW, WindowKind.QUIET, WindowKind.MAINTENANCE
MINUTE_NS = 60 * NS_PER_S
WEDNESDAY = frozenset({2})


def utc_ns(text: str) -> int:
    """A moment such as ``2026-06-03 19:00``, read in UTC, as Unix nanoseconds."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


def open_at(asked: Site, handoff: str, *, unix_ns: int) -> tuple[Opening, ...]:
    """The windows that are open at an instant."""
    return open_within(asked, handoff, from_ns=unix_ns, to_ns=unix_ns)


@pytest.mark.parametrize(
    ("at", "open_"),
    [  # 3 June 2026 is a Wednesday; Lisbon is an hour ahead of UTC then: 22:00-06:00 is 21:00-05:00 UTC
        ("2026-06-03 20:59", False),
        ("2026-06-03 21:00", True),
        ("2026-06-03 23:30", True),  # Thursday by the local clock, the night of Wednesday
        ("2026-06-04 04:59", True),
        ("2026-06-04 05:00", False),
        ("2026-06-04 21:00", False),  # Thursday night
    ],
)
def test_a_window_across_midnight_belongs_to_the_day_it_opens(at: str, open_: bool) -> None:
    """From 22:00 to 06:00 on Wednesdays ends on Thursday morning."""
    asked = site(windows=(window(QUIET, minutes=(22 * 60, 6 * 60), days=WEDNESDAY),))
    assert open_ == bool(open_at(asked, "A", unix_ns=utc_ns(at)))


@pytest.mark.parametrize(
    ("minutes", "opens", "closes"),
    [
        ((0, 24 * 60), "2026-06-02 23:00", "2026-06-03 23:00"),  # a whole day
        ((0, 0), "2026-06-02 23:00", "2026-06-03 23:00"),  # likewise: it ends at the next 00:00
        ((19 * 60, 21 * 60 + 30), "2026-06-03 18:00", "2026-06-03 20:30"),
    ],
)
def test_the_edges_of_an_opening(minutes: tuple[int, int], opens: str, closes: str) -> None:
    """From the first minute on, up to and not including the last."""
    asked = site(windows=(window(SHOW, minutes=minutes, days=WEDNESDAY),))
    (found,) = open_at(asked, "A", unix_ns=utc_ns(opens))
    assert (utc_ns(opens), utc_ns(closes)) == (found.start_ns, found.end_ns)
    assert () == open_at(asked, "A", unix_ns=utc_ns(closes))
    assert () == open_at(asked, "A", unix_ns=utc_ns(opens) - 1)
    assert () == open_within(asked, "A", from_ns=utc_ns(opens) - MINUTE_NS, to_ns=utc_ns(opens) - 1)
    assert (found,) == open_within(asked, "A", from_ns=utc_ns(opens) - 1, to_ns=utc_ns(closes) + MINUTE_NS)


@pytest.mark.parametrize(
    ("day", "minutes", "opens", "closes"),
    [
        # RFC 5545 section 3.3.5, its own two examples: 02:30 on 11 March 2007 in New York does not occur
        # and means 03:30 EDT; 01:30 on 4 November 2007 occurs twice and means the first, EDT
        (date(2007, 3, 11), (150, 240), "2007-03-11 07:30", "2007-03-11 08:00"),
        (date(2007, 11, 4), (90, 180), "2007-11-04 05:30", "2007-11-04 08:00"),
        # our own addition: an end that comes twice is the second, 01:30 EST
        (date(2007, 11, 4), (60, 90), "2007-11-04 05:00", "2007-11-04 06:30"),
        # a night's hours across each change: 22:00 to 06:00 lasts 7 and 9 hours
        (date(2007, 3, 10), (1320, 360), "2007-03-11 03:00", "2007-03-11 10:00"),
        (date(2007, 11, 3), (1320, 360), "2007-11-04 02:00", "2007-11-04 11:00"),
    ],
)
def test_windows_on_days_of_clock_changes(
    day: date, minutes: tuple[int, int], opens: str, closes: str
) -> None:
    """Skipped times count with the offset before the change, repeated ones as their widest reading."""
    times = Times(weekdays=frozenset(), dates=frozenset({day}), from_minute=minutes[0], to_minute=minutes[1])
    asked = site(timezone="America/New_York", windows=(window(MAINTENANCE, minutes=minutes, times=times),))
    assert utc_ns(opens) == next_change(asked, "A", after_ns=utc_ns(opens) - 1)
    assert utc_ns(closes) == next_change(asked, "A", after_ns=utc_ns(opens))
    assert next_change(asked, "A", after_ns=utc_ns(closes)) is None


def test_a_window_that_the_change_skips_does_not_open() -> None:
    """02:00 to 03:00 on 11 March 2007 in New York has no minute: both ends are 03:00 EDT."""
    times = Times(weekdays=frozenset(), dates=frozenset({date(2007, 3, 11)}), from_minute=120, to_minute=180)
    asked = site(timezone="America/New_York", windows=(window(QUIET, minutes=(120, 180), times=times),))
    whole_day = {"from_ns": utc_ns("2007-03-11 00:00"), "to_ns": utc_ns("2007-03-12 12:00")}
    assert blocking(asked, "A", **whole_day) is None


@pytest.mark.parametrize(
    ("kind", "blocks"), [(SHOW, True), (QUIET, True), (MAINTENANCE, False)], ids=["show", "quiet", "works"]
)
def test_shows_and_quiet_hours_forbid_runs(kind: WindowKind, blocks: bool) -> None:
    """Common practice, no source: provider's works forbid nothing, they are read beside the record."""
    asked = site(windows=(window(kind, minutes=(19 * 60, 21 * 60)),))
    noon_to_midnight = {"from_ns": utc_ns("2026-06-03 11:00"), "to_ns": utc_ns("2026-06-03 22:00")}
    assert blocks == (blocking(asked, "A", **noon_to_midnight) is not None)


@pytest.mark.parametrize(
    ("from_", "to", "blocks"),
    [
        ("17:50", "18:00", False),  # ends as the window opens
        ("17:50", "18:01", True),  # would run into it
        ("19:59", "20:01", True),
        ("20:00", "20:01", False),  # starts as it closes
        ("17:00", "21:00", True),  # around it
    ],
)
def test_a_run_may_not_touch_a_window(from_: str, to: str, blocks: bool) -> None:
    """19:00 to 21:00 in Lisbon's summer is 18:00 to 20:00 UTC, the end not included."""
    asked = site(windows=(window(SHOW, minutes=(19 * 60, 21 * 60)),))
    found = blocking(asked, "A", from_ns=utc_ns(f"2026-06-03 {from_}"), to_ns=utc_ns(f"2026-06-03 {to}"))
    assert blocks == (found is not None)


def test_a_window_concerns_its_handoffs_only() -> None:
    """A window that names no handoff concerns all of them."""
    named = window(QUIET, minutes=(0, 0), handoffs=("B",))
    moment_ns = utc_ns("2026-06-03 12:00")
    two = site(handoffs=(handoff("A"), handoff("B")), windows=(named,))
    assert [0, 1] == [len(open_at(two, name, unix_ns=moment_ns)) for name in "AB"]
    everywhere = site(handoffs=(handoff("A"), handoff("B")), windows=(window(QUIET, minutes=(0, 0)),))
    assert [1, 1] == [len(open_at(everywhere, name, unix_ns=moment_ns)) for name in "AB"]


def test_a_stream_plans_hours_are_a_show_window() -> None:
    """No run starts into a show, though no window was written for it."""
    times = Times(weekdays=WEDNESDAY, dates=frozenset(), from_minute=19 * 60, to_minute=21 * 60)
    plan = StreamPlan(name="evening", title="Evening class", handoff="A", times=times, destinations=())
    found = blocking(
        site(plans=(plan,)), "A", from_ns=utc_ns("2026-06-03 18:30"), to_ns=utc_ns("2026-06-03 18:31")
    )
    assert found is not None
    assert ("evening", SHOW) == (found.window.name, found.window.kind)


def test_without_windows_nothing_changes() -> None:
    """The search ends."""
    assert next_change(site(), "A", after_ns=utc_ns("2026-06-03 12:00")) is None


times = st.builds(
    Times,
    weekdays=st.frozensets(st.integers(0, 6), min_size=1),
    dates=st.just(frozenset()),
    from_minute=st.integers(0, 1439),
    to_minute=st.integers(0, 1440),
)


@given(st.lists(times, min_size=1, max_size=3), st.integers(utc_ns("2026-01-01"), utc_ns("2026-12-31")))
def test_next_change_is_where_the_answer_changes(found: list[Times], moment_ns: int) -> None:
    """Nothing opens or closes before the change, and something does at it."""
    asked = site(windows=tuple(window(QUIET, minutes=(0, 0), times=one, name=str(one)) for one in found))
    change_ns = next_change(asked, "A", after_ns=moment_ns)
    assert change_ns is not None
    now = open_at(asked, "A", unix_ns=moment_ns)
    assert {now} == {
        open_at(asked, "A", unix_ns=at_ns)
        for at_ns in range(moment_ns, change_ns, max(MINUTE_NS, (change_ns - moment_ns) // 20))
    }
    assert now == open_at(asked, "A", unix_ns=change_ns - 1)
    assert now != open_at(asked, "A", unix_ns=change_ns)


@given(times, st.integers(utc_ns("2026-04-01"), utc_ns("2026-10-20")))
def test_away_from_clock_changes_a_window_is_what_the_local_clock_reads(one: Times, moment_ns: int) -> None:
    """An independent reading: minute of the day and weekday, of today or of the night since yesterday."""
    where = zone("Europe/Lisbon")
    now = local(moment_ns, where)
    minute = now.hour * 60 + now.minute
    days = [(now.date(), minute), (now.date() - timedelta(days=1), minute + 1440)]
    until = one.to_minute if one.to_minute > one.from_minute else one.to_minute + 1440
    expected = any(day.weekday() in one.weekdays and one.from_minute <= m < until for day, m in days)
    asked = site(windows=(window(QUIET, minutes=(0, 0), times=one),))
    assert expected == bool(open_at(asked, "A", unix_ns=moment_ns))


def test_the_changes_of_a_week_come_in_order() -> None:
    """An evening on two days: opens and closes, twice, then a week later again."""
    asked = site(windows=(window(SHOW, minutes=(19 * 60, 21 * 60), days=frozenset({0, 2})),))
    moment_ns = utc_ns("2026-06-01 00:00")  # a Monday
    found = []
    for _ in range(5):
        moment_ns = next_change(asked, "A", after_ns=moment_ns) or 0
        found.append(moment_ns)
    hours = [(later - earlier) // (60 * MINUTE_NS) for earlier, later in pairwise(found)]
    assert [2, 46, 2, 118] == hours
