"""The fault log: the cases of a time, read from the events on record.

Imports reader, site and cases.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from store import case_words
from store.cases import LASTING, Case, cases, ends_unbegun, unended
from store.clock import NS_PER_S, rfc3339
from store.events import Event
from store.notices import Notice
from store.reader import Reader
from store.site import Site

_DAY_NS = 86_400 * NS_PER_S
_STALL_S = 3_600.0  # no stall is longer by far; the gap counts from its end
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
    from_ns, end_ns = _lasting_since(reader, since_ns), min(until_ns, now_ns + 1)
    events = reader.documents(Event, since_ns=from_ns, until_ns=end_ns)
    while True:
        found = cases(events, gap_s=gap_s, now_ns=min(end_ns, now_ns))
        touching = tuple(one for one in found if one.touches(since_ns=since_ns, until_ns=until_ns))
        earliest_ns, latest_ns = since_ns - LOOK_BACK_NS, min(until_ns + LOOK_BACK_NS, now_ns + 1)
        goes_back = from_ns > earliest_ns and any(_goes_back(one, from_ns, gap_s) for one in touching)
        goes_on = end_ns < latest_ns and any(one.ended_unix_ns is None for one in touching)
        if not goes_back and not goes_on:
            return tuple(one for one in touching if handoff is None or one.handoff in (handoff, ""))
        if goes_back:
            before_ns = max(earliest_ns, from_ns - 2 * (since_ns - from_ns))
            events += reader.documents(Event, since_ns=before_ns, until_ns=from_ns)
            from_ns = before_ns
        if goes_on:
            after_ns = min(end_ns + _DAY_NS, latest_ns)
            events += reader.documents(Event, since_ns=end_ns, until_ns=after_ns)
            end_ns = after_ns


def _lasting_since(reader: Reader, since_ns: int) -> int:
    """A day before the time, or when the oldest of what lasted into it began."""
    lasting = reader.documents(
        Event, since_ns=since_ns - LOOK_BACK_NS, until_ns=since_ns, having=("what", LASTING)
    )
    starts = [event.started_unix_ns for event in unended(lasting).values()]
    return min([since_ns - _DAY_NS, *starts])


def _goes_back(case: Case, from_ns: int, gap_s: float) -> bool:
    """Whether events before this moment may belong to a case of those since then."""
    near = case.started_unix_ns - from_ns <= (gap_s + _STALL_S) * NS_PER_S
    return near or ends_unbegun(case.events)


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
