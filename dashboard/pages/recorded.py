"""Tables of records: the newest of them, marked where they were corrected, and how each stands.

Imports evidence, corrected, ledger and wording.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import TypeVar

from dashboard.judge import evidence
from dashboard.pages import corrected
from dashboard.pages.ledger import Cell, Heading, Table
from dashboard.pages.wording import counted
from store.corrections import Corrections
from store.records import REASONS, Document, Record

T = TypeVar("T", bound=Record)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """How a page shows records: at most so many of a kind, by this clock, with what was said against them."""

    where: tzinfo
    most: int
    corrections: Corrections

    def table(
        self,
        records: Sequence[T],
        rows: Callable[[T], Iterable[tuple[Cell, ...]]],
        *,
        caption: str,
        headings: tuple[Heading, ...],
        one: str = "run",
        note: str = "",
    ) -> Table:
        """Records given oldest first, shown newest first, each with its rows; `one` is what one is called."""
        shown = list(reversed(records))[: self.most]
        more = f"The newest {self.most} of {counted(len(records), one)}; the JSON has all of them."
        return Table(
            caption=caption,
            headings=headings,
            rows=tuple(
                corrected.marked(row, self.corrections.of(each)) for each in shown for row in rows(each)
            ),
            note=" ".join(each for each in (more if len(records) > self.most else "", note) if each),
            corrections=corrected.notes(self.corrections.among(shown), self.where),
        )


def standing(run: Document) -> str:
    """The standing and the sentences of its reasons, but for what is noted alone."""
    why = "; ".join(REASONS[reason][1] for reason in run.reasons if reason != evidence.NOTED_ONLY)
    return f"{run.standing}: {why}" if why else str(run.standing)
