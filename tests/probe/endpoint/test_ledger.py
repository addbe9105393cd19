"""The ledger: months of UTC, whole files, and never a silent zero for a damaged one."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.endpoint import ledger
from probe.endpoint.ledger import Ledger, month_after, month_of
from store.errors import UserMistake


def unix_ns(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * 10**9


@pytest.mark.parametrize(
    ("instant", "month"),
    [  # ISO 8601 as the standard library reads it; a local month may have begun, the UTC one has not
        ("2026-11-30T23:59:59+00:00", "2026-11"),
        ("2026-12-01T00:00:00+00:00", "2026-12"),
        ("2026-12-01T00:30:00+01:00", "2026-11"),
        ("2028-02-29T12:00:00+00:00", "2028-02"),
    ],
)
def test_month_of(instant: str, month: str) -> None:
    assert month_of(unix_ns(instant)) == month


@given(st.dates(min_value=date(1971, 1, 1), max_value=date(2100, 1, 1)))
def test_month_after(day: date) -> None:
    """The month after is the one that the calendar has 31 days after this one's first."""
    first = day.replace(day=1)
    assert month_after(f"{first:%Y-%m}") == f"{first + timedelta(days=31):%Y-%m}"


def test_booking_adds_up() -> None:
    found = Ledger()
    for moved_bytes in (5, 7):
        found.book("probe", moved_bytes, month="2026-11")
    assert found.used("probe", month="2026-11") == 12
    assert found.used("probe", month="2026-12") == 0
    assert found.used("other", month="2026-11") == 0


@given(
    st.dictionaries(
        st.sampled_from(["2026-11", "2026-12"]), st.dictionaries(st.text(max_size=5), st.integers(0, 10**15))
    )
)
def test_round_trip(months: dict[str, dict[str, int]]) -> None:
    text = Ledger(months).dumps()
    assert Ledger.loads(text).dumps() == text


@given(st.text() | st.from_regex(r'\{"format": 1, "months": .{0,20}\}'))
def test_any_text(text: str) -> None:
    """Any text is a ledger or refused as one."""
    try:
        Ledger.loads(text)
    except ValueError:
        return
    assert "months" in text


def test_files(tmp_path: Path) -> None:
    """What is saved is loaded; before the first run it is empty."""
    assert ledger.load(tmp_path).used("probe", month="2026-11") == 0
    found = Ledger()
    found.book("probe", 5, month="2026-11")
    ledger.save(tmp_path, found.dumps())
    assert ledger.load(tmp_path).used("probe", month="2026-11") == 5
    assert (tmp_path / "ledger.json").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        '{"format": 2, "months": {}}',
        '{"format": 1, "months": {"2026-11": {"probe": -1}}}',
        '{"format": 1, "months": {"2026-11": {"probe": 1.5}}}',
        '{"format": 1, "months": {"2026-11": 5}}',
    ],
)
def test_damaged(tmp_path: Path, text: str) -> None:
    """A ledger that cannot be read stops the endpoint with a sentence; it never counts from zero unasked."""
    (tmp_path / "ledger.json").write_text(text)
    with pytest.raises(UserMistake, match=r"ledger\.json: it is damaged"):
        ledger.load(tmp_path)
