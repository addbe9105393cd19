"""All findings of one handoff's record: every detector of signatures, in the order of their numbers.

What one finding explains is not told again by another. Pure. Imports the detectors.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from dashboard.judge import name_signs, outage_signs, rate_signs, show_signs, train_signs, way_signs
from dashboard.judge.finding import Finding, as_json
from dashboard.judge.incidents import incidents
from dashboard.judge.material import Material
from dashboard.judge.signatures import Signature, signature
from store.clock import rfc3339
from store.failovers import Failover
from store.light import Light
from store.path_mtu import PathMtu
from store.sizes import SizesRun

_BY_RUNS = (1, 2, 3, 4, 7, 16, 20, 22, 23, 24, 28, 30, 31, 33)
_BY_TRAINS = (9, 10, 11, 12, 13, 14, 15, 19, 25, 26, 32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Untested:
    """A signature that this record could not show, and why."""

    signature: Signature
    handoff: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What one handoff's record shows, by number, and what could not be tested."""

    found: tuple[Finding, ...]
    untested: tuple[Untested, ...]


def examined(material: Material) -> Examined:
    """Every detector's answer."""
    found = find(material)
    shown = {one.number for one in found}
    return Examined(found=found, untested=tuple(one for one in _untested(material, shown)))


def find(material: Material) -> tuple[Finding, ...]:
    """What the record of `material` shows, by number; empty where nothing does."""
    silences = incidents(material)
    found = [
        *rate_signs.find(material),
        *train_signs.find(material, silences),
        *outage_signs.find(material, silences),
        *way_signs.find(material),
        *show_signs.find(material),
        *name_signs.find(material),
    ]
    return tuple(sorted(_once(found), key=lambda one: (one.number, one.first_unix_ns)))


def _untested(material: Material, shown: set[int]) -> Iterator[Untested]:
    kinds = {type(one) for one in material.documents}
    lacks: list[tuple[bool, tuple[int, ...], str]] = [
        (not material.runs, _BY_RUNS, "no rate run is on record in this time"),
        (not material.cells, _BY_TRAINS, "no train is on record in this time"),
        (not material.others, (21,), "no rate run of another handoff is on record in this time"),
        (SizesRun not in kinds, (5,), "no size sweep is on record in this time"),
        (Light not in kinds, (17, 34), "no reading of an optic is on record in this time"),
        (PathMtu not in kinds, (18,), "no search for the path MTU is on record in this time"),
        (Failover not in kinds, (35,), "no failover exercise is on record in this time"),
        (not material.marks, (27,), "the house's own list names no time of this span"),
    ]
    found = {number: why for lacking, numbers, why in lacks if lacking for number in numbers}
    if (why := name_signs.why_untested(material)) is not None:
        found[29] = why
    for number, why in sorted(found.items()):
        if number not in shown:
            yield Untested(signature=signature(number), handoff=material.handoff.name, why=why)


def _once(found: list[Finding]) -> list[Finding]:
    """Random loss that something in the house explains is that; a burst run says more than one flow does."""
    numbers = {one.number for one in found}
    told = [one for one in found if not (one.number == 9 and 27 in numbers)]
    buckets = {one.direction for one in told if _has_bucket(one)}
    return [one for one in told if one.number != 6 or _has_bucket(one) or one.direction not in buckets]


def _has_bucket(one: Finding) -> bool:
    return one.number == 6 and "bucket_bytes" in dict(one.counts)


def answer(every: Iterable[Examined], *, since_ns: int, until_ns: int, invented: bool) -> dict[str, Any]:
    """The findings as one JSON object of the usual shape, with what could not be tested."""
    every = list(every)
    return {
        "kind": "findings",
        "schema": 1,
        "started": rfc3339(since_ns),
        "ended": rfc3339(until_ns),
        "standing": "valid",
        "reasons": [],
        "invented": invented,
        "findings": [as_json(one) for each in every for one in each.found],
        "not_tested": [
            {
                "number": one.signature.number,
                "name": one.signature.name,
                "handoff": one.handoff,
                "why": one.why,
            }
            for each in every
            for one in each.untested
        ],
    }
