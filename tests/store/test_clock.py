"""Times as people and programs read them, against RFC 3339's own examples and the standard library."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.clock import Clock, day_and_minute, local, rfc3339, unix_ns_of, zone

# RFC 3339 section 5.8, the first two examples in UTC (from memory); Unix seconds from coreutils' `date`
RFC_3339 = [
    (482_196_050_520_000_000, "1985-04-12T23:20:50.520Z"),
    (851_042_397_000_000_000, "1996-12-20T00:39:57.000Z"),
]


@pytest.mark.parametrize(("unix_ns", "text"), RFC_3339)
def test_writes_the_examples_of_rfc_3339(unix_ns: int, text: str) -> None:
    assert rfc3339(unix_ns) == text


@given(st.integers(0, 2**62))
def test_is_read_back_by_the_standard_library(unix_ns: int) -> None:
    """To the millisecond below, whatever the nanoseconds."""
    found = datetime.fromisoformat(rfc3339(unix_ns))
    assert (found - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1) == unix_ns // 1_000_000


@given(
    st.integers(1_200_000_000, 2_000_000_000),
    st.sampled_from(("UTC", "Europe/Lisbon", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC+05:37")),
)
def test_day_and_minute_are_those_of_the_local_time(unix_s: int, name: str) -> None:
    where = zone(name)
    for unix_ns in (unix_s * 10**9, unix_s // 900 * 900 * 10**9 - 1):
        at = local(unix_ns, where)
        assert day_and_minute(unix_ns, where) == (at.date(), at.hour * 60 + at.minute)


# Offsets: ISO 8601. Lisbon's winter and summer time 2026 by the IANA time zone database
@pytest.mark.parametrize(
    ("name", "month", "offset_minutes"),
    [
        ("UTC", 1, 0),
        ("UTC+01:00", 1, 60),
        ("UTC-3", 1, -180),
        ("UTC+5:45", 1, 345),
        ("UTC-00:30", 1, -30),
        ("Europe/Lisbon", 1, 0),
        ("Europe/Lisbon", 7, 60),
    ],
)
def test_zones(name: str, month: int, offset_minutes: int) -> None:
    moment = datetime(2026, month, 15, 12, tzinfo=UTC)
    found = local(int(moment.timestamp()) * 10**9 + 1_500, zone(name))
    assert found.utcoffset() == timedelta(minutes=offset_minutes)
    assert found == moment + timedelta(microseconds=1)


@pytest.mark.parametrize(
    "name",
    ["", "Mars", "Europe", "../../etc/passwd", "UTC+15", "UTC+1:99", "UTC+1:", "UTC+x", "utc+1", "UTC 1"],
)
def test_refuses_what_is_no_zone(name: str) -> None:
    with pytest.raises(ValueError, match=r"no time zone|not an offset"):
        zone(name)


@pytest.mark.parametrize(
    ("text", "rfc"),
    [
        ("2026-07-15T12:00:00.250001+02:00", "2026-07-15T10:00:00.250Z"),
        ("2026-07-15T12:00", "2026-07-15T11:00:00.000Z"),  # Lisbon keeps UTC+1 in summer
        ("2026-01-15", "2026-01-15T00:00:00.000Z"),
    ],
)
def test_a_moment_is_local_unless_it_says_otherwise(text: str, rfc: str) -> None:
    assert rfc3339(unix_ns_of(datetime.fromisoformat(text), zone("Europe/Lisbon"))) == rfc


@given(st.integers(0, 2**60))
def test_a_moment_goes_there_and_back(unix_us: int) -> None:
    unix_ns = unix_us // 1000 * 1000
    assert unix_ns_of(local(unix_ns, UTC), UTC) == unix_ns


def test_the_clock_is_this_hosts() -> None:
    """Both readings move forward and the label agrees with the standard library."""
    clock = Clock()
    before = datetime.now(UTC).timestamp()
    first, label = clock.monotonic_ns(), clock.unix_ns()
    assert before - 1 <= label / 1e9 <= datetime.now(UTC).timestamp() + 1
    assert clock.monotonic_ns() >= first


def test_boot_time_is_the_kernels_uptime() -> None:
    """proc(5): the first figure of /proc/uptime is the time since boot, sleep included, in 1/100 s."""
    uptime_s = float(Path("/proc/uptime").read_text().split()[0])
    assert Clock().boot_ns() / 1e9 == pytest.approx(uptime_s, abs=1)


def test_a_look_is_of_one_moment() -> None:
    """All clocks lie within the width that it states, by the clocks as they are read one by one around it."""
    clock = Clock()
    before = (clock.boot_ns(), clock.monotonic_ns(), clock.unix_ns(), clock.raw_ns())
    found = clock.look()
    after = (clock.boot_ns(), clock.monotonic_ns(), clock.unix_ns(), clock.raw_ns())
    read = (found.boot_ns, found.monotonic_ns, found.unix_ns, found.raw_ns)
    assert all(low <= one <= high for low, one, high in zip(before, read, after, strict=True))
    assert 0 <= found.width_ns <= after[0] - before[0]


def test_a_look_that_was_interrupted_is_taken_again() -> None:
    """Of the attempts, the tightest counts: here the third, after two with a pause of 5 and 3 ms."""
    passed, pauses = [0], iter([5_000_000, 3_000_000, 0])

    def tick() -> int:
        passed[0] += 500
        return passed[0]

    def interrupted() -> int:
        passed[0] += next(pauses)
        return 10**18 + tick()

    found = Clock(monotonic_ns=tick, boot_ns=tick, raw_ns=tick, unix_ns=interrupted).look()
    assert found.width_ns == 4 * 500
    assert found.unix_ns - 10**18 == pytest.approx(found.boot_ns, abs=1000)
