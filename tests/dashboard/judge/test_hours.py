"""Comparable hours and next shows: classes of days, midnight, and both changes of the clock."""

from __future__ import annotations

from datetime import date

import pytest

from dashboard.judge import hours
from store.clock import NS_PER_S
from store.site import Times
from tests.dashboard.judge.made import EVENINGS, ZONE, at

LATE = Times(weekdays=frozenset({4}), dates=frozenset(), from_minute=23 * 60, to_minute=60)  # Fri 23:00-01:00
SMALL_HOURS = Times(weekdays=frozenset({0}), dates=frozenset(), from_minute=30, to_minute=120)  # Mon 00:30
OPENING = Times(weekdays=frozenset(), dates=frozenset({date(2026, 3, 28)}), from_minute=900, to_minute=1080)

AROUND_THE_CLOCK = Times(weekdays=frozenset({0}), dates=frozenset(), from_minute=540, to_minute=540)


@pytest.mark.parametrize(
    ("times", "moment", "inside"),
    [
        (EVENINGS, "2026-03-09 18:00", True),  # a Monday, one hour before
        (EVENINGS, "2026-03-09 17:59", False),
        (EVENINGS, "2026-03-13 20:59", True),  # a Friday is of the class, though the plan has none
        (EVENINGS, "2026-03-09 21:00", False),  # the end is out
        (EVENINGS, "2026-03-14 19:30", False),  # a Saturday
        (LATE, "2026-03-14 00:30", True),  # Saturday's first hour belongs to Friday's show
        (LATE, "2026-03-16 00:30", False),  # Monday's to Sunday's
        (LATE, "2026-03-09 22:00", True),
        (LATE, "2026-03-14 01:00", False),
        (SMALL_HOURS, "2026-03-08 23:30", True),  # Sunday's last half hour belongs to Monday's show
        (SMALL_HOURS, "2026-03-13 23:30", False),  # Friday's to Saturday's
        (OPENING, "2026-03-22 14:00", True),  # dates make a class too
        (OPENING, "2026-03-23 14:00", False),
        (EVENINGS, "2026-07-06 18:00", True),  # summer: the wall clock decides, one hour earlier in UTC
        (EVENINGS, "2026-07-06 17:59", False),
    ],
)
def test_comparable(times: Times, moment: str, inside: bool) -> None:
    """From one hour before to the end, on days of the show's class."""
    assert hours.comparable(times, ZONE)(at(moment)) is inside


def test_an_hour_that_comes_twice_counts_twice() -> None:
    """In Lisbon 2026-10-25 02:00 summer time becomes 01:00: 01:30 is there at 00:30 and at 01:30 UTC."""
    night = Times(weekdays=frozenset({6}), dates=frozenset(), from_minute=120, to_minute=180)
    alike = hours.comparable(night, ZONE)
    first = at("2026-10-25 00:30") + 3600 * NS_PER_S
    assert alike(first)
    assert alike(first + 3600 * NS_PER_S)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (EVENINGS, "Mon-Fri 18:00-21:00"),
        (OPENING, "Sat-Sun 14:00-18:00"),
        (LATE, "Mon-Fri 22:00-01:00"),
        (SMALL_HOURS, "Mon-Fri 23:30-02:00"),
        (
            Times(weekdays=frozenset({4, 5}), dates=frozenset(), from_minute=600, to_minute=660),
            "all days 09:00-11:00",
        ),
    ],
)
def test_words(times: Times, words: str) -> None:
    """As a reader sees them."""
    assert hours.describe(times) == words


@pytest.mark.parametrize(
    ("times", "now", "start", "end"),
    [
        (EVENINGS, "2026-03-09 12:00", "2026-03-09 19:00", "2026-03-09 21:00"),
        (EVENINGS, "2026-03-09 20:00", "2026-03-09 19:00", "2026-03-09 21:00"),  # on air
        (EVENINGS, "2026-03-09 21:00", "2026-03-10 19:00", "2026-03-10 21:00"),
        (LATE, "2026-03-14 00:30", "2026-03-13 23:00", "2026-03-14 01:00"),  # began yesterday
        (OPENING, "2026-03-27 15:00", "2026-03-28 15:00", "2026-03-28 18:00"),
        # the night of 28 March is an hour short: 24 h from 19:30 reach 20:30
        (
            Times(weekdays=frozenset({6}), dates=frozenset(), from_minute=1215, to_minute=1275),
            "2026-03-28 19:30",
            "2026-03-29 20:15",
            "2026-03-29 21:15",
        ),
    ],
)
def test_next_show(times: Times, now: str, start: str, end: str) -> None:
    """The one on air, or the first to start within a day."""
    show = hours.next_show(times, ZONE, now_unix_ns=at(now), within_s=86_400)
    assert show == hours.Show(start_unix_ns=at(start), end_unix_ns=at(end))


def test_no_show_within_reach() -> None:
    """A class on Monday is not Friday's."""
    assert hours.next_show(EVENINGS, ZONE, now_unix_ns=at("2026-03-13 12:00"), within_s=86_400) is None


@pytest.mark.parametrize("times", [EVENINGS, LATE, SMALL_HOURS, OPENING, AROUND_THE_CLOCK])
def test_hours_as_instants_are_the_comparable_ones(times: Times) -> None:
    """Four weeks with a clock change, by quarters of an hour: in one span exactly when comparable."""
    alike = hours.comparable(times, ZONE)
    since, until = at("2026-03-09 12:00"), at("2026-04-06 12:00")
    spans = list(hours.comparable_hours(times, ZONE, since_unix_ns=since, until_unix_ns=until))
    for unix_ns in range(since, until, 900 * NS_PER_S):
        within = [span for span in spans if span.start_unix_ns <= unix_ns < span.end_unix_ns]
        assert len(within) == alike(unix_ns)
