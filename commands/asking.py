"""What is asked of the running probe: status, stop, window."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from commands import answering
from store import door
from store import site as sites
from store.clock import Clock
from store.errors import NotRunning
from store.records import Failed, Owner


def status(options: argparse.Namespace) -> int:
    from dashboard import doing

    return _knock(options, "status", door.Act.STATUS, None, said=doing.said)


def stop(options: argparse.Namespace) -> int:
    asked = {} if options.resume else {"minutes": options.minutes}
    return _knock(options, "stop", door.Act.RESUME if options.resume else door.Act.STOP, asked)


def window(options: argparse.Namespace) -> int:
    asked: dict[str, Any] = {"open": options.opens}
    if options.handoff is not None:
        asked["handoff"] = options.handoff
    if options.opens and options.minutes is not None:
        asked["minutes"] = options.minutes
    return _knock(options, "window", door.Act.SHOW, asked)


def _knock(
    options: argparse.Namespace,
    what: str,
    act: door.Act,
    asked: dict[str, Any] | None,
    *,
    said: Callable[[dict[str, Any]], str] = door.said,
) -> int:
    """Ask the running probe for something, and say what became of it."""
    database = sites.database_of(options.site)  # a mistake elsewhere in the file must not keep a stop away
    told = None if asked is None else asked | {"why": "asked for by command"}
    try:
        answer = answering.finish(lambda: door.ask(database, act, told))
    except NotRunning as trouble:
        now_ns = Clock().unix_ns()
        failed = Failed(what=what, why=str(trouble), whose=Owner.HOUSE, started_unix_ns=now_ns)
        return answering.failed(failed, as_json=options.json)
    answering.print_json(answer) if options.json else print(said(answer))
    return 0
