"""Cases: the events that belong together by time, and what is known of them as one thing.

A case is never stored. It follows from the events, by the same function for the probe that sends a notice,
for a page and for a command: events of one handoff and one subject are one case as long as the next begins
within the gap after the last has ended, or while an outage or a lost carrier lasts. An event of all handoffs
(an empty name) joins whichever is open. Pure; imports events and records.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.records import Owner


class Subject(StrEnum):
    """What happened to a line, and what happened to measuring it, are never one case."""

    LINE = "line"
    MEASURING = "measuring"


_OF_MEASURING = {EventKind.CEILING, EventKind.ALLOWANCE, EventKind.CLOCK}
_BEGINS = {EventKind.OUTAGE_START: "outage", EventKind.CARRIER_LOST: "carrier"}
_ENDS = {EventKind.OUTAGE_END: "outage", EventKind.CARRIER_BACK: "carrier"}
_LASTED = (EventKind.STALL, EventKind.CLOCK)  # told once they are over, with when they began
LASTING = (*_BEGINS, *_ENDS)  # the kinds that begin and end what lasts


def subject_of(what: EventKind) -> Subject:
    """The subject that an event of this kind is about."""
    return Subject.MEASURING if what in _OF_MEASURING else Subject.LINE


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Events that belong together, oldest first.

    `handoff` is empty where all are concerned. `ended_unix_ns` is None while the case is open: something
    lasts (`under_way`), or the gap has not passed yet. `owner` is who must act, by all of its events as they
    were told, until somebody who reads the case has judged it by more; `why` is then the sentence for it.
    """

    handoff: str
    subject: Subject
    events: tuple[Event, ...]
    under_way: bool
    ended_unix_ns: int | None
    owner: Owner
    why: str = ""

    @property
    def started_unix_ns(self) -> int:
        return self.events[0].started_unix_ns

    @property
    def last_unix_ns(self) -> int:
        """When the last of its events was over."""
        return max(_end_ns(event) for event in self.events)

    def of(self, *kinds: EventKind) -> tuple[Event, ...]:
        """Its events of these kinds."""
        return tuple(event for event in self.events if event.what in kinds)

    def touches(self, *, since_ns: int, until_ns: int) -> bool:
        """Whether any of it lies in a time; an open case reaches to the end of time."""
        open_or_late = self.ended_unix_ns is None or self.ended_unix_ns >= since_ns
        return self.started_unix_ns < until_ns and open_or_late


def cases(events: Iterable[Event], *, gap_s: float, now_ns: int) -> tuple[Case, ...]:
    """The cases that these events make, by their beginning; in whatever order the events come.

    Each event is in exactly one of them.
    """
    gap_ns = round(gap_s * NS_PER_S)
    over: list[_Growing] = []
    open_: list[_Growing] = []
    for event in sorted(events, key=_order):
        over += [one for one in open_ if one.is_over(event.started_unix_ns, gap_ns)]
        open_ = [one for one in open_ if not one.is_over(event.started_unix_ns, gap_ns)]
        fitting = [one for one in open_ if one.fits(event)]
        if fitting:
            max(fitting, key=lambda one: (one.handoff == event.handoff, one.last_ns)).add(event)
        else:
            open_.append(_Growing(event))
    made = [one.case(now_ns, gap_ns) for one in (*over, *open_)]
    return tuple(sorted(made, key=lambda case: _order(case.events[0])))


def ends_unbegun(events: Iterable[Event]) -> bool:
    """Whether something ends in these events that did not begin in them."""
    begun: set[tuple[str, str, str]] = set()
    for event in sorted(events, key=_order):
        if event.what in _BEGINS:
            begun.add((_BEGINS[event.what], event.handoff, event.endpoint))
        elif event.what in _ENDS and (_ENDS[event.what], event.handoff, event.endpoint) not in begun:
            return True
    return False


def owner_of(events: Iterable[Event]) -> Owner:
    """Whoever all events that name somebody name; unknown when they do not agree, or none does."""
    named = {event.owner for event in events} - {Owner.UNKNOWN}
    return named.pop() if len(named) == 1 else Owner.UNKNOWN


def unended(events: Sequence[Event]) -> dict[tuple[str, str, str], Event]:
    """What lasts still after these events: by its name, handoff and endpoint the event that began it."""
    found: dict[tuple[str, str, str], Event] = {}
    for event in sorted(events, key=_order):
        if event.what in _BEGINS:
            found.setdefault((_BEGINS[event.what], event.handoff, event.endpoint), event)
        elif event.what in _ENDS:
            found.pop((_ENDS[event.what], event.handoff, event.endpoint), None)
    return found


@dataclass(slots=True)
class _Growing:
    """A case that may still get events."""

    first: Event
    handoff: str = field(init=False)
    events: list[Event] = field(default_factory=list, init=False)
    last_ns: int = field(default=0, init=False)
    lasting: set[tuple[str, str]] = field(default_factory=set, init=False)

    def __post_init__(self) -> None:
        self.handoff, self.last_ns = self.first.handoff, self.first.started_unix_ns
        self.add(self.first)

    def fits(self, event: Event) -> bool:
        same = event.handoff == self.handoff or "" in (event.handoff, self.handoff)
        return same and subject_of(event.what) is subject_of(self.first.what)

    def add(self, event: Event) -> None:
        self.handoff = self.handoff or event.handoff
        self.events.append(event)
        self.last_ns = max(self.last_ns, _end_ns(event))
        if event.what in _BEGINS:
            self.lasting.add((_BEGINS[event.what], event.endpoint))
        elif event.what in _ENDS:
            self.lasting.discard((_ENDS[event.what], event.endpoint))

    def is_over(self, now_ns: int, gap_ns: int) -> bool:
        return not self.lasting and now_ns - self.last_ns > gap_ns

    def case(self, now_ns: int, gap_ns: int) -> Case:
        return Case(
            handoff=self.handoff,
            subject=subject_of(self.first.what),
            events=tuple(self.events),
            under_way=bool(self.lasting),
            ended_unix_ns=self.last_ns if self.is_over(now_ns, gap_ns) else None,
            owner=owner_of(self.events),
        )


def _end_ns(event: Event) -> int:
    """When an event was over; what tells an end is a moment."""
    if event.what in _LASTED and event.seconds is not None:
        return event.started_unix_ns + round(event.seconds * NS_PER_S)
    return event.started_unix_ns


def _order(event: Event) -> tuple[int, bool, str]:
    """By time; at the same moment what lasted ends before the next begins: one reply parts two outages."""
    return (event.started_unix_ns, event.what not in _ENDS, repr(event))
