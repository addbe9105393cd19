"""The local door of a running probe, as the programs beside it know it: where it is, and how to knock.

A probe answers HTTP over a Unix socket beside its database; who may open that socket may command the
probe, so only its own account may. What is asked and answered is JSON::

    GET  /status
    GET  /budget
    POST /stop    {"minutes": 60}
    POST /resume  {}
    POST /keep    {"kind": "split", "handoff": "A", "started_unix_ns": 1, "text": "..."}    (store.documents)
    POST /run     {"runs": [{"handoff": "A", "direction": "up", "seconds": 10}], "confirmed": true}
    POST /check   {"plan": "P1", "before": "1h", "confirmed": true}                         before a show
    POST /end     {"handoff": "A"}                                  the run there, and those asked for
    POST /reload  {}                                                the site file is read again
    POST /show    {"open": true, "handoff": "A", "minutes": 90}     handoff and minutes may be left out

A refusal is ``{"kind": "error", "status", "why"}``. Imports clock and errors.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from store.clock import zone
from store.errors import NotRunning, UserMistake

STOP_MINUTES = 60  # how long a stop lasts that says nothing else
MINUTES_MAX = 7 * 24 * 60  # what lasts longer belongs into the site file
ANSWER_S = 4.0  # twice what a stop may take

Json = dict[str, Any]

_ADDRESS_BYTES_MAX = 107  # of sockaddr_un.sun_path, which ends in a null byte (unix(7))
_HOST = "http://probe"  # a Unix socket has no host; HTTP wants one


class Act(StrEnum):
    """What one may ask for, as the path of it."""

    STATUS = "/status"
    STOP = "/stop"
    RESUME = "/resume"
    SHOW = "/show"
    KEEP = "/keep"
    BUDGET = "/budget"
    RUN = "/run"
    CHECK = "/check"
    END = "/end"
    RELOAD = "/reload"


def door_path(database: Path) -> Path:
    """Where the probe that writes `database` has its door."""
    return database.with_name(f"{database.name}.door")


@contextmanager
def address_of(door: Path) -> Iterator[str]:
    """The door's path as a Unix socket can have it: a path too long for one goes through its folder."""
    if len(os.fsencode(door)) <= _ADDRESS_BYTES_MAX:
        yield str(door)
        return
    folder = os.open(door.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{door.name}"
    finally:
        os.close(folder)


async def ask(
    database: Path, act: Act, asked: Mapping[str, Any] | None = None, *, within_s: float = ANSWER_S
) -> Json:
    """The probe's answer: to a POST when something is `asked`, else to a GET.

    Raises NotRunning when no probe answers, UserMistake for what it refuses and where it may not be asked.
    """
    import aiohttp  # only who knocks pays for it

    door = door_path(database)
    try:
        with address_of(door) as address:
            async with (
                aiohttp.ClientSession(
                    connector=aiohttp.UnixConnector(path=address),
                    timeout=aiohttp.ClientTimeout(total=within_s),
                ) as session,
                session.request("GET" if asked is None else "POST", f"{_HOST}{act}", json=asked) as answer,
            ):
                found: Json = json.loads(await answer.read())
    except (aiohttp.ClientError, OSError, TimeoutError, ValueError) as error:
        raise _trouble(error, database) from None
    if answer.status != 200:
        raise UserMistake(str(found.get("why", "the probe refuses this and does not say why")))
    return found


def said(answer: Json) -> str:
    """What became of an act, in sentences for a person; hours are by the site's clocks."""
    timezone = answer["timezone"]
    match answer["kind"]:
        case "stopped":
            (stop,) = (one for one in answer["windows"] if one["window"] == "stop")
            until = f"All tests are stopped until {_hour(stop['ends'], timezone)}, or until they are resumed."
            return f"{_ended(answer)} {until}"
        case "resumed":
            return "Tests go on." if answer["was_stopped"] else "Nothing was stopped; tests go on."
        case "show opened":
            ends = [one["ends"] for one in answer["windows"] if one["name"] == "show" and one["ends"]]
            until = f"{_hour(max(ends), timezone)}, or until it is closed" if ends else "it is closed"
            return f"{_ended(answer)} A show window is open: no run fills the line until {until}."
        case "taken on":
            return f"Taken on: {'; '.join(answer['taken_on'])}."
        case "ended":
            return "Ended." if answer["ended"] else "Nothing was under way."
        case "reloaded":
            return "The probe goes by the site file as it is now."
        case _:
            count = answer["closed"]
            closed = f"{count} show window{'s' * (count > 1)} closed" if count else "No show window was open"
            left = "; the hours of the site file hold as before."
            return closed + left


def _ended(answer: Json) -> str:
    """Which traffic ended."""
    parts = [f"a run {run['direction']} on handoff {run['handoff']}" for run in answer["runs"]]
    if answer["trains"]:
        parts.append(f"{answer['trains']} train{'s' * (answer['trains'] > 1)}")
    ended = f"Ended: {' and '.join(parts)}." if parts else "Nothing was under way."
    silent = answer["unanswered"]
    if not silent:
        return ended
    names = f"endpoint{'s' * (len(silent) > 1)} {', '.join(silent)}"
    return f"{ended} No answer from {names}: what was begun there ends by itself once nothing more is heard."


def _hour(moment: str, timezone: str) -> str:
    """An RFC 3339 moment on the site's clocks."""
    return f"{datetime.fromisoformat(moment).astimezone(zone(timezone)):%H:%M}"


def _trouble(error: Exception, database: Path) -> NotRunning | UserMistake:
    if isinstance(error, TimeoutError):
        return NotRunning(f"the probe on {database} does not answer")
    if getattr(error, "errno", None) in (errno.EACCES, errno.EPERM):
        return UserMistake(
            f"{door_path(database)} is closed to this account; ask as the account that the probe runs as"
        )
    if isinstance(error, OSError):
        return NotRunning(f"no probe is running on {database}, so there is nothing to ask")
    return NotRunning(f"the probe on {database} broke its answer off")
