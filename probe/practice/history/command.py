"""`linebook practice --history`: make the record, say how far it is, and tell the moment that pages show.

The pages themselves are another package's, so the front door serves them with the clock that is made here.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from probe.practice.history import write as writing
from probe.practice.history.records import bounds_ns
from probe.practice.history.script import FIRST_DAY, TIMEZONE, last_day
from store.clock import NS_PER_S, Clock, local, rfc3339, zone
from store.errors import UserMistake
from store.reader import Reader

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
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserMistake(f"--keep: {folder} cannot be a folder: {error.strerror}") from None
    days = (last_day(months) - FIRST_DAY).days + 1
    say(
        f"Writing the invented days from {FIRST_DAY} to {last_day(months)} into {folder}, which takes a "
        f"free core {writing.minutes(months)} min or so."
    )

    def said(day: date, count: int) -> None:
        nth = (day - FIRST_DAY).days + 1
        if nth % _SAID_EVERY_DAYS == 0 or nth == days:
            say(f"{day}, {nth} of {days} days, {count} records")

    written = writing.write(folder, months=months, said=said)
    return Record(site=site, folder=folder, written=written)


def end_of(made: Record) -> tuple[date, Clock]:
    """The record's last day, and a clock that stands at its end: pages know nothing that comes later."""
    with closing(Reader.open(made.folder / writing.DATABASE)) as reader:
        newest_ns = reader.newest_ns()
    if newest_ns is None:
        raise UserMistake(f"{made.folder / writing.DATABASE} holds no record; remove it, and it is made anew")
    day = local(newest_ns, zone(TIMEZONE)).date()
    now_ns = bounds_ns(day, day)[1] - NS_PER_S
    return day, Clock(unix_ns=lambda: now_ns)


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
