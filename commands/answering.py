"""How a command speaks, and how it puts on record what it found. Imports store."""

from __future__ import annotations

import asyncio
import difflib
import json
import signal
import sys
from collections.abc import Callable, Coroutine, Sequence
from datetime import date, datetime
from typing import Any, TypeVar

from commands.exits import EXIT_FAILED as EXIT_FAILED
from commands.exits import EXIT_STOPPED as EXIT_STOPPED
from store.clock import Clock
from store.errors import LinebookError, UserMistake
from store.records import Document, Failed
from store.site import Handoff, Site, StreamPlan

T = TypeVar("T")


def print_json(found: dict[str, Any]) -> None:
    print(json.dumps(found))


def say(line: str) -> None:
    """Progress, which is no result."""
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()


def finish(work: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """What `work` returns, in an event loop of its own."""
    return asyncio.run(work())


def unless_terminated(work: Callable[[], Coroutine[Any, Any, T]]) -> T | None:
    """What `work` returns; None when SIGINT or SIGTERM cancelled it."""

    async def run() -> T | None:
        task = asyncio.create_task(work(), name="linebook")
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
        try:
            return await task
        except asyncio.CancelledError:
            return None

    return asyncio.run(run())


def failed(found: Failed, *, as_json: bool) -> int:
    """Say why a measurement failed, which is a result; the exit code."""
    from store.jsonform import failed_json

    if as_json:
        print_json(failed_json(found))
    say(f"{found.what} failed: {found.why} (owner: {found.whose})")
    return EXIT_FAILED


def near(word: str, known: Sequence[str]) -> str:
    """The end of a sentence about a name that is not there."""
    found = difflib.get_close_matches(word, known, n=1)
    return f"; did you mean {found[0]!r}?" if found else f"; it has {', '.join(known) or 'none'}"


def stream_plan(site: Site, name: str) -> StreamPlan:
    """The stream plan of this name. Raises UserMistake that names the option."""
    plans = {plan.name: plan for plan in site.plans}
    if name not in plans:
        raise UserMistake(f"--plan: {site.file} has no plan {name!r}{near(name, list(plans))}")
    return plans[name]


def handoff_named(site: Site, name: str | None, *, option: str = "--handoff") -> Handoff:
    """The handoff of this name, or the only one. Raises UserMistake that names the option."""
    names = [one.name for one in site.handoffs]
    if name is None and len(names) > 1:
        raise UserMistake(f"{option}: {site.file} has several; name one of {', '.join(names)}")
    if name is not None and name not in names:
        raise UserMistake(f"{option}: {site.file} has no handoff {name!r}{near(name, names)}")
    return site.handoff(name or names[0])


def handoffs_named(site: Site, name: str | None) -> tuple[Handoff, ...]:
    """The handoff of this name alone, or every one."""
    return site.handoffs if name is None else (handoff_named(site, name),)


def in_order(first: date | datetime | None, last: date | datetime | None) -> None:
    """Raises UserMistake where --from is later than --to."""
    if first is not None and last is not None and last < first:
        raise UserMistake(f"--to: {last} is before --from {first}; name the later one")


def put_on_record(site: Site, found: Document) -> bool:
    """Hand a record to the probe that runs, or write it. One that cannot be kept is still shown: False."""
    from store import documents, door
    from store.errors import NotRunning
    from store.writer import Writer

    asked = {
        "kind": found.kind,
        "handoff": found.handoff,
        "endpoint": found.endpoint,
        "started_unix_ns": found.started_unix_ns,
        "text": documents.text_of(found),
    }
    try:
        try:
            finish(lambda: door.ask(site.database, door.Act.KEEP, asked))
        except NotRunning:
            writer = Writer.open(site.database, clock=Clock(), timezone=site.timezone)
            writer.append(found)
            writer.close()
    except LinebookError as trouble:
        say(f"Not put on record: {trouble}")
        return False
    return True
