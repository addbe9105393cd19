"""Writes the practice site's months into a folder: site file, secrets, the kiln's list, the database.

Everything goes through the one writer, a day at a time, sealed day by day by the invented calendar.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from probe.practice.history import place
from probe.practice.history.records import SEED, bounds_ns, of_day, started_ns
from probe.practice.history.script import FIRST_DAY, MONTHS, TIMEZONE, USUAL, Script, last_day
from store.clock import Clock
from store.errors import UserMistake
from store.writer import Writer

RECORDS_A_DAY = 1500  # about; for the sentence on how long it takes
_RECORDS_A_SECOND = 800  # of a single core that has nothing else to do
SITE_FILE, SECRETS, DATABASE = "site.toml", "secrets.toml", "linebook.db"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was made."""

    site: Path
    database: Path
    records: int
    first: date
    last: date


def write(
    folder: Path,
    *,
    months: int = MONTHS,
    last: date | None = None,
    script: Script = USUAL,
    seed: int = SEED,
    said: Callable[[date, int], None] = lambda _day, _count: None,
) -> Written:
    """Make the folder's files, up to a last day if one is named. `said` hears each day with the count so far.

    Raises UserMistake where there is a record already.
    """
    folder.mkdir(parents=True, exist_ok=True)
    database = folder / DATABASE
    if database.exists():
        raise UserMistake(f"{database} is there already; name another folder, or remove it first")
    last = last_day(months) if last is None else last
    (folder / SITE_FILE).write_text(place.site_text(database=DATABASE, secrets=SECRETS, script=script))
    secrets = folder / SECRETS
    secrets.write_text(place.secrets_text())
    secrets.chmod(0o600)
    (folder / place.KILN).write_text(place.kiln_list(script, last))
    now_ns = [bounds_ns(FIRST_DAY, FIRST_DAY)[0]]
    count, day = 0, FIRST_DAY
    with closing(Writer.open(database, clock=Clock(unix_ns=lambda: now_ns[0]), timezone=TIMEZONE)) as writer:
        while day <= last:
            now_ns[0] = bounds_ns(day, day)[1] - 1
            made = of_day(day, script=script, seed=seed)
            for record in sorted(made, key=started_ns):
                writer.append(record)
            writer.mark_alive(now_ns[0])
            writer.flush_blocking()
            count += len(made)
            said(day, count)
            day += timedelta(days=1)
    return Written(site=folder / SITE_FILE, database=database, records=count, first=FIRST_DAY, last=last)


def minutes(months: int) -> int:
    """How long it takes, about, on one core."""
    days = (last_day(months) - FIRST_DAY).days + 1
    return max(1, round(days * RECORDS_A_DAY / _RECORDS_A_SECOND / 60))
