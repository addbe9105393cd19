"""What a person had the probe do besides its schedule, in words, for the record. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.records import Document, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedFor(Document):
    """Something that a person asked for at `started_unix_ns` and that was taken on."""

    kind: ClassVar[str] = "asked for"
    meaning: ClassVar[str] = (
        "What a person had the probe do besides its schedule: a run, the end of one, another site file. A "
        "run that came of it has a record of its own."
    )
    what: Annotated[str, Says(meaning="what was asked for, in words")]
    why: Annotated[str, Says(meaning="where it was asked for, and by whom where one logs in")]
