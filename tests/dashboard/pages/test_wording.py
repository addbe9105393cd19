"""How figures and times are written. Units: SI prefixes (10^6); times: RFC 3339 with offset."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.pages import wording
from store.clock import NS_PER_S


@pytest.mark.parametrize(
    ("rate_bps", "text"),
    [
        (0, "0.00"),
        (4_850_000, "4.85"),
        (9_996_000, "10.0"),
        (16_940_000, "16.9"),
        (572_332_015, "572.3"),
        (999_960_000, "1000"),
        (1_331_900_000, "1332"),
        (None, "–"),
    ],
)
def test_mbps(rate_bps: int | None, text: str) -> None:
    assert wording.mbps(rate_bps) == text


@pytest.mark.parametrize(
    ("rate_bps", "text"), [(15_000_000, "15"), (1_400_000_000, "1400"), (2_728_000, "2.728")]
)
def test_stated_rates_keep_what_was_written(rate_bps: int, text: str) -> None:
    assert wording.stated_mbps(rate_bps) == text


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    """In what is read; not in what a form sends or somebody copies, nor in a tag, nor before another word."""
    page = (
        '<p title="5 s">94.6 % of 1\u202f000 Mb/s in 20 ms, 3 d 4 h, 5 sides</p>'
        '<option>5 min</option><code>--at-most "150 Mb/s"</code><input value="150 Mb/s"><b>2 kB</b>'
    )
    assert wording.kept_together(page) == (
        '<p title="5 s">94.6\u00a0% of 1\u202f000\u00a0Mb/s in 20\u00a0ms, 3\u00a0d 4\u00a0h, 5 sides</p>'
        '<option>5 min</option><code>--at-most "150 Mb/s"</code><input value="150 Mb/s"><b>2\u00a0kB</b>'
    )


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (0, "0 %"),
        (1, "100 %"),
        (1.003, "100.3 %"),
        (0.789, "78.9 %"),
        (0.9937, "99.37 %"),
        (0.99995, "99.9950 %"),
        (1 - 1 / 2_678_400, "over 99.9999 %"),  # all but one second of a month of 31 days
        (0.00063, "0.063 %"),
        (1e-7, "under 0.001 %"),
        (0.0123, "1.23 %"),
        (None, "–"),
    ],
)
def test_percent(ratio: float | None, text: str) -> None:
    assert wording.percent(ratio) == text


@given(st.floats(min_value=1e-12, max_value=1 - 1e-9))
def test_a_small_share_is_never_written_as_none(ratio: float) -> None:
    """Loss that happened is not shown as 0 %, and a share that fell short not as 100 %."""
    text = wording.percent(ratio)
    share = float(text.removeprefix("under ").removeprefix("over ").removesuffix(" %"))
    assert 0 < share < 100


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.6, "0.6 s"),
        (12.3, "12 s"),
        (250, "4 min 10 s"),
        (3600, "1 h"),
        (4905, "1 h 21 min"),
        (273_600, "3 d 4 h"),
    ],
)
def test_span(seconds: float, text: str) -> None:
    assert wording.span(seconds) == text


def test_counts_are_grouped() -> None:
    """Groups of three with a thin space, as ISO 80000-1 section 7.3.1 advises (from memory)."""
    assert wording.grouped(4_320_000) == "4\u202f320\u202f000"
    assert wording.counted(1, "run") == "1 run"
    assert wording.counted(1200, "run") == "1\u202f200 runs"


def test_an_hour_that_comes_twice_is_told_apart_by_its_offset() -> None:
    """Lisbon goes from UTC+1 to UTC+0 on 25 October 2026, 01:00 UTC (EU rule: October's last Sunday)."""
    lisbon = ZoneInfo("Europe/Lisbon")
    before_ns = int(datetime(2026, 10, 25, 0, 30, tzinfo=ZoneInfo("UTC")).timestamp()) * NS_PER_S
    first, second = (wording.moment(before_ns + hour * 3600 * NS_PER_S, lisbon) for hour in (0, 1))
    assert first.text == second.text == "Sun 25 Oct 01:30:00"
    assert (first.iso, second.iso) == ("2026-10-25T01:30:00+01:00", "2026-10-25T01:30:00+00:00")
    assert wording.offset(before_ns, lisbon) == "UTC+01:00"
