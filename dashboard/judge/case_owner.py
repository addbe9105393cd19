"""Who must act for a case: by where its silences were, as every placing has it, then by what its events say.

An event is told as it happens, by what the probe knows then; the parts of the way are judged when the case is
read, by who answered in the same seconds (`dashboard.judge.incidents`) and by the splits that fell into it.
Where they name somebody, that counts; the provider is never named otherwise. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dashboard.judge.incidents import Incident, owner_of
from dashboard.judge.segments import Judged, Word
from store.cases import Case, Subject
from store.cases import owner_of as owner_by
from store.clock import NS_PER_S
from store.events import EventKind
from store.records import Owner

SILENT = (EventKind.STALL, EventKind.OUTAGE_START, EventKind.OUTAGE_END)
MARGIN_NS = 60 * NS_PER_S  # an event of stalls begins with the first of its minute

_NEARER = (EventKind.CARRIER_LOST, EventKind.CARRIER_BACK)  # the port's own word is nearer than any train's


def placeable(case: Case) -> bool:
    """Whether where it lies may be asked of the parts of the way."""
    return case.subject is Subject.LINE and bool(case.of(*SILENT)) and not case.of(*_NEARER)


def placed(case: Case, silences: Sequence[Incident], splits: Sequence[Judged] = ()) -> Case:
    """The case with its owner and why; as it was where nothing was placed. Only its own are given."""
    if not placeable(case) or not (silences or splits):
        return case
    by_split = {one.owner for one in splits if one.word is Word.DECIDED and one.owner is not None}
    owner, why, counts = owner_of(silences) if silences else (Owner.UNKNOWN, "", dict[str, int]())
    named = {owner, *by_split} - {Owner.UNKNOWN}
    told = owner_by(case.of(*SILENT))
    if len(named) == 1:
        (found,) = named
        because = why if owner is found else next(one.because for one in splits if one.owner is found)
        return replace(case, owner=_with_others(case, found), why=_sentence(because))
    if named:
        both = " and ".join(sorted(map(str, named)))
        return replace(case, owner=Owner.UNKNOWN, why=f"Silences and splits name {both}, so nobody is named.")
    against = {key.removeprefix("placed_") for key in counts if key.startswith("placed_")} - {str(told)}
    if told is not Owner.UNKNOWN and not against:
        return case
    return replace(case, owner=Owner.UNKNOWN, why=_sentence(_unplaced(silences, counts)) if silences else "")


def _with_others(case: Case, found: Owner) -> Owner:
    """Nobody where an event of another kind, a port's say, names another."""
    others = owner_by(event for event in case.events if event.what not in SILENT)
    return found if others in (Owner.UNKNOWN, found) else Owner.UNKNOWN


def _unplaced(silences: Sequence[Incident], counts: dict[str, int]) -> str:
    """How many could be placed, and why most could not."""
    names = [
        f"{number} {key.removeprefix('placed_')}" for key, number in counts.items() if key != "not_placed"
    ]
    if names:
        return f"of {len(silences)} silences could be placed: {', '.join(names)}; too few, or too mixed"
    whys = [one.place.because for one in silences if one.place.because]
    most = max(set(whys), key=whys.count, default="nobody was asked meanwhile")
    return f"none of {len(silences)} silences could be placed: {most}" if len(silences) > 1 else most


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    return f"{text[:1].upper()}{text[1:]}."
