"""Signatures that outages show: at the same hour every few days, with the carrier and without. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import pairwise

from dashboard.judge.finding import CHANCE, Finding, finding
from dashboard.judge.incidents import Incident, owner_of
from dashboard.judge.material import Material
from store.clock import NS_PER_S, local
from store.events import Event, EventKind
from store.records import OpenKind, Owner, StallClass, WindowOpened

_SAME_MINUTES = 30  # outages of one cause at one time of day lie within so much
_RESTART_S = (60.0, 900.0)  # what a device takes to come back; common practice, no source
_NEAR_NS = 60 * NS_PER_S
_TOLD = 5  # outages listed one by one


def find(material: Material, silences: Sequence[Incident]) -> Iterator[Finding]:
    """Everything that outages show: silences of more than 10 s."""
    found = [one for one in silences if one.longest is StallClass.OUTAGE]
    regular = _at_one_hour(material, found)
    if regular is not None:
        told, members = regular
        yield told
        found = [one for one in found if one not in members]
    lost_ns = [event.started_unix_ns for event in material.of(Event) if event.what is EventKind.CARRIER_LOST]
    without = [one for one in found if _has(one, lost_ns)]
    with_link = [one for one in found if not _has(one, lost_ns)]
    for number, some in ((25, without), (26, with_link)):
        if some:
            yield _outages(material, number, some)


def _at_one_hour(material: Material, found: Sequence[Incident]) -> tuple[Finding, list[Incident]] | None:
    """13: three or more of some minutes within half an hour of the day, on different days."""
    short = [one for one in found if _RESTART_S[0] <= one.seconds <= _RESTART_S[1]]
    best: list[Incident] = []
    for one in short:
        start = material.minute(one.started_unix_ns)
        near = [
            other
            for other in short
            if (material.minute(other.started_unix_ns) - start) % 1440 <= _SAME_MINUTES
        ]
        one_a_day = {material.day(other.started_unix_ns): other for other in near}
        if len(one_a_day) > len(best):
            best = list(one_a_day.values())
    k, n = len(best), len(short)
    if k < 3:
        return None
    chance = min(1.0, math.comb(n, k) * k * (_SAME_MINUTES / 1440) ** (k - 1))
    if chance > CHANCE:
        return None
    days = sorted(material.day(one.started_unix_ns) for one in best)
    every = _every(days)
    owner, because, placed = owner_of(best)
    minutes = sorted(material.minute(one.started_unix_ns) for one in best)
    lengths = sorted(one.seconds for one in best)
    shortest, longest = _length(lengths[0]), _length(lengths[-1])
    lasted = shortest if shortest == longest else f"{shortest} to {longest}"
    return (
        finding(
            13,
            handoff=material.handoff.name,
            seen=f"{k} of {n} outages of 1 to 15 minutes began between {_clock(minutes[0])} and "
            f"{_clock(minutes[-1])}, {f'every {every} days' if every else f'on {len(days)} days'}, and "
            f"lasted {lasted}: {', '.join(str(day) for day in days)}.",
            owner=owner,
            because=because,
            when=(best[0].started_unix_ns, best[-1].ended_unix_ns),
            chance=chance,
            counts={
                "outages": k,
                "every_days": every,
                "from_minute": minutes[0],
                "to_minute": minutes[-1],
                "median_s": round(lengths[len(lengths) // 2], 1),
                **placed,
            },
        ),
        best,
    )


def _every(days: Sequence[date]) -> int:
    """The number of days of which every distance is a multiple; 0 for none but one."""
    step = 0
    for one, other in pairwise(days):
        step = math.gcd(step, (other - one).days)
    return step if step > 1 else 0


def _outages(material: Material, number: int, found: Sequence[Incident]) -> Finding:
    owner, because, placed = owner_of(found)
    if number == 25:
        owner, because = Owner.UNKNOWN, "a lost carrier is the cable, the power or either side's port"
    listed = "; ".join(
        f"{local(one.started_unix_ns, material.zone):%Y-%m-%d %H:%M:%S}, {_length(one.seconds)}"
        for one in sorted(found, key=lambda one: -one.seconds)[:_TOLD]
    )
    more = f" and {len(found) - _TOLD} shorter" if len(found) > _TOLD else ""
    link = "without the port's carrier" if number == 25 else "while the port kept its carrier"
    return finding(
        number,
        handoff=material.handoff.name,
        seen=f"{len(found)} {'outage' if len(found) == 1 else 'outages'} of more than 10 s {link}, "
        f"{_length(sum(one.seconds for one in found))} in all: {listed}{more}"
        f"{_in_works(material, found)}.",
        owner=owner,
        because=because,
        when=(found[0].started_unix_ns, max(one.ended_unix_ns for one in found)),
        counts={
            "outages": len(found),
            "seconds": round(sum(one.seconds for one in found), 1),
            "longest_s": round(max(one.seconds for one in found), 1),
            **placed,
        },
    )


def _in_works(material: Material, found: Sequence[Incident]) -> str:
    """How many began in a maintenance that the provider had announced."""
    works = [
        (one.started_unix_ns, one.ends_unix_ns or one.started_unix_ns)
        for one in material.windows
        if isinstance(one, WindowOpened)
        and one.window is OpenKind.MAINTENANCE
        and one.handoff in ("", material.handoff.name)
    ]
    within = sum(any(start <= one.started_unix_ns < end for start, end in works) for one in found)
    return f"; {within} of them began within announced works" if within else ""


def _has(one: Incident, moments_ns: Sequence[int]) -> bool:
    return any(one.started_unix_ns - _NEAR_NS <= at <= one.ended_unix_ns for at in moments_ns)


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _length(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min"
