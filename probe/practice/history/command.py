"""`linebook practice --history`: make the record, say how far it is, and tell the day that pages should show.

The pages themselves are another package's, so the front door serves them with the clock that is made here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from probe.practice.history import write as writing
from probe.practice.history.records import bounds_ns
from probe.practice.history.script import FIRST_DAY, MONTHS, last_day
from store.clock import NS_PER_S, Clock, rfc3339
from store.errors import UserMistake

_SHOWN_AT_S = 20 * 3600  # the pages stand at eight in the evening of their day
_SAID_EVERY_DAYS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """The folder's record: `written` is None where it was there already."""

    site: Path
    folder: Path
    written: writing.Written | None


def make(folder: Path, *, months: int, say: Callable[[str], None], fresh: bool = False) -> Record:
    """The record in `folder`, made now unless it is there; with `fresh` that is a UserMistake."""
    site = folder / writing.SITE_FILE
    if (folder / writing.DATABASE).exists() and not fresh:
        say(f"{folder / writing.DATABASE} is there already and stays as it is.")
        return Record(site=site, folder=folder, written=None)
    days = (last_day(months) - FIRST_DAY).days + 1
    say(
        f"Writing {months} invented months, {FIRST_DAY} to {last_day(months)}, into {folder}: about "
        f"{writing.minutes(months)} minutes on a free core."
    )

    def said(day: date, count: int) -> None:
        nth = (day - FIRST_DAY).days + 1
        if nth % _SAID_EVERY_DAYS == 0 or nth == days:
            say(f"{day}, {nth} of {days} days, {count} records")

    written = writing.write(folder, months=months, said=said)
    return Record(site=site, folder=folder, written=written)


def day_shown(asked: date | None, *, months: int = MONTHS) -> date:
    """The day as of which pages are shown. Raises UserMistake for one outside of the record."""
    last = last_day(months)
    if asked is not None and not FIRST_DAY <= asked <= last:
        raise UserMistake(f"--at {asked}: the record runs from {FIRST_DAY} to {last}; name a day of it")
    return asked or last


def clock_of(day: date) -> Clock:
    """A clock that stands on the evening of that day; what it measures by goes on."""
    now_ns = bounds_ns(day, day)[0] + _SHOWN_AT_S * NS_PER_S
    return Clock(unix_ns=lambda: now_ns)


def as_json(made: Record) -> dict[str, Any]:
    """What was written, as one JSON object."""
    assert made.written is not None  # noqa: S101 - asked with `fresh`
    first_ns, last_ns = bounds_ns(made.written.first, made.written.last)
    return {
        "kind": "practice history",
        "schema": 1,
        "started": rfc3339(first_ns),
        "ended": rfc3339(last_ns),
        "standing": "valid",
        "reasons": [],
        "invented": True,
        "site": str(made.site),
        "database": str(made.written.database),
        "records": made.written.records,
        "bytes": made.written.database.stat().st_size,
    }
