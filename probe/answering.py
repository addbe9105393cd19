"""What is said of a train between its records: that replies come, that it failed again, that it pauses.

Nothing of this is stored. Trains and their method say it to the book, whoever wants to know as it happens
listens there. Imports store's records.
"""

from __future__ import annotations

from dataclasses import dataclass

from store.clock import NS_PER_S
from store.records import Owner

RESTARTED = "the endpoint restarted, so what the line did meanwhile is not known"  # why of such a gap
OUTAGE_NS = 10 * NS_PER_S  # a silence longer than this is an outage, as `store.records.StallClass` has it


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """A train's word once a second. Times are the probe's monotonic clock, None before the first reply.

    `heard_ns` is when the last reply came, `since_ns` since when they come without a break of `OUTAGE_NS`.
    `why` and `whose` are what became of asking the endpoint since, where that failed.
    """

    handoff: str
    endpoint: str
    since_ns: int | None
    heard_ns: int | None
    why: str = ""
    whose: Owner = Owner.UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Unanswered:
    """A train failed, not for the first time perhaps; `whose` as the method has it."""

    handoff: str
    endpoint: str
    why: str
    whose: Owner


@dataclass(frozen=True, slots=True, kw_only=True)
class Paused:
    """A train does not send for a while because it must not; its silence says nothing."""

    handoff: str
    endpoint: str


Word = Answering | Unanswered | Paused
