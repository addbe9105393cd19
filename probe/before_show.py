"""A check before a show, as a daemon has it made: by the command of that name, in a process of its own.

A check judges what it finds, which a probe may not; so the command does it, measures, and hands what is to be
kept to the daemon's door. Here it is held to the rules of every run: a window ends it, and so does a person.
Stands above book.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Awaitable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from probe import progress
from probe.allowance import once_bytes
from probe.board import CheckNow
from probe.book import Book, placed
from probe.changing import Halted, unless
from store import before_show as stages
from store.before_show import Stage
from store.clock import NS_PER_S
from store.errors import UserMistake
from store.records import Failed, Owner
from store.site import Site

WHAT = "check before a show"

_LINEBOOK = Path(__file__).parents[1] / "linebook.py"
_LET_GO_S = 1.0  # the command ends its run at both ends first; a stop of all tests may take twice that
_GIVEN_UP_S = 900.0  # the longest takes some minutes; runs of the schedule wait for it
_LINE_BYTES = 1 << 16


class CheckMethod(Protocol):
    """Makes the check of a stream plan of a site file and keeps its answer on record; Failed says why there
    is none. Cancelled, it ends what is under way before it lets go.
    """

    def __call__(self, site: Path, plan: str, stage: Stage, /) -> Awaitable[Failed | None]: ...


@dataclass(slots=True, kw_only=True)
class Checks:
    """The checks of one daemon, one at a time; the board has the one under way."""

    book: Book
    _ended: str | None = field(default=None, init=False)  # why a person ended it

    def wanted(self, site: Site, name: str, stage: Stage, *, why: str) -> CheckNow:
        """The check of a stream plan. Raises UserMistake for a second one, and where there is no far end.

        A handoff that has a window open just now is left out by the command, which says so.
        """
        stream, now_ns = next(one for one in site.plans if one.name == name), self.book.clock.unix_ns()
        if (endpoint := stages.outside(site)) is None:
            raise UserMistake("no endpoint stands outside, so there is nothing to check against")
        if (going := self.book.board.check) is not None:
            raise UserMistake(f"a check before {going.title} is under way; wait for it, or end it first")
        capped_bps = stages.asked_bps(stages.needs_bps(stream), stage)
        names = (one.name for one in stages.uplinks(site, stream, stage))
        return CheckNow(
            plan=stages.run_plan(stream.handoff, endpoint, stage, capped_bps=capped_bps),
            stream=name,
            title=stream.title,
            stage=stage,
            handoffs=tuple(one for one in names if self.book.openings.no_run(one) is None),
            started_unix_ns=now_ns,
            asked=why,
        )

    async def make(self, now: CheckNow, site: Site, method: CheckMethod) -> None:
        """Make it, unless a window opens on one of its handoffs or somebody ends it; a failure is kept."""
        book, openings = self.book, self.book.openings
        self._ended, began_ns = None, book.clock.monotonic_ns()

        def over() -> str | None:
            return self._ended or next(filter(None, map(openings.no_run, now.handoffs)), None)

        def tell(said: str) -> None:
            book.board.check_said = said

        with book.board.checking(now), progress.heard_by(tell):
            try:
                async with asyncio.timeout(_GIVEN_UP_S):
                    found = await unless(method(site.file, now.stream, now.stage), openings.until(over))
            except TimeoutError:
                found = Halted(why=f"it had not ended after {_GIVEN_UP_S / 60:g} min, and was given up")
            except Exception as error:
                found = book.unexpected(error, what=WHAT)
        if isinstance(found, Halted):
            took_s = (book.clock.monotonic_ns() - began_ns) / NS_PER_S
            found = self._aborted(now, site, why=found.why, took_s=took_s)
        if found is not None:
            book.keep(placed(found, now.plan, started_ns=now.started_unix_ns))
            book.log.warning("check failed plan=%s why=%s", now.stream, found.why)

    def end(self, handoff: str, *, why: str) -> bool:
        """End the check under way if it has runs on this handoff, on any when the name is empty."""
        if not self.book.board.checked(handoff):
            return False
        self._ended = why
        self.book.openings.changed()
        return True

    def _aborted(self, now: CheckNow, site: Site, *, why: str, took_s: float) -> Failed:
        """What nobody counted is charged by the time it took, the whole run at most."""
        card = site.handoff(now.plan.handoff).card_at(now.started_unix_ns)
        moved = round((once_bytes(now.plan, card) or 0) * min(1.0, took_s / now.plan.seconds))
        self.book.charge(now.plan.handoff, moved, up_ratio=1.0)
        return Failed(what=WHAT, why=f"aborted: {why}", whose=Owner.HOUSE, spent_bytes=moved)


async def by_command(site: Path, plan: str, stage: Stage, /) -> Failed | None:
    """`linebook check`; what it says goes to whoever listens to this task."""
    tell = progress.listener() or (lambda _: None)
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-P", str(_LINEBOOK), "check", str(site), f"--plan={plan}", "--before", stage, "--json"),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(_LINEBOOK.parent)},
            start_new_session=True,  # a terminal's Ctrl-C is the probe's business
            limit=_LINE_BYTES,
        )
    except OSError as error:
        return Failed(what=WHAT, why=f"it could not be started: {error.strerror}", whose=Owner.HOUSE)
    last = ""
    try:
        assert process.stderr is not None  # noqa: S101 - for the type checker; we asked for a pipe
        while line := await process.stderr.readline():
            last = line.decode(errors="replace").strip().removeprefix("linebook: ") or last
            tell(last)
        code = await process.wait()
    finally:
        await _let_go(process)
    return None if code == 0 else Failed(what=WHAT, why=last or f"exit code {code}", whose=Owner.UNKNOWN)


async def _let_go(process: asyncio.subprocess.Process) -> None:
    """End the command, gently at first."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
        try:
            async with asyncio.timeout(_LET_GO_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
