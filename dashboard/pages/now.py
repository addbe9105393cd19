"""What the probe does at this moment, as its local door tells it, and the forms that command it.

A part of Today. Pure: the door's answer in, sentences out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from dashboard.api import Json
from dashboard.pages.ledger import Mark
from dashboard.pages.wording import counted
from store.door import MINUTES_MAX, STOP_MINUTES

MARKS = {
    "stop": Mark(word="Stopped", look="bad"),
    "show": Mark(word="Show", look="firm"),
    "quiet": Mark(word="Quiet", look="unsure"),
    "maintenance": Mark(word="Works", look="unsure"),
}
OPENERS = {"person": "Opened at once", "upload": "Opened by itself"}  # any other by the site file's hours


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
    """What today.html may use of this; `answers` tells whether the forms lead anywhere."""

    answers: bool
    stopped: bool
    windows: tuple[WindowEntry, ...]
    sentences: tuple[str, ...]
    handoffs: tuple[str, ...]
    token: str
    stop_minutes: int = STOP_MINUTES
    minutes_max: int = MINUTES_MAX


def part(asked: Asked, *, handoffs: tuple[str, ...], token: str, where: tzinfo) -> NowPart:
    """The part as the page says it; `token` goes into every form."""
    status = asked.status
    if status is None:
        why = f"{asked.why[:1].upper()}{asked.why[1:]}."
        sentences = (why, "Nothing can be stopped, resumed or opened from here.")
        return NowPart(
            answers=False, stopped=False, windows=(), sentences=sentences, handoffs=handoffs, token=token
        )
    windows = tuple(_window(one, where) for one in status["windows"])
    return NowPart(
        answers=True,
        stopped=any(one["window"] == "stop" for one in status["windows"]),
        windows=windows,
        sentences=tuple(_sentences(status, where)),
        handoffs=handoffs,
        token=token,
    )


def _window(one: dict[str, Any], where: tzinfo) -> WindowEntry:
    until = f" until {_clock(one['ends'], where)}" if one["ends"] else ", until it is closed"
    since = f"since {_clock(one['opened'], where)}"
    if one["window"] == "stop":
        text = f"All tests are stopped {since}{until}: {one['why']}."
    else:
        on = f"on handoff {one['handoff']}" if one["handoff"] else "on all handoffs"
        notice = f", {one['reference']}" if one["reference"] else ""
        what = OPENERS.get(one["opener"], one["name"])
        text = f"{what} {on}, {since}{until}: {one['why']}{notice}."
    return WindowEntry(mark=MARKS[one["window"]], text=text)


def _sentences(status: Json, where: tzinfo) -> Iterator[str]:
    if status["refused"]:
        yield f"A changed site file was refused, and the old one holds: {status['refused']}."
    if status["trouble"]:
        yield f"Measuring goes on in memory: {status['trouble']}."
    for run in status["running"]:
        yield f"A run {run['direction']} on handoff {run['handoff']} is under way."
    going = sum(train["state"] in ("begun", "going") for train in status["trains"])
    yield f"{counted(going, 'train')} of {len(status['trains'])} under way."
    if status["next"]:
        first = status["next"][0]
        planned = _clock(first["planned"], where)
        yield f"The next run is due at {planned}, {first['direction']} on handoff {first['handoff']}."
    for budget in status["budgets"]:
        yield from (f"{said[:1].upper()}{said[1:]}." for said in budget["said"])


def _clock(moment: str, where: tzinfo) -> str:
    """An RFC 3339 moment on the site's clocks, with its day."""
    return f"{datetime.fromisoformat(moment).astimezone(where):%a %H:%M}"
