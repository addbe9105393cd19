"""A process of its own that judges what takes long, at the lowest priority, so that no page waits behind it.

It is started when first needed and ends with the dashboard. A question and its answer go behind their length,
as `dashboard.values` writes them. It only reads the record, with a reader of its own, and remembers what it
judged of months that are over, also on disk. Where none can be started, or it ends, a thread does its work.
It is no pool of the standard library's: one of those cannot give up a question that it has begun. Imports
the slow pages.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sqlite3
import struct
import sys
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import IO, Any

from dashboard import slow, values
from dashboard.on_disk import OnDisk
from dashboard.past import Past
from dashboard.slow import Asked
from store import schema
from store.errors import DatabaseMistake, LinebookError
from store.reader import Reader, ReaderThread
from store.site import Site

log = logging.getLogger(__name__)

_PACKAGES = Path(__file__).parents[1]  # where dashboard and store lie, installed or not
_LENGTH = struct.Struct("!Q")
_NICE = 19
_FOUND, _UNREADABLE, _MISTAKEN = "found", "unreadable", "mistaken"  # what became of a question


class Beside:
    """The process, and what waits for it: a reader's question goes before what nobody asked for yet."""

    def __init__(self, database: Path, *, cache: Path | None = None) -> None:
        self._database, self._cache = database, cache
        self._process: asyncio.subprocess.Process | None = None
        self._thread: ReaderThread | None = None
        self._past: tuple[Site, Past] | None = None  # of the thread
        self._busy = asyncio.Lock()
        self._urgent = 0

    @property
    def pid(self) -> int | None:
        """The process's number while there is one."""
        return None if self._process is None else self._process.pid

    async def ask(self, site: Site, asked: Asked, *, now_ns: int, urgent: bool) -> Any:
        """What the slow page says at `now_ns`. Raises what judging it raises, DatabaseMistake above all."""
        self._urgent += urgent
        try:
            await self._turn(urgent)
            try:
                return await self._ask(site, asked, now_ns)
            finally:
                self._busy.release()
        finally:
            self._urgent -= urgent

    async def close(self) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            if self._process.returncode is None:
                self._process.kill()
            await self._process.wait()
        if self._thread is not None:
            await self._thread.close()

    async def _turn(self, urgent: bool) -> None:
        await self._busy.acquire()
        while self._urgent and not urgent:
            self._busy.release()
            await asyncio.sleep(_POLL_S)
            await self._busy.acquire()

    async def _ask(self, site: Site, asked: Asked, now_ns: int) -> Any:
        if self._thread is None and self._process is None:
            await self._start()
        if self._thread is None:
            question = await asyncio.to_thread(values.dumps, (values.dumps(site), asked, now_ns))
            try:
                answer = await self._exchanged(question)
            except (OSError, asyncio.IncompleteReadError) as error:
                log.warning("the process beside the pages ended why=%s", error)
                self._thread = ReaderThread(self._database)
        if self._thread is not None:
            if self._past is None or self._past[0] is not site:
                self._past = site, _past(self._cache, site)
            find = partial(slow.find, site=site, past=self._past[1], asked=asked, now_ns=now_ns)
            return await self._thread.read(find)
        how, found = await asyncio.to_thread(values.loads, answer, of=site)
        if how == _UNREADABLE:
            raise DatabaseMistake(found)
        if how == _MISTAKEN:
            raise RuntimeError(found)
        return found

    async def _exchanged(self, question: bytes) -> bytes:
        process = self._process
        assert process is not None  # noqa: S101 - started above
        assert process.stdin is not None and process.stdout is not None  # noqa: S101, PT018 - as asked for
        try:
            process.stdin.write(_LENGTH.pack(len(question)) + question)
            await process.stdin.drain()
            (length,) = _LENGTH.unpack(await process.stdout.readexactly(_LENGTH.size))
            return await process.stdout.readexactly(length)
        except asyncio.CancelledError:
            process.kill()  # its answer would be taken for the next one's
            raise

    async def _start(self) -> None:
        try:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                *("-P", "-m", "dashboard.beside", str(self._database)),
                *(() if self._cache is None else (str(self._cache),)),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                env=os.environ | {"PYTHONPATH": str(_PACKAGES)},
                start_new_session=True,  # the terminal's Ctrl-C is its parent's business
            )
        except OSError as error:
            log.warning("no process beside the pages why=%s", error)
            self._thread = ReaderThread(self._database)


_POLL_S = 0.05


def main() -> None:
    """Answer what comes on standard input until it ends."""
    with suppress(OSError):  # where the service manager forbids it
        os.nice(_NICE)
    questions, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints goes to the log
    bench = _Bench(*map(Path, sys.argv[1:]))
    while (question := _read(questions)) is not None:
        answer = bench.answer(question)
        try:
            answers.write(_LENGTH.pack(len(answer)) + answer)
            answers.flush()
        except BrokenPipeError:  # the dashboard was killed meanwhile
            with suppress(BrokenPipeError):
                answers.close()
            return


class _Bench:
    """What the process works with: its reader, the site, what it judged before."""

    def __init__(self, database: Path, cache: Path | None = None) -> None:
        self._database, self._cache = database, cache
        self._reader: Reader | None = None
        self._of: tuple[bytes, Site, Past] | None = None

    def answer(self, question: bytes) -> bytes:
        text, asked, now_ns = values.loads(question)
        if self._of is None or self._of[0] != text:
            site = values.loads(text)
            self._of = text, site, _past(self._cache, site)
        _, site, past = self._of
        try:
            found = self._find(site, past, asked, now_ns)
            return values.dumps((_FOUND, found), of=site)
        except LinebookError as trouble:
            return values.dumps((_UNREADABLE, str(trouble)))
        except Exception as mistake:
            log.exception("mistake beside the pages")
            return values.dumps((_MISTAKEN, f"judging {asked} failed: {mistake!r}"))

    def _find(self, site: Site, past: Past, asked: Asked, now_ns: int) -> Any:
        try:
            if self._reader is None:
                self._reader = Reader.open(self._database)
            return slow.find(self._reader, site=site, past=past, asked=asked, now_ns=now_ns)
        except sqlite3.Error as error:
            if self._reader is not None:
                self._reader.close()
                self._reader = None
            raise schema.unreadable(error, self._database) from None


def _past(cache: Path | None, site: Site) -> Past:
    return Past(None if cache is None else OnDisk(cache, site))


def _read(questions: IO[bytes]) -> bytes | None:
    head = questions.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    return questions.read(length)


if __name__ == "__main__":
    main()
