"""The exclusions ledger: what each rule left out of a rate verdict, and the verdict without that rule.

A reader who suspects that runs were left out to suit may see what each of them would have changed. The
verdict of the house is the one with every rule; the others are shown, never used. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dashboard.judge import evidence
from dashboard.judge.contract import Sample
from dashboard.judge.verdict import RateVerdict
from store.quantities import counted
from store.records import REASONS, Direction, Failed, Skipped, Standing

_BOTH = "both directions ran at once, and runs of one direction alone are there to judge by"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule: how many runs it left out, alone or beside others, and the verdict without it.

    `alone` are those that no other rule left out as well: only they enter once the rule is gone.
    """

    code: str
    meaning: str
    standing: Standing
    left_out: int
    alone: int
    without: RateVerdict
    changes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What did not enter one direction's verdict. `bare` is the verdict with no rule at all.

    `skipped` and `failed` count runs that were never made, by their sentence.
    """

    direction: Direction
    verdict: RateVerdict
    rules: tuple[Rule, ...]
    bare: RateVerdict
    skipped: tuple[tuple[str, int], ...]
    failed: tuple[tuple[str, int], ...]
    because: str


def ledger(sample: Sample, *, skipped: Sequence[Skipped] = (), failed: Sequence[Failed] = ()) -> Ledger:
    """Every rule that left out a run of the sample, and what the verdict is without it."""

    def judged(*ignoring: str) -> RateVerdict:
        return sample.verdict(skipped=skipped, failed=failed, ignoring=ignoring)

    whole = judged()
    codes = [code for code, _ in whole.excluded_why]
    counts = dict(whole.excluded_why)
    rules = []
    for code in codes:
        without = judged(code)
        rules.append(
            Rule(
                code=code,
                meaning=_BOTH if code == evidence.BOTH_AT_ONCE else REASONS[code][1],
                standing=Standing.VALID if code == evidence.BOTH_AT_ONCE else REASONS[code][0],
                left_out=counts[code],
                alone=without.n - whole.n,
                without=without,
                changes=without.word is not whole.word,
            )
        )
    return Ledger(
        direction=sample.direction,
        verdict=whole,
        rules=tuple(rules),
        bare=judged(*codes, evidence.BOTH_AT_ONCE),
        skipped=_by_why((one.what, one.why) for one in skipped),
        failed=_by_why((one.what, one.why) for one in failed),
        because=_because(whole, rules),
    )


def _by_why(found: Iterable[tuple[str, str]]) -> tuple[tuple[str, int], ...]:
    """How many were not made, by why: those of a rate run, most first."""
    return tuple(Counter(why for what, why in found if "rate" in what).most_common())


def _because(whole: RateVerdict, rules: Sequence[Rule]) -> str:
    out = whole.excluded + whole.void
    if not rules:
        return f"No run was left out by a rule; {counted(whole.n, 'run')} counted: {whole.word}."
    changing = [f"{rule.code} ({rule.without.word})" for rule in rules if rule.changes]
    if changing:
        end = f"without one of these rules the verdict would be another: {', '.join(changing)}"
    else:
        end = "without any single one of the rules the verdict would be the same"
    were = "was" if out == 1 else "were"
    return f"{counted(whole.n, 'run')} counted, {out} {were} left out: {whole.word}; {end}."
