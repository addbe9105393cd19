"""The fault log: the cases of a time, read from the events on record.

Imports reader, site and cases.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from store import case_words
from store.cases import Case, cases
from store.clock import NS_PER_S, rfc3339
from store.events import Event
from store.notices import Notice
from store.reader import Reader
from store.site import Site

_DAY_NS = 86_400 * NS_PER_S
LOOK_BACK_NS = 31 * _DAY_NS  # how far before a time a case that reaches into it may have begun


def read(
    reader: Reader,
    *,
    gap_s: float,
    since_ns: int,
    until_ns: int,
    now_ns: int,
    handoff: str | None = None,
) -> tuple[Case, ...]:
    """The cases that touch the time, oldest first; with a handoff named, its own and those of all.

    A case is whole, whether or not it ends in the time, and the same whatever time is asked for: events are
    looked for up to 31 days before and, as long as it goes on, after it.
    """
    end_ns = min(until_ns, now_ns + 1)
    while True:
        events = reader.documents(Event, since_ns=since_ns - LOOK_BACK_NS, until_ns=end_ns)
        found = cases(events, gap_s=gap_s, now_ns=min(end_ns, now_ns))
        touching = tuple(one for one in found if one.touches(since_ns=since_ns, until_ns=until_ns))
        goes_on = any(one.ended_unix_ns is None for one in touching)
        if not goes_on or end_ns > now_ns or end_ns > until_ns + LOOK_BACK_NS:
            return tuple(one for one in touching if handoff is None or one.handoff in (handoff, ""))
        end_ns = min(end_ns + _DAY_NS, now_ns + 1)


def notices(reader: Reader, found: tuple[Case, ...]) -> tuple[Notice, ...]:
    """Every record of a message about these cases."""
    if not found:
        return ()
    since_ns = min(case.started_unix_ns for case in found)
    return tuple(reader.documents(Notice, since_ns=since_ns))


def days(first: date, last: date, *, where: tzinfo) -> tuple[int, int]:
    """From the local midnight that begins the first day up to the one that ends the last."""
    from_, to = (datetime.combine(day, time(), where) for day in (first, last + timedelta(days=1)))
    return round(from_.timestamp()) * NS_PER_S, round(to.timestamp()) * NS_PER_S


def as_json(
    found: tuple[Case, ...], *, site: Site, since_ns: int, until_ns: int, now_ns: int, handoff: str | None
) -> dict[str, Any]:
    """The cases of a time as one object, the newest last; `started` and `ended` bound the time."""
    return {
        "kind": "events",
        "schema": case_words.SCHEMA,
        "site": site.name,
        "invented": site.invented,
        "written": rfc3339(now_ns),
        "started": rfc3339(since_ns),
        "ended": rfc3339(until_ns),
        "handoff": handoff,
        "standing": "valid",
        "reasons": [],
        "cases": [case_words.as_json(case) for case in found],
    }
