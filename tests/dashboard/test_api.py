"""Query parameters in."""

from __future__ import annotations

import pytest
from multidict import MultiDict

from dashboard.api import BadQuery, Period, period_of


def test_a_day_when_nothing_is_asked() -> None:
    assert period_of(MultiDict()) is Period.DAY


@pytest.mark.parametrize("word", ["hour", "day", "week", "month"])
def test_each_word_is_a_period(word: str) -> None:
    assert period_of(MultiDict(period=word)).value == word


def test_periods_are_so_long() -> None:
    """An hour, 24 hours, 7 days, 30 days."""
    assert [period.seconds for period in Period] == [3600, 24 * 3600, 7 * 24 * 3600, 30 * 24 * 3600]


@pytest.mark.parametrize("word", ["", "Day", "year", "day "])
def test_other_words_are_refused(word: str) -> None:
    with pytest.raises(BadQuery):
        period_of(MultiDict(period=word))


def test_other_parameters_are_refused_unless_allowed() -> None:
    """A misspelt parameter must not be passed over, or a page shows something else than was asked."""
    query = MultiDict(endpoint="north")
    assert period_of(query, "endpoint") is Period.DAY
    with pytest.raises(BadQuery):
        period_of(query)
