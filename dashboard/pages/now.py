"""What the probe does at this moment, as its local door tells it, and the forms that command it.

A part of Today. Pure: the door's answer in, sentences out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from dashboard import doing
from dashboard.access import Visitor
from dashboard.api import Json
from dashboard.pages.ledger import Mark
from store.door import MINUTES_MAX, STOP_MINUTES

MARKS = {
    "stop": Mark(word="Stopped", look="bad"),
    "show": Mark(word="Show", look="firm"),
    "quiet": Mark(word="Quiet", look="unsure"),
    "maintenance": Mark(word="Works", look="unsure"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the door answered: the status, or the sentence that says why there is none."""

    status: Json | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowEntry:
    """An open window as the page says it."""

    mark: Mark
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NowPart:
    """What today.html may use of this; `answers` tells whether there are forms, which lead somewhere."""

    answers: bool
    stopped: bool
    windows: tuple[WindowEntry, ...]
    sentences: tuple[str, ...]
    handoffs: tuple[str, ...]
    token: str
    stop_minutes: int = STOP_MINUTES
    minutes_max: int = MINUTES_MAX


def part(asked: Asked, *, handoffs: tuple[str, ...], visitor: Visitor | None, where: tzinfo) -> NowPart:
    """The part as `visitor` sees it: who may not operate sees no form."""
    token, operates = (visitor.token, visitor.operates) if visitor else ("", False)
    status = asked.status
    if status is None:
        why = f"{asked.why[:1].upper()}{asked.why[1:]}."
        sentences = (why, "Nothing can be stopped, resumed or opened from here.")
        return NowPart(
            answers=False, stopped=False, windows=(), sentences=sentences, handoffs=handoffs, token=token
        )
    windows = tuple(WindowEntry(mark=MARKS[one.kind], text=one.text) for one in doing.windows(status, where))
    return NowPart(
        answers=operates,
        stopped=any(one["window"] == "stop" for one in status["windows"]),
        windows=windows,
        sentences=tuple(doing.sentences(status, where)),
        handoffs=handoffs,
        token=token,
    )
