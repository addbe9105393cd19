"""All findings of one handoff's record: every detector of signatures, in the order of their numbers.

What one finding explains is not told again by another. Pure. Imports the detectors.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dashboard.judge import outage_signs, rate_signs, show_signs, train_signs, way_signs
from dashboard.judge.finding import Finding, as_json
from dashboard.judge.incidents import incidents
from dashboard.judge.material import Material
from dashboard.judge.signatures import SIGNATURES
from store.clock import rfc3339


def find(material: Material) -> tuple[Finding, ...]:
    """What the record of `material` shows, by number; empty where nothing does."""
    silences = incidents(material)
    found = [
        *rate_signs.find(material),
        *train_signs.find(material, silences),
        *outage_signs.find(material, silences),
        *way_signs.find(material),
        *show_signs.find(material),
    ]
    return tuple(sorted(_once(found), key=lambda one: (one.number, one.first_unix_ns)))


def _once(found: list[Finding]) -> list[Finding]:
    """Random loss that something in the house explains is that; a burst run says more than one flow does."""
    numbers = {one.number for one in found}
    told = [one for one in found if not (one.number == 9 and 27 in numbers)]
    buckets = {one.direction for one in told if _has_bucket(one)}
    return [one for one in told if one.number != 6 or _has_bucket(one) or one.direction not in buckets]


def _has_bucket(one: Finding) -> bool:
    return one.number == 6 and "bucket_bytes" in dict(one.counts)


def answer(found: Iterable[Finding], *, since_ns: int, until_ns: int, invented: bool) -> dict[str, Any]:
    """The findings as one JSON object of the usual shape, with what no record can show."""
    return {
        "kind": "findings",
        "schema": 1,
        "started": rfc3339(since_ns),
        "ended": rfc3339(until_ns),
        "standing": "valid",
        "reasons": [],
        "invented": invented,
        "findings": [as_json(one) for one in found],
        "not_looked_for": [{"number": row.number, "name": row.name} for row in SIGNATURES if not row.judged],
    }
