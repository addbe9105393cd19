"""The practice site's record of any time, from a seed: the same week comes out alone and within all of it.

Pure: script, seed and days in, records out in the order of their starts, day by day.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache

from probe.practice.history import new, old
from probe.practice.history.making import instant
from probe.practice.history.script import TIMEZONE, USUAL, Script
from store.ceilings import Ceiling, CeilingOf
from store.clock import zone
from store.records import Record, Skipped

SEED = 28


def records(
    first: date, last: date, *, script: Script = USUAL, seed: int = SEED, handoff: str | None = None
) -> Iterator[Record]:
    """Everything that began on these local days, the last included; of one handoff if that is named."""
    day = first
    while day <= last:
        yield from sorted(of_day(day, script=script, seed=seed, handoff=handoff), key=started_ns)
        day += timedelta(days=1)


def of_day(
    day: date, *, script: Script = USUAL, seed: int = SEED, handoff: str | None = None
) -> list[Record]:
    """Everything of one local day, in no order; of one handoff if that is named."""
    where = zone(TIMEZONE)
    found: list[Record] = list(_ceilings(day))
    if handoff in (None, old.HANDOFF):
        found += old.day(script.old, seed, day, where)
    if handoff != old.HANDOFF:
        found += new.day(script.new, seed, day, where, handoff=handoff)
    return found


@cache
def bounds_ns(first: date, last: date) -> tuple[int, int]:
    """From the first day's local midnight up to that after the last, in Unix nanoseconds."""
    where = zone(TIMEZONE)
    return instant(first, 0, where), instant(last + timedelta(days=1), 0, where)


def _ceilings(day: date) -> Iterator[Record]:
    """What the probe's host and the endpoints carry at most, on the first of each month."""
    if day.day != 1:
        return
    at_ns = instant(day, 4 * 3600, zone(TIMEZONE))
    for of, endpoint, bps in (
        (CeilingOf.HOST, "", 9_300_000_000),
        (CeilingOf.ENDPOINT, "north", 9_100_000_000),
        (CeilingOf.ENDPOINT, "south", 8_900_000_000),
    ):
        for flows in (1, 4, 8):
            yield Ceiling(
                endpoint=endpoint,
                started_unix_ns=at_ns + flows * 1_000_000_000,
                of=of,
                flows=flows,
                seconds=3.0,
                goodput_bps=bps,
                kernel="6.1.0",
            )


def started_ns(record: Record) -> int:
    """When a record began, by which it is sorted."""
    return record.planned_unix_ns if isinstance(record, Skipped) else record.started_unix_ns
