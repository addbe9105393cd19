"""A bulk worker as its parent sees it: started, kept alive with beats, told things, listened to.

The one place that knows how `probe.bulk.worker` is started. Runs on the parent's event loop and
never carries payload.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

BEAT_S = 0.5  # the worker ends when it hears nothing for `probe.bulk.worker.SILENCE_S`

_PACKAGES = Path(__file__).parents[2]  # where probe and store lie, installed or not
_LINE_BYTES = 16 * 1024 * 1024  # a report carries every bin of a run

Event = dict[str, Any]


class WorkerProcess:
    """One running worker. `on_event` gets each of its events, on the event loop."""

    def __init__(self, process: asyncio.subprocess.Process, on_event: Callable[[Event], None]) -> None:
        self._process = process
        self._reading = asyncio.create_task(self._read(on_event), name=f"read bulk worker {process.pid}")
        self._beating = asyncio.create_task(self._beat(), name=f"beat bulk worker {process.pid}")

    @classmethod
    async def start(
        cls, arguments: Sequence[str], *, on_event: Callable[[Event], None], pass_fds: Sequence[int] = ()
    ) -> WorkerProcess:
        """Start ``python -m probe.bulk.worker`` with `arguments`. OSError when no process can be started.

        It gets a session of its own: the terminal's Ctrl-C is its parent's business.
        """
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-P", "-S", "-m", "probe.bulk.worker"),  # nothing from the present folder, no site packages
            *arguments,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            pass_fds=pass_fds,
            env=os.environ | {"PYTHONPATH": str(_PACKAGES)},
            start_new_session=True,
            limit=_LINE_BYTES,
        )
        return cls(process, on_event)

    @property
    def pid(self) -> int:
        return self._process.pid

    def tell(self, command: Event) -> None:
        """Send one command; a worker that is gone does not hear it."""
        stdin = self._process.stdin
        if stdin is not None and not stdin.is_closing():
            stdin.write(json.dumps(command).encode() + b"\n")

    async def ended(self) -> None:
        """Wait until the worker has ended and its last event was handed over."""
        await asyncio.shield(self._reading)
        await self._process.wait()

    async def close(self) -> None:
        """End the worker, which resets its flows, and wait until it is gone."""
        self._beating.cancel()
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        await asyncio.gather(self._beating, self._reading, return_exceptions=True)
        await self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()
            with contextlib.suppress(OSError):
                await self._process.stdin.wait_closed()

    async def _read(self, on_event: Callable[[Event], None]) -> None:
        assert self._process.stdout is not None  # noqa: S101 - for the type checker; we asked for a pipe
        while line := await self._process.stdout.readline():
            on_event(json.loads(line))

    async def _beat(self) -> None:
        while True:
            self.tell({"do": "beat"})
            await asyncio.sleep(BEAT_S)
