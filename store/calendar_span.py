"""Spans of the calendar as contracts have them: ``60 days``, ``4 months``, and days that offices work.

A month is no number of days, so a span keeps months and days apart and is only counted from a date. A day
that the target month does not have becomes its last one (31 January and one month: 28 February). Pure.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from store.quantities import counted, shown

_SPAN = re.compile(r"([1-9][0-9]{0,3})\s*(day|week|month|year)s?")
_WORKING_DAYS = re.compile(r"([1-9][0-9]{0,2})\s*working days?")
_MONTHS = {"month": 1, "year": 12}
_DAYS = {"day": 1, "week": 7}
_SATURDAY = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarSpan:
    """So many months and days; neither is none at all."""

    months: int = 0
    days: int = 0

    def after(self, day: date) -> date:
        """The date that lies this span after `day`."""
        return _moved(day, self.months) + timedelta(days=self.days)

    def before(self, day: date) -> date:
        """The date that lies this span before `day`."""
        return _moved(day, -self.months) - timedelta(days=self.days)

    def said(self) -> str:
        """``4 months``, ``60 days``, ``none``."""
        parts = [counted(self.months, "month")] if self.months else []
        parts += [counted(self.days, "day")] if self.days else []
        return " and ".join(parts) or "none"


def calendar_span(value: Any) -> CalendarSpan:
    """``"4 months"`` as a span. Raises ValueError with what would be right."""
    found = _SPAN.fullmatch(value.strip()) if isinstance(value, str) else None
    if not found:
        raise ValueError(f'{shown(value)} is no span such as "60 days", "12 weeks", "4 months" or "2 years"')
    count, unit = int(found[1]), found[2]
    return CalendarSpan(months=count * _MONTHS.get(unit, 0), days=count * _DAYS.get(unit, 0))


def working_days(value: Any) -> int:
    """``"10 working days"`` as their number. Raises ValueError with what would be right."""
    found = _WORKING_DAYS.fullmatch(value.strip()) if isinstance(value, str) else None
    if not found:
        raise ValueError(f'{shown(value)} is no number of working days, such as "10 working days"')
    return int(found[1])


def works(day: date, holidays: Collection[date] = ()) -> bool:
    """Whether offices work on `day`: Monday to Friday, and no holiday."""
    return day.weekday() < _SATURDAY and day not in holidays


def working_days_after(day: date, count: int, holidays: Collection[date] = ()) -> date:
    """The last of `count` working days that follow `day`, which itself does not count."""
    while count > 0:
        day += timedelta(days=1)
        count -= works(day, holidays)
    return day


def working_days_between(day: date, until: date, holidays: Collection[date] = ()) -> int:
    """How many working days lie after `day`, up to and including `until`; 0 where that is not later."""
    days = (day + timedelta(days=ahead) for ahead in range(1, (until - day).days + 1))
    return sum(works(each, holidays) for each in days)


def _moved(day: date, months: int) -> date:
    at = day.year * 12 + day.month - 1 + months
    year, month = divmod(at, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)
    last = (following - timedelta(days=1)).day
    return date(year, month + 1, min(day.day, last))
