"""Tickets: what a provider was told and when, as somebody typed it in.

Records are never changed, so what becomes known later (the closing, a promise) is another record with the
same reference; `current` puts them together. Imports records.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

from store.records import Document, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketNote(Document):
    """What was known of a ticket at `started_unix_ns`; a field that is None was not said then."""

    kind: ClassVar[str] = "ticket"
    meaning: ClassVar[str] = (
        "What was typed in of a report to the provider: its reference, when it was opened and closed, what "
        "was promised. Later notes with the same reference add to earlier ones."
    )
    reference: Annotated[str, Says(meaning="the provider's reference of the report")]
    opened_unix_ns: Annotated[int | None, Says(meaning="when it was opened", unit="ns since 1970, UTC")] = (
        None
    )
    closed_unix_ns: Annotated[
        int | None, Says(meaning="when the provider closed it", unit="ns since 1970, UTC")
    ] = None
    promised_unix_ns: Annotated[
        int | None, Says(meaning="by when the provider promised a repair", unit="ns since 1970, UTC")
    ] = None
    says: Annotated[str | None, Says(meaning="what was said, in somebody's words")] = None


def current(notes: Iterable[TicketNote]) -> tuple[TicketNote, ...]:
    """One note for each handoff and reference with the newest word on each field, in the order of opening."""
    found: dict[tuple[str, str], TicketNote] = {}
    for note in sorted(notes, key=lambda each: each.started_unix_ns):
        key = (note.handoff, note.reference)
        before = found.get(key, note)
        found[key] = replace(
            note,
            opened_unix_ns=note.opened_unix_ns if note.opened_unix_ns is not None else before.opened_unix_ns,
            closed_unix_ns=note.closed_unix_ns if note.closed_unix_ns is not None else before.closed_unix_ns,
            promised_unix_ns=(
                note.promised_unix_ns if note.promised_unix_ns is not None else before.promised_unix_ns
            ),
            says=note.says or before.says,
        )
    return tuple(sorted(found.values(), key=lambda each: each.opened_unix_ns or 0))
