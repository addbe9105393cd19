"""What a case says: one sentence, the next step, and the object that programs get. Pure; imports cases.

The object goes to pages, commands, web hooks and local commands alike::

    {"kind": "case", "schema": 1, "id": "A-line-1780000000000000000", "started": "2026-06-03T10:00:00.000Z",
     "ended": null, "open": true, "under_way": true, "handoff": "A", "subject": "line", "owner": "unknown",
     "why": null, "says": "...", "next": "...", "standing": "valid", "reasons": [], "events": [...]}

`ended` is null while it is open, `handoff` null where all are concerned. `why` says by what the owner was
judged, null where only the events tell, as in a notice. `id` names the case among those of one site; it stays
as it is unless an event is told late that began before all others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from store.cases import Case, owner_of, unended
from store.clock import rfc3339
from store.events import Event, EventKind
from store.records import Owner, standing_of

SCHEMA = 1

_Says = Callable[[Case, tuple[Event, ...]], str]


def says(case: Case) -> str:
    """The case in a sentence, without the site."""
    parts = [say(case, found) for kinds, say in _PARTS if (found := case.of(*kinds))]
    where = f"Handoff {case.handoff}: " if case.handoff else ""
    text = "; ".join(parts)
    return f"{where}{text}." if where else f"{text[:1].upper()}{text[1:]}."


def next_step(case: Case) -> str:
    """What its owner, or whoever reads it, does next: by the gravest of its events.

    A port that runs at another rate explains what went before, once that is over.
    """
    steps = sorted(_STEPS, key=lambda each: EventKind.PORT not in each[0] or case.under_way)
    for kinds, step in steps:
        if found := case.of(*kinds):
            owner = case.owner if case.why else owner_of(found)
            return step.get(owner, step[Owner.UNKNOWN])
    raise AssertionError("every kind of event has a next step")


def step(what: EventKind, owner: Owner) -> str:
    """The next step after an event of this kind that is `owner`'s."""
    steps = next(each for kinds, each in _STEPS if what in kinds)
    return steps.get(owner, steps[Owner.UNKNOWN])


def id_of(case: Case) -> str:
    """A name of the case for programs."""
    return f"{case.handoff or 'all'}-{case.subject}-{case.started_unix_ns}"


def as_json(case: Case) -> dict[str, Any]:
    """The case as an object, its events with it."""
    reasons = sorted({reason for event in case.events for reason in event.reasons})
    return {
        "kind": "case",
        "schema": SCHEMA,
        "id": id_of(case),
        "started": rfc3339(case.started_unix_ns),
        "ended": None if case.ended_unix_ns is None else rfc3339(case.ended_unix_ns),
        "open": case.ended_unix_ns is None,
        "under_way": case.under_way,
        "handoff": case.handoff or None,
        "subject": str(case.subject),
        "owner": str(case.owner),
        "why": case.why or None,
        "says": says(case),
        "next": next_step(case),
        "standing": str(standing_of(tuple(reasons))),
        "reasons": reasons,
        "events": [_event_json(event) for event in case.events],
    }


def length(seconds: float) -> str:
    """A length of time in a sentence: ``1.3 s``, ``42 s``, ``12 min``, ``3 h 5 min``, ``2 d 4 h``."""
    if seconds < 60:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, rest = divmod(hours, 24)
    return f"{days} d {rest} h" if rest else f"{days} d"


def _event_json(event: Event) -> dict[str, Any]:
    return {
        "kind": "event",
        "schema": SCHEMA,
        "started": rfc3339(event.started_unix_ns),
        "what": str(event.what),
        "handoff": event.handoff or None,
        "endpoint": event.endpoint or None,
        "owner": str(event.owner),
        "says": event.says,
        "seconds": event.seconds,
        "count": event.count,
        "before": event.before,
        "after": event.after,
        "standing": str(event.standing),
        "reasons": list(event.reasons),
    }


# The parts of a sentence, the gravest first


def _outages(case: Case, found: tuple[Event, ...]) -> str:
    """Silences to several endpoints at a time are one outage."""
    starts = [event for event in found if event.what is EventKind.OUTAGE_START]
    ends = [event for event in found if event.what is EventKind.OUTAGE_END]
    if not starts:
        return ends[-1].says
    counted: dict[str, int] = {}
    for event in starts:
        counted[event.endpoint] = counted.get(event.endpoint, 0) + 1
    count, endpoints = max(counted.values()), _and(sorted(counted))
    many = f"{count} outages" if count > 1 else "outage"
    said = f"{many}, {endpoints} silent"
    lengths = [event.seconds for event in ends if event.seconds is not None]
    if lengths:
        said += (
            f", the longest for {length(max(lengths))}" if len(lengths) > 1 else f" for {length(lengths[0])}"
        )
    lasting = sorted(endpoint for what, _, endpoint in unended(found) if what == "outage")
    return f"{said}; {_and(lasting)} silent still" if lasting and lengths else said


def _carrier(case: Case, found: tuple[Event, ...]) -> str:
    lost = [event for event in found if event.what is EventKind.CARRIER_LOST]
    back = [event for event in found if event.what is EventKind.CARRIER_BACK]
    if not lost:
        return back[-1].says
    said = lost[-1].says if len(lost) == 1 else f"carrier lost {len(lost)} times"
    known = [event.seconds for event in back if event.seconds is not None]
    if known:
        said += f", {length(sum(known))}{' in all' if len(known) > 1 else ''}"
    return f"{said}, and not back" if len(lost) > len(back) else said


def _stalls(case: Case, found: tuple[Event, ...]) -> str:
    count = sum(event.count or 1 for event in found)
    if count == 1:
        return found[0].says
    longest = max(event.seconds or 0.0 for event in found)
    return f"{count} stalls, the longest {length(longest)}"


def _all_said(case: Case, found: tuple[Event, ...]) -> str:
    """Each clause once, in the order of time."""
    return "; ".join(dict.fromkeys(event.says for event in found))


_PARTS: Sequence[tuple[tuple[EventKind, ...], _Says]] = (
    ((EventKind.CARRIER_LOST, EventKind.CARRIER_BACK), _carrier),
    ((EventKind.OUTAGE_START, EventKind.OUTAGE_END), _outages),
    ((EventKind.PORT,), _all_said),
    ((EventKind.STALL,), _stalls),
    ((EventKind.PATH_STEP,), _all_said),
    ((EventKind.OPTIC,), _all_said),
    ((EventKind.CEILING,), _all_said),
    ((EventKind.ALLOWANCE,), _all_said),
    ((EventKind.CLOCK,), _all_said),
)

# By the signatures of faults: common practice, no source.
_STEPS: Sequence[tuple[tuple[EventKind, ...], dict[Owner, str]]] = (
    (
        (EventKind.CARRIER_LOST, EventKind.CARRIER_BACK),
        {
            Owner.UNKNOWN: "Look at the port's light and its lead; if both are sound, open a ticket with "
            "these times.",
            Owner.HOUSE: "Find out who or what took the port down on this host.",
        },
    ),
    (
        (EventKind.OUTAGE_START, EventKind.OUTAGE_END),
        {
            Owner.UNKNOWN: "See whether the port's light is on and the router answers, then open a ticket "
            "with these times.",
            Owner.PROVIDER: "Open a ticket with these times, and with who answered meanwhile.",
            Owner.HOUSE: "Look at the house's own network first: router, switch, lead, power.",
            Owner.ENDPOINT: "See that the endpoint named runs and can be reached; the line carried others.",
        },
    ),
    (
        (EventKind.PORT,),
        {Owner.UNKNOWN: "Change the lead, then compare the settings of both ends of the port."},
    ),
    (
        (EventKind.STALL,),
        {
            Owner.UNKNOWN: "Compare with the house endpoint's train of the same seconds, then ask for the "
            "upstream log of these times.",
            Owner.PROVIDER: "Ask for the upstream log of these times, and say who answered meanwhile.",
            Owner.HOUSE: "Look at the house's own network: router, switch, lead, this host.",
            Owner.ENDPOINT: "Look at the endpoint named and the way to it; other trains went on.",
        },
    ),
    (
        (EventKind.PATH_STEP,),
        {
            Owner.UNKNOWN: "Ask the provider whether the change of path was meant, and hold the delay "
            "against the contract.",
            Owner.HOUSE: "Find out what changed in the house's own network.",
        },
    ),
    (
        (EventKind.OPTIC,),
        {
            Owner.UNKNOWN: "Never look into a fibre or a port: the light is invisible and can hurt. Have "
            "somebody who does such work clean it, then compare with the light of the install day."
        },
    ),
    (
        (EventKind.CEILING,),
        {
            Owner.UNKNOWN: "Take such runs as void: they say nothing of the line.",
            Owner.HOUSE: "Relieve this host or use a faster port; such runs say nothing of the line.",
            Owner.ENDPOINT: "Relieve the endpoint or use another; such runs say nothing of the line.",
        },
    ),
    (
        (EventKind.ALLOWANCE,),
        {
            Owner.UNKNOWN: "Raise the allowance in the site file, or let the runs be thinned until the month "
            "ends."
        },
    ),
    (
        (EventKind.CLOCK,),
        {
            Owner.UNKNOWN: "See that the host keeps its time (NTP) and does not sleep; one-way figures of "
            "that time are left out."
        },
    ),
)


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
