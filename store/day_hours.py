"""Weekdays and hours of a day as a site file writes them: ``"Mon"``, ``"19:00-21:00"``.

Whatever reads one raises ValueError with what is wrong and what would be right. Imports quantities and
toml_table.
"""

from __future__ import annotations

import re
from typing import Any

from store.quantities import shown
from store.toml_table import one_of, text

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

_HOURS = re.compile(r"([0-9]{1,2}):([0-9]{2})\s*-\s*([0-9]{1,2}):([0-9]{2})")
_DAY_MINUTES = 24 * 60


def weekday(value: Any) -> int:
    """0 for Monday."""
    return one_of({name: nth for nth, name in enumerate(WEEKDAYS)})(value)


def hours(value: Any) -> tuple[int, int]:
    """Minutes of the day; 24:00 is an end, not a start."""
    found = _HOURS.fullmatch(text(value).strip())
    if found:
        from_hour, from_rest, to_hour, to_rest = (int(part) for part in found.groups())
        from_minute, to_minute = from_hour * 60 + from_rest, to_hour * 60 + to_rest
        if from_rest < 60 and to_rest < 60 and from_minute < _DAY_MINUTES and to_minute <= _DAY_MINUTES:
            return from_minute, to_minute
    raise ValueError(f'{shown(value)} is no stretch of a day such as "19:00-21:00"')
