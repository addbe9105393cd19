"""The shape of a finding: what was seen, with counts, what it likely is, and who must act as far as told.

A finding never speaks of intent. Its owner follows from the record; where the record does not tell, it is
unknown, and `decides` says what would. Imports signatures and store.records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.judge.signatures import Signature, signature
from store.clock import rfc3339
from store.records import Direction, Owner

CHANCE = 0.01  # a detector that tests finds nothing in a line without the fault but this seldom, at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One signature in one handoff's record.

    `seen` is a sentence with counts, `counts` the same for programs. `owner` is None for what is told as
    information and nobody must act on. `chance` is how often a line without the fault would show as much;
    None where nothing was tested, as the records say it themselves. Times are the first and the last moment
    at which it showed.
    """

    signature: Signature
    handoff: str
    endpoint: str
    direction: Direction | None
    seen: str
    counts: tuple[tuple[str, float | int | str], ...]
    owner: Owner | None
    because: str
    decides: str
    first_unix_ns: int
    last_unix_ns: int
    chance: float | None = None
    ask: str = ""

    @property
    def number(self) -> int:
        return self.signature.number


def finding(
    number: int,
    *,
    handoff: str,
    seen: str,
    owner: Owner | None,
    because: str,
    when: tuple[int, int],
    endpoint: str = "",
    direction: Direction | None = None,
    decides: str | None = None,
    chance: float | None = None,
    ask: str | None = None,
    counts: Mapping[str, float | int | str],
) -> Finding:
    """A finding of that number; what would decide, and what to ask, are the signature's unless told."""
    row = signature(number)
    return Finding(
        signature=row,
        handoff=handoff,
        endpoint=endpoint,
        direction=direction,
        seen=seen,
        counts=tuple(counts.items()),
        owner=owner,
        because=because,
        decides=row.confirm if decides is None else decides,
        first_unix_ns=when[0],
        last_unix_ns=when[1],
        chance=chance,
        ask=row.ask if ask is None else ask,
    )


def chance_text(chance: float) -> str:
    """A chance for a person; nobody reads the powers of one that is next to nothing."""
    return f"{chance:.2g}" if chance >= 1e-6 else "one in a million"


def as_json(found: Finding) -> dict[str, Any]:
    """A finding for programs."""
    row = found.signature
    return {
        "number": row.number,
        "name": row.name,
        "handoff": found.handoff,
        "endpoint": found.endpoint or None,
        "direction": None if found.direction is None else str(found.direction),
        "seen": found.seen,
        "counts": dict(found.counts),
        "cause": row.cause,
        "confirm": found.decides,
        "owner": None if found.owner is None else str(found.owner),
        "because": found.because,
        "ask": found.ask,
        "chance": found.chance,
        "first": rfc3339(found.first_unix_ns),
        "last": rfc3339(found.last_unix_ns),
    }
