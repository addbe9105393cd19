"""The verdict on one row of an acceptance sheet, and how a figure is held against a limit.

A figure nearer to its limit than the method's error is undecided: 98 % known to 1 % says nothing of 98 %.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from dashboard.judge import sampling
from dashboard.judge.acceptance_rows import BY_ID
from dashboard.judge.verdict import Word
from store.records import Owner

_WORST = (Word.NOT_MET, Word.UNDECIDED, Word.NOT_TESTED, Word.MET)
_ENOUGH = 0.95  # of the time that a row asks for; a run loses some of it to start-up


@dataclass(frozen=True, slots=True, kw_only=True)
class RowVerdict:
    """A row: its word and why, the limit, what was found, and how far off that may be, as texts.

    `started_unix_ns` is the record's that decides, None without one; `typed` says that a person answered.
    `owner` must act where it is not met. Where a row does not apply, `applies` is false.
    """

    row: str
    word: Word
    because: str
    limit: str = ""
    found: str = ""
    error: str = ""
    started_unix_ns: int | None = None
    typed: bool = False
    applies: bool = True
    owner: Owner = Owner.PROVIDER


def at_least(found: float, limit: float, *, error: float) -> Word:
    """Whether `found`, known to `error` either way, reaches `limit`."""
    if found - error >= limit:
        return Word.MET
    return Word.NOT_MET if found + error < limit else Word.UNDECIDED


def at_most(found: float, limit: float, *, error: float) -> Word:
    """Whether `found`, known to `error` either way, stays within `limit`."""
    if found + error <= limit:
        return Word.MET
    return Word.NOT_MET if found - error > limit else Word.UNDECIDED


def loss_within(lost: int, sent: int, limit: float) -> Word:
    """Whether a loss of `lost` among `sent` supports "at most `limit`", by exact bounds at 95 %."""
    if not sent:
        return Word.NOT_TESTED
    if sampling.upper_bound(lost, sent) <= limit:
        return Word.MET
    return Word.NOT_MET if sampling.lower_bound(lost, sent) > limit else Word.UNDECIDED


def worst(words: Iterable[Word]) -> Word:
    """One that is not met makes the whole so; NOT_TESTED for none."""
    found = set(words)
    return next((word for word in _WORST if word in found), Word.NOT_TESTED)


def untested(row: str, because: str) -> RowVerdict:
    """A row of which there is nothing to judge."""
    return RowVerdict(row=row, word=Word.NOT_TESTED, because=because)


def long_enough(verdict: RowVerdict, seconds: float) -> RowVerdict:
    """A record shorter than its row asks for can miss a limit, but not show that it is kept."""
    asked = BY_ID[verdict.row].seconds
    if verdict.word is not Word.MET or whole(verdict.row, seconds):
        return verdict
    because = f"{verdict.because} It lasted {lasted(seconds)}, and the sheet asks for {lasted(asked)}."
    return replace(verdict, word=Word.UNDECIDED, because=because)


def whole(row: str, seconds: float) -> bool:
    """Whether a record lasted as long as its row asks for."""
    return seconds >= _ENOUGH * BY_ID[row].seconds


def lasted(seconds: float) -> str:
    """``60 s``, ``15 min``, ``24 h``."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def percent(ratio: float) -> str:
    """A share to a tenth of a percent, finer where it is below one."""
    share = ratio * 100
    return f"{share:.1f} %" if share >= 1 or not share else f"{share:.3g} %"


def and_(words: Sequence[str]) -> str:
    """``A``, ``A and B``, ``A, B and C``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
