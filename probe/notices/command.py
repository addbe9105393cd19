"""A notice by a local command: no shell, the case as JSON on its standard input, a time to be done in.

It runs in a session of its own, so that whatever it started ends with it when its time is over or the probe
stops. Its output is not kept. Imports nothing but the message.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal

from probe.notices.message import Message
from store.notice_channels import Command

WITHIN_S = 30.0


async def run(message: Message, way: Command, *, within_s: float = WITHIN_S) -> str | None:
    """Run it; None when it ended with 0, else why not. Cancelled, nothing of it is left."""
    program = way.words[0]
    try:
        process = await asyncio.create_subprocess_exec(
            *way.words,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        return f"the command {program} cannot be started ({error.strerror})"
    try:
        async with asyncio.timeout(within_s):
            await process.communicate(json.dumps(message.json).encode())
    except TimeoutError:
        return f"the command {program} had not ended after {within_s:g} s and was ended"
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            await process.wait()
    code = process.returncode
    return None if code == 0 else f"the command {program} ended with {code}"
