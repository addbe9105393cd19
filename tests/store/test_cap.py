"""The provider's cap: its months by the calendar, what is used, and the forecast against known weeks."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import cap
from store.clock import local, unix_ns_of, zone
from store.site import Cap, CapCounts
from store.traffic import Traffic
from tests.store import samples

S = 10**9
HOUR = 3600 * S
LISBON = zone("Europe/Lisbon")
GB = 10**9


def at(text: str) -> int:
    return unix_ns_of(datetime.fromisoformat(text), LISBON)


def hours(first: str, count: int, *, up: int = GB, down: int = 9 * GB, own: int = 0) -> list[Traffic]:
    return [
        replace(
            samples.traffic(at(first) + n * HOUR),
            up_bytes=up,
            down_bytes=down,
            own_up_bytes=own,
            own_down_bytes=0,
        )
        for n in range(count)
    ]


@pytest.mark.parametrize(
    ("day", "now", "begins", "ends"),
    [
        (1, "2026-06-17", "2026-06-01", "2026-07-01"),
        (17, "2026-06-17", "2026-06-17", "2026-07-17"),
        (18, "2026-06-17T23:59", "2026-05-18", "2026-06-18"),
        (31, "2026-02-28T01:00", "2026-02-28", "2026-03-31"),  # February has no 31st: its last day
        (30, "2028-02-29T12:00", "2028-02-29", "2028-03-30"),  # a leap year
        (31, "2026-01-05", "2025-12-31", "2026-01-31"),
    ],
)
def test_a_month_begins_at_local_midnight_of_its_day(day: int, now: str, begins: str, ends: str) -> None:
    assert cap.period(day, at(now), where=LISBON) == (at(begins), at(ends))


@given(st.integers(1, 31), st.integers(0, 4 * 10**9))
def test_months_follow_one_another(day: int, unix_s: int) -> None:
    """Every instant lies in its month, and the next one begins where that ends, for years on end."""
    begins, ends = cap.period(day, unix_s * S, where=LISBON)
    assert begins <= unix_s * S < ends
    assert cap.period(day, ends, where=LISBON)[0] == ends
    assert cap.period(day, begins - 1, where=LISBON)[1] == begins
    assert local(begins, LISBON).hour == 0
    assert 28 * 24 - 1 <= (ends - begins) / HOUR <= 31 * 24 + 1


class TestUsed:
    NOW = "2026-06-11T00:00"

    @pytest.mark.parametrize(
        ("counts", "used", "own"),
        [(CapCounts.BOTH, 2400, 48), (CapCounts.UP, 240, 48), (CapCounts.DOWN, 2160, 0)],
    )
    def test_the_directions_that_count(self, counts: CapCounts, used: int, own: int) -> None:
        """Ten days of 1 GB up and 9 GB down an hour, 0.2 GB of the former by tests."""
        found = cap.state(
            Cap(limit_bytes=10**13, counts=counts),
            hours("2026-06-01", 240, own=GB // 5),
            now_ns=at(self.NOW),
            where=LISBON,
        )
        assert (found.used_bytes, found.own_bytes) == (used * GB, own * GB)
        assert found.uncounted_s == 0

    def test_what_lies_before_the_month_does_not(self) -> None:
        """A record across its beginning counts by its share of time: the probe was away for ten hours."""
        away = replace(
            samples.traffic(at("2026-05-31T20:00"), seconds=36_000), up_bytes=10 * GB, down_bytes=0
        )
        records = [*hours("2026-05-01", 24), away]
        found = cap.state(Cap(limit_bytes=10**13), records, now_ns=at("2026-06-01T06:00"), where=LISBON)
        assert found.used_bytes == 6 * GB
        assert found.uncounted_s == 0

    def test_time_without_a_record_is_named(self) -> None:
        records = [replace(one, missed="the host started again") for one in hours("2026-06-02", 1)]
        found = cap.state(Cap(limit_bytes=10**13), records, now_ns=at("2026-06-03"), where=LISBON)
        assert (found.uncounted_s, found.missed) == (47 * 3600, ("the host started again",))

    def test_nothing_yet(self) -> None:
        found = cap.state(Cap(limit_bytes=10**12), [], now_ns=at(self.NOW), where=LISBON)
        assert (found.used_bytes, found.forecast_bytes, found.interface) == (0, None, None)
        assert found.room_bytes == 10**12


class TestForecast:
    def test_by_the_hour_of_the_week(self) -> None:
        """Two weeks in which only Saturdays from 15 to 18 o'clock carry a show, 30 GB each hour.

        By hand: from Thursday 18 June to 1 July there are two Saturdays, the 20th and the 27th.
        """
        records = [
            replace(one, up_bytes=30 * GB if _show(one) else 0, down_bytes=0)
            for one in hours("2026-06-04", 14 * 24)
        ]
        found = cap.state(Cap(limit_bytes=10**12), records, now_ns=at("2026-06-18"), where=LISBON)
        assert found.used_bytes == 2 * 3 * 30 * GB
        assert found.forecast_bytes == (2 + 2) * 3 * 30 * GB

    def test_an_hour_never_seen_counts_the_mean(self) -> None:
        """A Monday of 10 GB an hour: all other hours of the month are taken to be the same."""
        found = cap.state(
            Cap(limit_bytes=10**13), hours("2026-06-01", 24), now_ns=at("2026-06-02"), where=LISBON
        )
        assert found.forecast_bytes == 30 * 24 * 10 * GB

    def test_less_than_a_day_foretells_nothing(self) -> None:
        found = cap.state(
            Cap(limit_bytes=400 * GB), hours("2026-06-01", 23), now_ns=at("2026-06-01T23:00"), where=LISBON
        )
        assert (found.used_bytes, found.forecast_bytes, found.room_bytes) == (230 * GB, None, 170 * GB)

    def test_an_hour_that_comes_twice_or_never_counts_so(self) -> None:
        """The last Sunday of October has 25 hours, that of March 23 (Lisbon); 10 GB an hour."""
        october = cap.state(
            Cap(limit_bytes=10**13, resets_day=26),
            hours("2026-10-20", 5 * 24),
            now_ns=at("2026-10-25"),
            where=LISBON,
        )
        march = cap.state(
            Cap(limit_bytes=10**13, resets_day=30),
            hours("2026-03-20", 9 * 24),
            now_ns=at("2026-03-29"),
            where=LISBON,
        )
        assert (october.ahead_bytes, march.ahead_bytes) == (25 * 10 * GB, 23 * 10 * GB)

    def test_older_weeks_fade(self) -> None:
        """A heavy month long ago says nothing of this one."""
        records = [*hours("2026-03-01", 240, up=100 * GB), *hours("2026-06-01", 24)]
        found = cap.state(Cap(limit_bytes=10**13), records, now_ns=at("2026-06-02"), where=LISBON)
        assert found.ahead_bytes == 29 * 24 * 10 * GB

    def test_an_absence_is_no_hour_but_counts_in_the_mean(self) -> None:
        away = replace(samples.traffic(at("2026-06-01"), seconds=48 * 3600), up_bytes=48 * GB, down_bytes=0)
        found = cap.state(Cap(limit_bytes=10**13), [away], now_ns=at("2026-06-03"), where=LISBON)
        assert found.ahead_bytes == 28 * 24 * GB

    def test_what_others_leave(self) -> None:
        """Half of the month at 10 GB an hour, 1 GB of it tests: others will have used 9 GB x 720."""
        records = [replace(one, own_up_bytes=GB) for one in hours("2026-06-01", 360)]
        found = cap.state(Cap(limit_bytes=8000 * GB), records, now_ns=at("2026-06-16"), where=LISBON)
        assert found.room_bytes == (8000 - 9 * 720) * GB
        over = cap.state(Cap(limit_bytes=6000 * GB), records, now_ns=at("2026-06-16"), where=LISBON)
        assert over.room_bytes == 0


def _show(one: Traffic) -> bool:
    begins = local(one.started_unix_ns, LISBON)
    return begins.weekday() == 5 and 15 <= begins.hour < 18


def test_utc_is_a_zone_too() -> None:
    assert cap.period(1, 0, where=UTC) == (0, 31 * 24 * HOUR)
