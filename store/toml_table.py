"""A TOML file read with care: typed values out of its tables, every mistake with key and line.

A reader is a function from a raw value to what it means; it raises ValueError with what is wrong and
what would be right, and `Table` adds the key and its line. Knows nothing of a site. Imports errors,
quantities and toml_lines.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from store.errors import SiteMistake
from store.quantities import did_you_mean, duration_s, shown
from store.toml_lines import KeyPath, line_of, lines_of

T = TypeVar("T")
E = TypeVar("E", bound=StrEnum)

Reader = Callable[[Any], T]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A TOML file that was read: its values, and where its keys stand."""

    file: Path
    values: dict[str, Any]
    lines: dict[KeyPath, int]

    def mistake(self, path: KeyPath, why: str) -> SiteMistake:
        shown = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
        return SiteMistake(shown.removeprefix("."), why, line=line_of(self.lines, path), file=str(self.file))


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the file. Readers are functions that raise ValueError with what is wrong."""

    source: Source
    path: KeyPath
    values: dict[str, Any]

    def only(self, *known: str) -> None:
        """Refuse every other key."""
        for key in self.values:
            if key not in known:
                near = did_you_mean(key, known) or f"; expected one of {', '.join(known)}"
                self.refuse(key, f"unknown key{near}")

    def need(self, key: str, reader: Reader[T], like: str) -> T:
        if key not in self.values:
            self.refuse(key, f"missing; expected {like}")
        return self._read(key, reader)

    def ask(self, key: str, reader: Reader[T], default: T) -> T:
        return self._read(key, reader) if key in self.values else default

    def maybe(self, key: str, reader: Reader[T]) -> T | None:
        return self._read(key, reader) if key in self.values else None

    def tables(self, key: str) -> list[Table]:
        """The tables of ``[[key]]``."""
        found = self.values.get(key, [])
        if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
            self.refuse(key, f"expected tables, each under a line [[{self._header(key)}]]")
        return [Table(self.source, (*self.path, key, nth), each) for nth, each in enumerate(found)]

    def table(self, key: str) -> Table:
        """The table ``[key]``, empty when it is not there."""
        found = self.values.get(key, {})
        if not isinstance(found, dict):
            self.refuse(key, f"expected a table, under a line [{self._header(key)}]")
        return Table(self.source, (*self.path, key), found)

    def refuse(self, key: str, why: str) -> NoReturn:
        raise self.source.mistake((*self.path, key) if key else self.path, why)

    def _header(self, key: str) -> str:
        return ".".join(part for part in (*self.path, key) if isinstance(part, str))

    def _read(self, key: str, reader: Reader[T]) -> T:
        try:
            return reader(self.values[key])
        except ValueError as error:
            raise self.source.mistake((*self.path, key), str(error)) from None


def open_toml(file: Path) -> Source:
    """Raises SiteMistake for a file that cannot be read or is not TOML."""
    try:
        toml = file.read_bytes().decode("utf-8-sig")
        return Source(file=file, values=tomllib.loads(toml), lines=lines_of(toml))
    except OSError as error:
        raise SiteMistake("", f"cannot be read: {error.strerror}", file=str(file)) from None
    except UnicodeDecodeError:
        raise SiteMistake("", "is not text in UTF-8", file=str(file)) from None
    except (ValueError, RecursionError) as error:  # also numbers and nesting beyond what Python reads
        found = re.search(r" \(at line ([0-9]+), column [0-9]+\)", str(error))
        line = int(found[1]) if found else None
        why = str(error).partition(" (at ")[0]
        raise SiteMistake("", f"is not TOML here: {why}", line=line, file=str(file)) from None


def refuse_twins(tables: Iterable[Table]) -> None:
    """Refuse a second table of the same name."""
    seen: set[str] = set()
    for table in tables:
        name = table.values["name"]
        if name in seen:
            table.refuse("name", f"{shown(name)} is taken by another one; give each its own name")
        seen.add(name)


def text(value: Any) -> str:
    """Text that says something."""
    if not isinstance(value, str):
        raise ValueError(f"{shown(value)} is no text; expected text in quotes")
    if not value.strip():
        raise ValueError("is empty; leave the key out, or say something")
    return value


def flag(value: Any) -> bool:
    """true or false."""
    if not isinstance(value, bool):
        raise ValueError(f"{shown(value)} is neither true nor false, without quotes")
    return value


def day(value: Any) -> date:
    """A date in TOML's own form."""
    if not isinstance(value, date) or isinstance(value, datetime):
        raise ValueError(f"{shown(value)} is no date; expected one without quotes, such as 2026-06-22")
    return value


def word_of(kind: type[E]) -> Reader[E]:
    """One of the words of an enumeration."""
    return one_of({str(word): word for word in kind})


def one_of(known: dict[str, T]) -> Reader[T]:
    """What one of the known words stands for."""

    def reader(value: Any) -> T:
        if not isinstance(value, str) or value not in known:
            words = ", ".join(f'"{word}"' for word in known)
            near = did_you_mean(value, known) if isinstance(value, str) else ""
            raise ValueError(f"{shown(value)} is none of {words}{near}")
        return known[value]

    return reader


def name_among(what: str, names: set[str]) -> Reader[str]:
    """The name of something that the file describes elsewhere."""

    def reader(value: Any) -> str:
        found = text(value)
        if found not in names:
            near = did_you_mean(found, names) or f"; expected one of {', '.join(sorted(names))}"
            raise ValueError(f"there is no {what} {shown(found)}{near}")
        return found

    return reader


def list_of(reader: Reader[T]) -> Reader[tuple[T, ...]]:
    """A list, not empty, of what `reader` reads."""

    def read_all(value: Any) -> tuple[T, ...]:
        if not isinstance(value, list) or not value:
            raise ValueError(f"{'is empty' if value == [] else shown(value)}; expected a list in brackets")
        return tuple(reader(item) for item in value)

    return read_all


def number(low: int, high: int) -> Reader[float]:
    """A number without a unit."""

    def reader(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise ValueError(f"{shown(value)} is no number from {low} to {high}, without quotes")
        return float(value)

    return reader


def count(low: int, high: int) -> Reader[int]:
    """A whole number without a unit."""

    def reader(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"{shown(value)} is no whole number from {low} to {high}, without quotes")
        return value

    return reader


def whole_seconds(low: int, high: int) -> Reader[int]:
    """A time such as ``"60 min"`` in whole seconds."""

    def reader(value: Any) -> int:
        found = duration_s(value)
        if not (found.is_integer() and low <= found <= high):
            raise ValueError(f"{shown(value)} is no whole number of seconds from {low} to {high}")
        return int(found)

    return reader
