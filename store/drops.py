"""Drops that an encoder noted, from a CSV file of our own shape.

The first line names the columns: ``time``, and as far as known ``seconds``, ``frames`` and ``destination``::

    time,seconds,frames,destination
    2026-03-09 19:31:05,1.4,42,class
    2026-03-09T18:45:10Z,0.5,15,class

A time without an offset is by the site's clocks. Separators are commas or semicolons. A cell that begins as a
spreadsheet's formula does is refused, unless an apostrophe stands before it; so is a file of more than a
megabyte. Every mistake is a UserMistake with its line. Pure. Imports clock and errors.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from store.clock import NS_PER_S
from store.errors import UserMistake

BYTES_MAX = 1_000_000
ROWS_MAX = 20_000
_COLUMNS = ("time", "seconds", "frames", "destination")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_LONGEST_S = 86_400.0
_SHOWN = 40  # characters of a wrong cell that a sentence repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """One drop. `seconds` is 0 where neither seconds nor frames were noted; `destination` empty likewise."""

    at_unix_ns: int
    seconds: float
    destination: str


def parse(
    data: bytes, *, name: str, where: tzinfo, destinations: Sequence[str], frames_per_second: float
) -> tuple[Drop, ...]:
    """The drops of a file, oldest first. `name` is the file's, for sentences.

    Frames become seconds by `frames_per_second` where no seconds stand.
    """
    if len(data) > BYTES_MAX:
        raise UserMistake(f"--drops: {name} has {len(data)} bytes; expected {BYTES_MAX} at most")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserMistake(
            f"--drops: {name} is no UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from None
    if "\0" in text:
        raise UserMistake(f"--drops: {name} holds a zero byte, so it is no CSV")
    lines = _lines(text, name)
    columns = next(lines, None)
    if columns is None:
        raise UserMistake(f"--drops: {name} is empty; expected a first line such as time,seconds,destination")
    places = _columns(columns[1], name)
    found: list[Drop] = []
    for number, cells in lines:
        if len(found) >= ROWS_MAX:
            raise UserMistake(f"--drops: {name} has more than {ROWS_MAX} rows; split it by show")
        row = _Row(name=name, number=number, cells=cells, places=places)
        found.append(row.drop(where, destinations, frames_per_second))
    return tuple(sorted(found, key=lambda drop: (drop.at_unix_ns, drop.destination)))


def _lines(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Each line that holds anything, with its number from 1."""
    first = text.split("\n", 1)[0]
    separator = ";" if ";" in first and "," not in first else ","
    reader = csv.reader(io.StringIO(text), delimiter=separator, strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise UserMistake(f"--drops: {name}, line {reader.line_num}: is no CSV ({error})") from None


def _columns(cells: Sequence[str], name: str) -> dict[str, int]:
    names = [cell.lower() for cell in cells]
    for cell in names:
        if cell not in _COLUMNS:
            raise UserMistake(
                f"--drops: {name}, line 1: column {cell[:_SHOWN]!r} is not known; expected "
                f"{', '.join(_COLUMNS)}"
            )
    if "time" not in names:
        raise UserMistake(f"--drops: {name}, line 1: no column time; expected {', '.join(_COLUMNS)}")
    if len(set(names)) < len(names):
        raise UserMistake(f"--drops: {name}, line 1: a column stands twice")
    return {cell: place for place, cell in enumerate(names)}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    name: str
    number: int
    cells: Sequence[str]
    places: dict[str, int]

    def drop(self, where: tzinfo, destinations: Sequence[str], frames_per_second: float) -> Drop:
        if len(self.cells) > len(self.places):
            raise self._mistake(f"has {len(self.cells)} cells; expected {len(self.places)}")
        seconds, frames = self._number("seconds"), self._number("frames")
        if seconds is None:
            seconds = 0.0 if frames is None else frames / frames_per_second
        if seconds > _LONGEST_S:
            raise self._mistake(f"seconds: {seconds:g} is longer than a day")
        destination = self._cell("destination")
        if destination and destination not in destinations:
            raise self._mistake(
                f"destination: {destination[:_SHOWN]!r} is none of the plan; it has {', '.join(destinations)}"
            )
        return Drop(at_unix_ns=self._time(where), seconds=seconds, destination=destination)

    def _cell(self, column: str) -> str:
        place = self.places.get(column)
        cell = "" if place is None or place >= len(self.cells) else self.cells[place]
        if cell.startswith(_FORMULA):
            raise self._mistake(f"{column}: {cell[:_SHOWN]!r} begins as a formula does")
        return cell.removeprefix("'")

    def _number(self, column: str) -> float | None:
        cell = self._cell(column)
        if not cell:
            return None
        try:
            found = float(cell)
        except ValueError:
            found = math.nan
        if not (math.isfinite(found) and found >= 0):
            raise self._mistake(f"{column}: {cell[:_SHOWN]!r} is no number from 0 on")
        return found

    def _time(self, where: tzinfo) -> int:
        cell = self._cell("time")
        try:
            found = datetime.fromisoformat(cell)
        except ValueError:
            raise self._mistake(
                f"time: {cell[:_SHOWN]!r} is no time such as 2026-03-09 19:31:05 or 2026-03-09T18:31:05Z"
            ) from None
        if found.tzinfo is None:
            early, late = (found.replace(tzinfo=where, fold=fold).utcoffset() for fold in (0, 1))
            if early != late:
                raise self._mistake(
                    f"time: {cell[:_SHOWN]!r} is an hour in which the clocks change; write it with its offset"
                )
            found = found.replace(tzinfo=where)
        return round(found.timestamp() * 1e6) * 1000

    def _mistake(self, what: str) -> UserMistake:
        return UserMistake(f"--drops: {self.name}, line {self.number}: {what}")


def within(drops: Sequence[Drop], start_ns: int, end_ns: int) -> tuple[Drop, ...]:
    """Those from one instant up to another, with a minute around for a clock that is off."""
    around_ns = 60 * NS_PER_S
    return tuple(drop for drop in drops if start_ns - around_ns <= drop.at_unix_ns < end_ns + around_ns)
