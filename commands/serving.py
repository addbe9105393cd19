"""Commands that go on until they are stopped: practice, endpoint, probe, dashboard. And invitations."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from commands import answering
from commands.version import version
from store.clock import Clock
from store.errors import DatabaseBusy, StoreTrouble, UserMistake
from store.notify import Manager, stay_alive
from store.standby import stand_by


def practice(options: argparse.Namespace) -> int:
    if options.history:
        return _practice_history(options)
    from probe.practice import stage

    command = [sys.executable, str(Path(__file__).resolve().parent.parent / "linebook.py")]
    return stage.run(command=command, keep=options.keep, port=options.port, out=sys.stdout)


def _practice_history(options: argparse.Namespace) -> int:
    from probe.practice.history import command

    if options.keep is None:
        raise UserMistake("--history needs --keep DIR: the folder that the record is to be in")
    made = command.make(options.keep, months=options.months, say=answering.say, fresh=options.json)
    if options.json:
        answering.print_json(command.as_json(made))
        return 0
    from dashboard import app
    from dashboard.listening import Listening
    from store import site as sites

    site = sites.load(made.site)
    shown, clock = command.end_of(made)
    answering.say(f"Pages as of the end of {shown}. Practice site: all of it is invented. Ctrl-C ends.")

    async def serve() -> None:
        await app.serve(
            site,
            where=Listening(port=options.port),
            clock=clock,
            ready=answering.say,
            cache=site.database.parent / "judged",
        )

    return _until_stopped(serve)


def invite(options: argparse.Namespace) -> int:
    from probe.endpoint import keys
    from probe.wire import invitation

    line = invitation.write(keys.invite(options.directory, address=options.address, name=options.name))
    answering.print_json({"kind": "invitation", "schema": 1, "invitation": line}) if options.json else print(
        line
    )
    answering.say(
        f"This line admits whoever holds it. Serve it with: linebook endpoint serve {options.directory}"
    )
    return 0


def serve(options: argparse.Namespace) -> int:
    from commands import log
    from probe.endpoint import service

    log.to_standard_error()
    clock, manager = Clock(), _manager()
    told = _told(manager)

    async def serve() -> None:
        await service.serve(options.directory, listen=options.listen, clock=clock, ready=told)

    return _until_stopped(serve, manager)


def probe(options: argparse.Namespace) -> int:
    from commands import log
    from probe import running
    from store import site as sites
    from store.writer import Writer

    site = sites.load(options.site)
    clock, manager, ours = Clock(), _manager(), version()
    log.to_standard_error()
    anew = f"{site.database} is brought up to this version and time zone; measuring begins after that"
    try:
        with manager.starting(anew, tell=answering.say):
            writer = Writer.open(site.database, clock=clock, timezone=site.timezone)
    except DatabaseBusy as busy:  # no mistake that only a person mends: a service manager begins again
        raise StoreTrouble(str(busy)) from None
    try:
        return _until_stopped(
            lambda: running.run(site, clock=clock, writer=writer, manager=manager, version=ours)
        )
    finally:
        writer.close()


def dashboard(options: argparse.Namespace) -> int:
    from commands import log
    from dashboard import app, on_disk
    from dashboard.listening import Listening
    from store import site as sites

    log.to_standard_error()
    where = Listening(
        host=options.host,
        port=options.port,
        names=tuple(options.name),
        certificate=options.certificate,
        key=options.key,
        proxied=options.behind_proxy,
        login=options.ask_login,
    )
    how = f"linebook login {options.site} NAME --role operate"
    site, manager = sites.load(options.site), _manager()
    told = _told(manager)

    async def serve() -> None:
        await app.serve(
            site,
            where=where,
            clock=Clock(),
            ready=told,
            how_to_login=how,
            cache=on_disk.folder_of(os.environ),
        )

    return _until_stopped(serve, manager)


def _manager() -> Manager:
    """The service manager that started this process, if one did."""
    return Manager.of(os.environ, pid=os.getpid())


def _told(manager: Manager) -> Callable[[str], None]:
    """Says a sentence, after which whoever started this may go on."""

    def tell(sentence: str) -> None:
        answering.say(sentence)
        manager.ready(sentence)

    return tell


def _until_stopped(work: Callable[[], Coroutine[Any, Any, None]], manager: Manager | None = None) -> int:
    """Run `work` until it ends, or until SIGINT or SIGTERM cancels it; 0 either way.

    With a `manager` it hears that this event loop turns, and that it ends.
    """

    async def run() -> None:
        await stand_by()
        task = asyncio.create_task(work(), name="linebook")
        alive = None if manager is None else asyncio.create_task(stay_alive(manager), name="watchdog")
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
        try:
            with contextlib.suppress(asyncio.CancelledError):
                await task
        finally:
            if manager is not None and alive is not None:
                manager.stopping()
                alive.cancel()

    asyncio.run(run())
    return 0
