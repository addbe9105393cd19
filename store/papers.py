"""Papers that were issued: numbered, frozen as they were handed over, and never changed.

The record holds the very text, so nothing that a later version would write differently can take its place; a
month judged otherwise later is a new version, which says what changed. Of an evidence pack the record holds
the hash of its manifest. Imports records.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.records import Document, Says

STATEMENT, PACK = "statement", "evidence pack"


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedPaper(Document):
    """A paper as it was issued. `html`, `figures` (JSON) and `tables` (CSV) are None for a pack."""

    kind: ClassVar[str] = "paper"
    meaning: ClassVar[str] = "A paper that was issued, frozen as it was."
    paper: Annotated[str, Says(meaning="which paper: statement, evidence pack")]
    number: Annotated[str, Says(meaning="what it is called by, without its version")]
    version: Annotated[
        int, Says(meaning="counted from 1; a later one takes the place of those before", unit="versions")
    ]
    sha256: Annotated[
        str, Says(meaning="of the page, or of a pack's manifest, 64 hex digits", source="FIPS 180-4")
    ]
    changed: Annotated[tuple[str, ...], Says(meaning="what is otherwise than in the version before")] = ()
    html: Annotated[str | None, Says(meaning="the page, which needs nothing beside it")] = None
    figures: Annotated[str | None, Says(meaning="the same for programs, JSON")] = None
    tables: Annotated[str | None, Says(meaning="its tables, CSV")] = None

    @property
    def called(self) -> str:
        """Number and version: ``A-2026-11 v1``."""
        return f"{self.number} v{self.version}"


def newest(found: Iterable[IssuedPaper], *, paper: str, number: str) -> IssuedPaper | None:
    """The version that holds."""
    its = [one for one in found if (one.paper, one.number) == (paper, number)]
    return max(its, key=lambda one: one.version, default=None)


def sha256_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
