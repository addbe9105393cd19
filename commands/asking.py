"""What is asked of the running probe: status, stop, window."""

from __future__ import annotations

import argparse
from typing import Any

from commands import answering
from store import door
from store import site as sites
from store.clock import Clock
from store.errors import NotRunning
from store.records import Failed, Owner


def status(options: argparse.Namespace) -> int:
    from dashboard import doing

    database = sites.database_of(options.site)  # a mistake elsewhere in the file must not hide what runs
    try:
        answer = answering.finish(lambda: door.ask(database, door.Act.STATUS))
    except NotRunning as trouble:
        now_ns = Clock().unix_ns()
        failed = Failed(what="status", why=str(trouble), whose=Owner.HOUSE, started_unix_ns=now_ns)
        return answering.failed(failed, as_json=options.json)
    answering.print_json(answer) if options.json else print(doing.said(answer))
    return 0


def stop(options: argparse.Namespace) -> int:
    asked = {} if options.resume else {"minutes": options.minutes}
    return _knock(options, door.Act.RESUME if options.resume else door.Act.STOP, asked)


def window(options: argparse.Namespace) -> int:
    asked: dict[str, Any] = {"open": options.opens}
    if options.handoff is not None:
        asked["handoff"] = options.handoff
    if options.opens and options.minutes is not None:
        asked["minutes"] = options.minutes
    return _knock(options, door.Act.SHOW, asked)


def _knock(options: argparse.Namespace, act: door.Act, asked: dict[str, Any]) -> int:
    """Ask the running probe for something, and say what became of it."""
    database = sites.database_of(options.site)  # a mistake elsewhere in the file must not keep a stop away
    answer = answering.finish(lambda: door.ask(database, act, asked | {"why": "asked for by command"}))
    answering.print_json(answer) if options.json else print(door.said(answer))
    return 0
