"""Silences of a line, each once: the stalls of several trains that are the same, and where it was.

Joins what `dashboard.judge.stall_places` says of each. Pure.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboard.judge import stall_places
from dashboard.judge.material import Material
from dashboard.judge.stall_places import Other, StallPlace
from store.clock import NS_PER_S
from store.records import Owner, Stall, StallClass
from store.segments import Witnesses
from store.site import Where

AGREE = 0.8  # of those that could be placed, so many name the owner
LEAST_PLACED = 3
_LONGEST_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """One silence, with the endpoints whose trains had it."""

    stalls: tuple[Stall, ...]
    place: StallPlace

    @property
    def started_unix_ns(self) -> int:
        return min(one.started_unix_ns for one in self.stalls)

    @property
    def ended_unix_ns(self) -> int:
        return max(one.started_unix_ns + one.duration_us * 1000 for one in self.stalls)

    @property
    def seconds(self) -> float:
        return max(one.seconds for one in self.stalls)

    @property
    def how(self) -> str:
        return Counter(one.how for one in self.stalls).most_common(1)[0][0]

    @property
    def longest(self) -> StallClass:
        return max(self.stalls, key=lambda one: one.duration_us).class_

    @property
    def endpoints(self) -> tuple[str, ...]:
        return tuple(sorted({one.endpoint for one in self.stalls}))


def incidents(material: Material) -> list[Incident]:
    """Every silence of the trains to endpoints outside, oldest first."""
    told = {(one.endpoint, one.started_unix_ns): one for one in material.of(Witnesses)}
    by_train: dict[str, list[Stall]] = {}
    for stall in sorted(material.stalls, key=lambda one: one.started_unix_ns):
        by_train.setdefault(stall.endpoint, []).append(stall)
    starts = {name: [one.started_unix_ns for one in found] for name, found in by_train.items()}
    ends = {name: [cell.started_unix_ns for cell in material.cells_of(name)] for name in _trains(material)}
    outside = [one for one in material.stalls if one.endpoint in material.outside]
    found = []
    for group in silences(outside):
        stall = max(group, key=lambda one: ((one.endpoint, one.started_unix_ns) in told, one.duration_us))
        witnesses = told.get((stall.endpoint, stall.started_unix_ns))
        others = [
            Other(
                endpoint=name,
                where=Where.HOUSE if name in material.house else Where.OUTSIDE,
                stalls=_near(by_train.get(name, []), starts.get(name, []), stall),
                clear=True if _covers(material, name, ends[name], stall) else None,
            )
            for name in _trains(material)
            if name != stall.endpoint
        ]
        place = stall_places.place(
            stall,
            witnesses,
            others,
            where=Where.OUTSIDE,
            house_hops=material.handoff.hops.house if witnesses is None else witnesses.house_hops,
        )
        found.append(Incident(stalls=tuple(group), place=place))
    return found


def owner_of(found: Sequence[Incident]) -> tuple[Owner, str, dict[str, int]]:
    """Who must act for several silences, why, and how many were placed where."""
    owners = Counter(one.place.owner for one in found if one.place.owner not in (None, Owner.UNKNOWN))
    placed = sum(owners.values())
    counts = {f"placed_{owner}": number for owner, number in owners.items() if owner is not None}
    counts["not_placed"] = len(found) - placed
    if placed >= min(LEAST_PLACED, len(found)) and placed:
        owner, most = owners.most_common(1)[0]
        if owner is not None and most >= AGREE * placed:
            because = next(one.place.because for one in found if one.place.owner is owner)
            if len(found) == 1:
                return owner, because, counts
            return owner, f"{most} of {len(found)} lie there by who answered meanwhile: {because}", counts
    told = ", ".join(f"{number} {owner}" for owner, number in owners.items()) or "none"
    return Owner.UNKNOWN, f"of {len(found)} could be placed: {told}", counts


def _trains(material: Material) -> tuple[str, ...]:
    return (*material.house, *material.outside)


def silences(stalls: Iterable[Stall]) -> list[list[Stall]]:
    """Stalls that have half of the shorter one's time in common, of one train each; oldest first."""
    groups: list[list[Stall]] = []
    for stall in sorted(stalls, key=lambda one: one.started_unix_ns):
        for group in groups[-3:]:
            same = any(one.endpoint == stall.endpoint for one in group)
            if not same and all(_common(one, stall) for one in group):
                group.append(stall)
                break
        else:
            groups.append([stall])
    return groups


def _common(one: Stall, other: Stall) -> bool:
    start = max(one.started_unix_ns, other.started_unix_ns)
    end = min(one.started_unix_ns + one.duration_us * 1000, other.started_unix_ns + other.duration_us * 1000)
    return end - start >= 0.5 * min(one.duration_us, other.duration_us) * 1000


def _near(stalls: Sequence[Stall], starts: Sequence[int], stall: Stall) -> tuple[Stall, ...]:
    """Stalls of another train that may reach into this one."""
    end_ns = stall.started_unix_ns + stall.duration_us * 1000
    low = bisect_left(starts, stall.started_unix_ns - _LONGEST_NS)
    return tuple(
        one
        for one in stalls[low : bisect_right(starts, end_ns)]
        if one.started_unix_ns + one.duration_us * 1000 >= stall.started_unix_ns
    )


def _covers(material: Material, name: str, starts: Sequence[int], stall: Stall) -> bool:
    """Whether a train was watching when the stall began."""
    at = bisect_right(starts, stall.started_unix_ns) - 1
    return at >= 0 and material.cells_of(name)[at].ended_unix_ns > stall.started_unix_ns
