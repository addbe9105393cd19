"""Short papers: times of another season than the sheet's have their own offset."""

from __future__ import annotations

import pytest

from dashboard import text_over_time
from dashboard.judge import trend
from dashboard.over_time import Figure
from dashboard.papers import sheets
from tests.dashboard.judge import made
from tests.dashboard.judge.made import NOON, ZONE, at
from tests.store import samples


def test_a_receipt_says_the_offset_of_its_time() -> None:
    """An upload of July, printed in March when the clocks are an hour back."""
    found = samples.receipt(at("2025-07-01 22:00"))
    facts = {one.name: one.value for one in sheets.receipt(made.site(), found, ZONE, now_ns=NOON).facts}
    assert facts["Began"] == "Tuesday 01 July 2025, 22:00:00, UTC+01:00"
    assert facts["Over"].endswith(", UTC+01:00")


@pytest.mark.parametrize(("days", "said"), [(7, "not known of so few days"), (10, "no"), (60, "no")])
def test_too_few_days_are_no_level_that_stayed(days: int, said: str) -> None:
    """A level lasts five days at least, so a move between two is seen from ten on."""
    values = [(day, 17.0) for day in range(days)]
    figure = Figure(name="Rate up", unit="Mb/s", trend=trend.trend("Rate up", values), changes=())
    assert text_over_time.moved(figure) == said
