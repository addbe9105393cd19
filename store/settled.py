"""Sums of times that are over, as a reader read them before: most of what a page looks at is of such times.

A sum may still change for some days after its time, by what comes late. After that two things change it,
thinning and another time zone; both leave a mark in the database, and with the mark all that was kept goes.
So it does when the probe's clock goes back, since a time that was over may then begin anew. Belongs to one
reader, so to one thread. Imports cells, clock and rollup.
"""

from __future__ import annotations

import sqlite3
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Sequence

from store.cells import Cells, Length
from store.clock import NS_PER_S, zone
from store.rollup import Rolled

_MINUTE_NS = 60 * NS_PER_S
_SETTLED_NS = 3 * 86_400 * NS_PER_S  # after its end nothing that comes late changes a day
_LONGEST_NS = 70 * 86_400 * NS_PER_S  # of a longer time the sums are days, which are few
_MOST = 60_000  # sums without histograms, of some 2 kB; with them one weighs as several

_MARK = (
    "SELECT timezone, kept_until_ns, tens_from_ns, (SELECT max(seq) FROM thinned), "
    "(SELECT unix_ns FROM alive) FROM rollup"
)

Sums = Sequence[Rolled]


class Settled:
    """What was read, by what was asked and the day."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._mark: tuple[object, ...] = ()
        self._alive_ns = 0
        self._cells = Cells(zone("UTC"))
        self._found: OrderedDict[Hashable, tuple[tuple[int, int], Sums, float]] = OrderedDict()
        self._parts = 0.0

    def read(
        self, asked: Hashable, time: tuple[int, int], read: Callable[[tuple[int, int]], list[Rolled]]
    ) -> list[Rolled]:
        """What `read` says of the time, whose days that are over are read once; `asked` is all else that it
        depends on."""
        since_ns, until_ns = time
        kept_until_ns = self._look()
        if kept_until_ns is None or since_ns < kept_until_ns or until_ns - since_ns > _LONGEST_NS:
            return read(time)
        found: list[Rolled] = []
        for day, part in self._days(since_ns, until_ns):
            if part[1] > self._alive_ns - _SETTLED_NS:
                return [*found, *read((part[0], until_ns))]
            fixed = not any(moment % _MINUTE_NS for moment in part)  # a plan's hours, or the whole day
            found += self._get((asked, part if fixed else day[0]), part, read)
        return found

    def _days(self, since_ns: int, until_ns: int) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        """Each day of a time, and the part of it that lies in the time."""
        for day in self._cells.between(Length.DAY, since_ns, until_ns):
            yield day, (max(day[0], since_ns), min(day[1], until_ns))

    def _look(self) -> int | None:
        """Let go of what may have changed; until when minutes are no longer whole, None where nothing is
        settled."""
        row = self._connection.execute(_MARK).fetchone()
        if row is None or row[-1] is None:
            return None
        *mark, alive_ns = row
        if tuple(mark) != self._mark or alive_ns < self._alive_ns:
            self._found.clear()
            self._parts = 0.0
            self._mark = tuple(mark)
            self._cells = Cells(zone(mark[0]))
        self._alive_ns = alive_ns
        kept_until_ns: int = mark[1]
        return kept_until_ns

    def _get(
        self, key: Hashable, part: tuple[int, int], read: Callable[[tuple[int, int]], list[Rolled]]
    ) -> Sums:
        """By whole days and the hours of plans; of other parts of a day the last one alone, for a page's time
        moves with the clock and asks for another part each time.
        """
        known = self._found.get(key)
        if known is not None and known[0] == part:
            self._found.move_to_end(key)
            return known[1]
        found = read(part)
        weight = 1.0 + sum(_weight(one) for one in found)
        if known is not None:
            self._parts -= self._found.pop(key)[2]
        self._found[key] = part, found, weight
        self._parts += weight
        while self._parts > _MOST:
            self._parts -= self._found.popitem(last=False)[1][2]
        return found


def _weight(one: Rolled) -> float:
    return 1.0 + (one.rtt.width + one.pdv_up.width + one.pdv_down.width) / 20
