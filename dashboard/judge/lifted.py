"""Verdicts with each of their rules, and without it: what a rule left out, and what would be found else.

For every verdict but those on rates, whose ledger is `exclusions`. A rule is lifted from the records, so the
judge of the house judges both; the verdict of the house is the one with every rule, the others are shown,
never used. Pure. Imports evidence and records.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from typing import Any, TypeVar, get_args, get_type_hints

from dashboard.judge import evidence
from store.records import REASONS, Limit

T = TypeVar("T")

_NOT_THE_LINE = {f"{limit}_limit" for limit in (Limit.PORT, Limit.PROBE, Limit.ENDPOINT, Limit.WINDOW)}
_TELLS = {"reasons", "limited_by", "at_most_up_goodput_bps", "at_most_down_goodput_bps"}
MEANINGS = {
    **{code: sentence for code, (_, sentence) in REASONS.items()},
    evidence.BOTH_AT_ONCE: "both directions ran at once, and runs of one direction alone are there",
    "works": "announced works of the provider excuse an outage, as far as the contract has it",
    "house": "while the house's own endpoint was not reached either, it is the house's outage",
    "one_endpoint": "an outage of the line must be seen towards every endpoint outside",
    "outages": "minutes in outages count for availability, not for delay and loss",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A verdict's word, and the sentence that says why."""

    word: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One rule of a verdict: what it left out, in words, and the verdict without it."""

    code: str
    meaning: str
    left_out: str
    without: Outcome
    changes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """One verdict with every rule, and without each. `bare` is the one with none of them."""

    about: str
    outcome: Outcome
    rules: tuple[Effect, ...]
    bare: Outcome

    @property
    def because(self) -> str:
        """What the rules did, in a sentence."""
        if not self.rules:
            return f"{self.about}: {self.outcome.word}; no rule left anything out."
        changing = [f"{rule.code} ({rule.without.word})" for rule in self.rules if rule.changes]
        if not changing:
            return f"{self.about}: {self.outcome.word}, and without any single one of its rules the same."
        return (
            f"{self.about}: {self.outcome.word}; without a rule it would be another: {', '.join(changing)}."
        )


def effects(about: str, left_out: Mapping[str, str], judged: Callable[[Collection[str]], Outcome]) -> Effects:
    """A verdict and its rules. `left_out` says by code what each left out, `judged` judges without some."""
    whole = judged(())
    rules = []
    for code, what in left_out.items():
        without = judged((code,))
        rules.append(
            Effect(
                code=code,
                meaning=MEANINGS[code],
                left_out=what,
                without=without,
                changes=without.word != whole.word,
            )
        )
    return Effects(
        about=about,
        outcome=whole,
        rules=tuple(rules),
        bare=judged(tuple(left_out)) if len(rules) != 1 else rules[0].without,
    )


def codes_of(records: Iterable[object]) -> Counter[str]:
    """How many records each rule of evidence leaves out, those of parts of a record counted with it."""
    return Counter(code for record in records for code in set(_codes(record)))


def lifted(record: T, codes: Collection[str]) -> T:
    """The record as if these rules left nothing out; its parts likewise."""
    changes = {}
    for name in _telling(_kind(record)):
        value = getattr(record, name)
        new = _lifted_field(name, value, codes)
        if new != value:
            changes[name] = new
    return replace(record, **changes) if changes else record  # type: ignore[type-var]


def _lifted_field(name: str, value: Any, codes: Collection[str]) -> Any:
    match name:
        case "reasons":
            return tuple(code for code in value if code not in codes)
        case "limited_by":
            return Limit.PATH if f"{value}_limit" in _NOT_THE_LINE and f"{value}_limit" in codes else value
        case "at_most_up_goodput_bps" | "at_most_down_goodput_bps":
            return None if evidence.LIGHT in codes else value
    return tuple(lifted(each, codes) for each in value) if isinstance(value, tuple) else lifted(value, codes)


def _codes(record: object) -> Iterator[str]:
    for name in _telling(_kind(record)):
        value = getattr(record, name)
        match name:
            case "reasons":
                yield from evidence.why_not(value)
                yield from {evidence.ASKED}.intersection(value)
            case "limited_by":
                yield from {f"{value}_limit"} & _NOT_THE_LINE
            case "at_most_up_goodput_bps" | "at_most_down_goodput_bps":
                yield from () if value is None else (evidence.LIGHT,)
            case _:
                for part in value if isinstance(value, tuple) else (value,):
                    yield from _codes(part)


def _kind(record: object) -> Any:
    return type(record)


@cache
def _telling(kind: type) -> tuple[str, ...]:
    """The fields of a class of record that say what left one out, or have parts that do."""
    if not is_dataclass(kind):
        return ()
    hints = get_type_hints(kind)
    return tuple(
        each.name
        for each in fields(kind)
        if each.name in _TELLS or any(_telling(part) for part in _classes(hints[each.name]))
    )


def _classes(hint: Any) -> Iterator[type]:
    """The classes that a hint names, itself or within tuples and alternatives."""
    if isinstance(hint, type):
        yield hint
    for inner in get_args(hint):
        yield from _classes(inner)
