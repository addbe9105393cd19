"""How time is cut for sums of minutes: ten minutes, hours, six hours and days of the site's local clock.

An hour runs from where the local clock shows a whole hour, or was just set, to where it next does either:
in a zone 30 or 45 minutes off UTC it begins within an hour of UTC, the hour that comes twice in autumn is
two hours, and where a clock is set by half an hour, one is 30 minutes long. Days begin at local midnight (the
first one, or the moment the clock leaps over it) and have 23, 24 or 25 hours as the place has them; six hours
begin at 00, 06, 12 and 18 o'clock. Every cell is made of whole shorter ones. Pure; imports clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum

from store.clock import NS_PER_S, local


class Length(StrEnum):
    """How long a cell is, clock changes aside."""

    TEN = "ten minutes"
    HOUR = "hour"
    QUARTER = "six hours"
    DAY = "day"

    @property
    def seconds(self) -> int:
        return {"ten minutes": 600, "hour": 3_600, "six hours": 21_600, "day": 86_400}[self]


Cell = tuple[int, int]  # from the first up to, not including, the second, in Unix nanoseconds


class Cells:
    """The cells of a time zone. Remembers the last one of each length, for time mostly goes on."""

    def __init__(self, where: tzinfo) -> None:
        self._where = where
        self._last: dict[Length, Cell] = {}

    def of(self, length: Length, unix_ns: int) -> Cell:
        """The cell of this length that the instant lies in."""
        last = self._last.get(length)
        if last is not None and last[0] <= unix_ns < last[1]:
            return last
        if length in (Length.DAY, Length.QUARTER):
            found = self._by_date(unix_ns, 24 if length is Length.DAY else 6)
        else:
            found = self._by_clock(unix_ns, length.seconds * NS_PER_S)
        self._last[length] = found
        return found

    def between(self, length: Length, since_ns: int, until_ns: int) -> Iterator[Cell]:
        """The cells that reach into the time, oldest first."""
        while since_ns < until_ns:
            cell = self.of(length, since_ns)
            yield cell
            since_ns = cell[1]

    def _by_clock(self, unix_ns: int, step_ns: int) -> Cell:
        offset_ns = self._offset_ns(unix_ns)
        start_ns = unix_ns - (unix_ns + offset_ns) % step_ns
        end_ns = start_ns + step_ns
        if self._offset_ns(start_ns) != offset_ns:
            start_ns = self._change(start_ns, unix_ns)
        if self._offset_ns(end_ns - NS_PER_S) != offset_ns:
            end_ns = self._change(unix_ns, end_ns)
        return start_ns, end_ns

    def _change(self, before_ns: int, after_ns: int) -> int:
        """When, to the second, the clock was set between two instants on either side of that."""
        before, after = before_ns // NS_PER_S, after_ns // NS_PER_S
        old_ns = self._offset_ns(before * NS_PER_S)
        while after - before > 1:
            middle = (before + after) // 2
            if self._offset_ns(middle * NS_PER_S) == old_ns:
                before = middle
            else:
                after = middle
        return after * NS_PER_S

    def _by_date(self, unix_ns: int, hours: int) -> Cell:
        day = local(unix_ns, self._where).date()
        while self._instant(day + timedelta(days=1)) <= unix_ns:
            day += timedelta(days=1)  # the clock was set back over midnight, and the day had begun
        starts = [self._instant(day, hour) for hour in range(0, 24, hours)]
        starts.append(self._instant(day + timedelta(days=1)))
        place = max(nth for nth, start_ns in enumerate(starts) if start_ns <= unix_ns)
        return starts[place], next(start_ns for start_ns in starts[place + 1 :] if start_ns > unix_ns)

    def _instant(self, day: date, hour: int = 0) -> int:
        """When the local clock first shows this hour, or leaps over it."""
        return round(datetime.combine(day, time(hour), self._where).timestamp()) * NS_PER_S

    def _offset_ns(self, unix_ns: int) -> int:
        offset = local(unix_ns, self._where).utcoffset() or timedelta()
        return round(offset.total_seconds()) * NS_PER_S
