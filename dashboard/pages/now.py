"""What the probe does at this moment, as its local door tells it, and the forms that command it.

A part of Today. Pure: the door's answer in, sentences out.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime, tzinfo

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
class RunNow:
    """A run or a check under way: what it is, its newest sentence, how many of its seconds have passed.

    `name` tells it from the others of the page.
    """

    name: str
    handoff: str
    what: str
    text: str
    said: str
    done_s: int
    seconds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NowPart:
    """What today.html may use of this; `answers` tells whether there are forms, which lead somewhere."""

    answers: bool
    stopped: bool
    windows: tuple[WindowEntry, ...]
    runs: tuple[RunNow, ...]
    waiting: tuple[str, ...]  # what somebody asked for and has not begun
    key: str
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
            answers=False,
            stopped=False,
            windows=(),
            runs=(),
            waiting=(),
            key="none",
            sentences=sentences,
            handoffs=handoffs,
            token=token,
        )
    windows = tuple(WindowEntry(mark=MARKS[one.kind], text=one.text) for one in doing.windows(status, where))
    return NowPart(
        answers=operates,
        stopped=any(one["window"] == "stop" for one in status["windows"]),
        windows=windows,
        runs=runs(status, where),
        waiting=tuple(doing.not_begun(status)),
        key=key(status),
        sentences=tuple(doing.sentences(status, where, runs=False)),
        handoffs=handoffs,
        token=token,
    )


def runs(status: Json, where: tzinfo) -> tuple[RunNow, ...]:
    """The runs under way, and the check before a show."""
    made = [_run(one, status, text=doing.run_sentence(one, status, where)) for one in status["running"]]
    for one in status.get("checks", ()):  # an older probe tells none
        made.append(_run(one, status, text=doing.check_sentence(one, status, where), check=True))
    return tuple(made)


def _run(one: Json, status: Json, *, text: str, check: bool = False) -> RunNow:
    began, at = (datetime.fromisoformat(one_of) for one_of in (one["started"], status["now"]))
    done_s = max(0, int((at - began).total_seconds()))
    said = (one.get("progress") or "under way").removesuffix(".")
    return RunNow(
        name=f"check of {one['plan']}" if check else one["handoff"],
        handoff=one["handoff"],
        what="Check" if check else "Run",
        text=text,
        said=f"{said[:1].upper()}{said[1:]}; begun {done_s} s ago.",
        done_s=done_s,
        seconds=round(one["seconds"]),
    )


def key(status: Json) -> str:
    """Changes when a run, a window or what waits begins or ends, and with nothing else."""
    going = [(one["handoff"], one["started"]) for one in status["running"]]
    going += [(one["plan"], one["started"]) for one in status.get("checks", ())]
    open_ = [(one["name"], one["opened"]) for one in status["windows"]]
    said = json.dumps([going, open_, len(status.get("asked", ()))])
    return hashlib.sha256(said.encode()).hexdigest()[:12]
