"""The record that the browser's tests and the pictures look at: some days of the practice site, all invented.

Days are chosen so that every page has something to show and writing them stays cheap: bad ones of the old
line in March, the acceptance of the new circuit in June, and two days with all three handoffs to the present.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Sequence
from contextlib import closing
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from probe.practice.history import place
from probe.practice.history.records import bounds_ns, of_day, started_ns
from probe.practice.history.script import TIMEZONE, USUAL
from store import site as sites
from store.clock import NS_PER_S, Clock, zone
from store.receipts import Receipt
from store.site import Site
from store.writer import Writer

DAYS = (
    date(2026, 3, 10),  # one endpoint is busy in the evening
    date(2026, 3, 19),  # nothing passes from 16:41 on for 82 minutes
    date(2026, 6, 16),  # the new circuit is handed over
    date(2026, 6, 29),
    date(2026, 6, 30),
)
NOW = datetime(2026, 6, 30, 18, 50, tzinfo=zone(TIMEZONE))  # ten minutes before the evening class
NOW_NS = int(NOW.timestamp()) * NS_PER_S


def clock() -> Clock:
    """A clock that stands at `NOW`."""
    return Clock(monotonic_ns=lambda: 0, unix_ns=lambda: NOW_NS)


def written(folder: Path, *, days: Sequence[date] = DAYS, now_ns: int = NOW_NS) -> Site:
    """The site with what happened on these days up to the present, through the one writer."""
    folder.mkdir(parents=True, exist_ok=True)
    site = _site(folder)
    moment = [bounds_ns(days[0], days[0])[0]]
    with closing(
        Writer.open(site.database, clock=Clock(unix_ns=lambda: moment[0]), timezone=TIMEZONE)
    ) as writer:
        for day in days:
            moment[0] = min(bounds_ns(day, day)[1] - 1, now_ns)
            for record in sorted(of_day(day), key=started_ns):
                if started_ns(record) < now_ns - 30 * NS_PER_S:
                    writer.append(record)
            writer.mark_alive(moment[0])
            writer.flush_blocking()
        writer.append(_receipt(now_ns))
        writer.flush_blocking()
    return site


def _receipt(now_ns: int) -> Receipt:
    """A course of 8 GB that was sent on the morning of the present."""
    ended_ns, seconds = now_ns - 7 * 3600 * NS_PER_S, 1290.0
    return Receipt(
        handoff="A",
        started_unix_ns=ended_ns - round(seconds * NS_PER_S),
        to="course-shop",
        size_bytes=8_000_000_000,
        seconds=seconds,
        ended_unix_ns=ended_ns,
        sha256="5b" * 32,
        line_goodput_bps=560_000_000,
    )


def written_once(factory: pytest.TempPathFactory) -> Site:
    """A copy of that site of one's own; what takes seconds is written once for all processes of a pass."""
    shared = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder, writing = shared / "book-once", shared / "book-writing"
    with (shared / "book-lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            written(writing)
            writing.rename(folder)
    own = factory.mktemp("book")
    shutil.copytree(folder, own, dirs_exist_ok=True)
    return sites.load(own / "site.toml")


def _site(folder: Path) -> Site:
    file, secrets = folder / "site.toml", folder / "secrets.toml"
    file.write_text(place.site_text(database="linebook.db", secrets=secrets.name, script=USUAL))
    secrets.write_text(place.secrets_text())
    secrets.chmod(0o600)
    (folder / "kiln.csv").write_text(place.kiln_list(USUAL, NOW.date()))
    return sites.load(file)


def days(first: date, last: date) -> list[date]:
    """Every day from the first to the last."""
    return [first + timedelta(days=nth) for nth in range((last - first).days + 1)]
