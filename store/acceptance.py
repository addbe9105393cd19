"""What people answer and decide while a handoff is accepted; what was measured has records of its own.

A later note about the same thing takes the place of an earlier one, which stays on record. Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.records import Document, Says


class About(StrEnum):
    """What a note is about."""

    SAFETY = "safety"  # a question to be answered before anything is filled or pulled
    ROW = "row"  # a row of the sheet that no method measures, or none could
    DEFECT = "defect"  # something found, in the words of whoever found it
    DECISION = "decision"


class Decision(StrEnum):
    """What the user decides about a handoff; no program does."""

    ACCEPTED = "accepted"
    WITH_DEFECTS = "accepted with defects"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptanceNote(Document):
    """One answer, defect or decision, written at `started_unix_ns`."""

    kind: ClassVar[str] = "acceptance note"
    meaning: ClassVar[str] = "What somebody answered or decided while a handoff was accepted."
    about: Annotated[About, Says(meaning="what it is about: safety, row, defect, decision")]
    of: Annotated[str, Says(meaning="which question, row or defect; empty for a decision")]
    word: Annotated[
        str,
        Says(
            meaning="safety: yes, no; row: met, not met, undecided, not tested; defect: open, mended; "
            "decision: accepted, accepted with defects, refused"
        ),
    ]
    says: Annotated[str, Says(meaning="what was seen, in their own words; may be empty")] = ""
