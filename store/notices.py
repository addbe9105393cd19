"""Notices: what became of the one message about a case on one channel.

Each change is a record of its own, so that a restart neither loses a message nor repeats one: the newest of
a message says how it stands. Imports records and cases.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.cases import Case
from store.records import Document, Says


class NoticeState(StrEnum):
    """How a message stands."""

    QUEUED = "queued"
    DELIVERED = "delivered"
    FAILED = "failed"  # given up


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice(Document):
    """A message about a case, as it stood at `started_unix_ns`. `handoff` is that of the case."""

    kind: ClassVar[str] = "notice"
    meaning: ClassVar[str] = "A message about a case: queued, delivered, or given up."
    channel: Annotated[str, Says(meaning="where it goes, by its name in the site file")]
    subject: Annotated[str, Says(meaning="what the case is about: line or measuring")]
    case_unix_ns: Annotated[int, Says(meaning="when the case began, as it was known then")]
    queued_unix_ns: Annotated[int, Says(meaning="when the message was queued")]
    state: Annotated[NoticeState, Says(meaning="how it stands: queued, delivered, failed")]
    says: Annotated[str, Says(meaning="what the case said when it was queued")]
    tries: Annotated[int, Says(meaning="how often it was tried to deliver it", unit="tries")] = 0
    why: Annotated[str | None, Says(meaning="why the last try failed")] = None

    @property
    def id(self) -> str:
        """The name of the message, the same for each try."""
        return f"{self.channel}-{self.handoff or 'all'}-{self.subject}-{self.case_unix_ns}"


def about(case: Case, notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """The messages about a case as they stand, by channel.

    A case is known by what it is about and by when: its beginning moves when an event is told late.
    """
    found: dict[tuple[str, int], Notice] = {}
    for notice in notices:
        same = notice.subject == case.subject and (
            "" in (notice.handoff, case.handoff) or notice.handoff == case.handoff
        )
        if same and case.started_unix_ns <= notice.case_unix_ns <= case.last_unix_ns:
            key = notice.channel, notice.queued_unix_ns
            if key not in found or found[key].started_unix_ns <= notice.started_unix_ns:
                found[key] = notice
    return tuple(found[key] for key in sorted(found))
