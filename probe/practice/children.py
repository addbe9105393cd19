"""Child processes that never outlive their parent, each in a process group of its own.

A child gets SIGTERM when its parent dies, even by SIGKILL, and has a group of its own, so that a Ctrl-C
in the terminal reaches the parent alone, which then ends the children in its own order. Linux only
(prctl). Imports the clock only.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from typing import IO

from store.clock import NS_PER_S, Clock

_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_LIBC = ctypes.CDLL(None)


def start(
    command: Sequence[str],
    *,
    stdin: int | None = subprocess.DEVNULL,
    stdout: int | IO[bytes] | None = None,
    stderr: int | IO[bytes] | None = None,
    env: Mapping[str, str] | None = None,
) -> subprocess.Popen[bytes]:
    """Start `command` on a leash. Call it from the main thread: the leash is tied to the calling thread."""
    parent = os.getpid()

    def leash() -> None:
        _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:  # it died in between, so nobody would tell us
            os._exit(1)

    return subprocess.Popen(  # noqa: S603 - every caller passes its own program
        command,
        stdin=stdin,
        stdout=stdout,
        stderr=stderr,
        env=env,
        bufsize=0,
        process_group=0,
        preexec_fn=leash,
    )


def end(children: Sequence[subprocess.Popen[bytes]], *, within_s: float, clock: Clock) -> None:
    """Ask all of them to end at once, and kill what is still there after `within_s`, offspring included.

    Their pipes are closed then.
    """
    deadline_ns = clock.monotonic_ns() + round(within_s * NS_PER_S)
    for child in children:
        if child.poll() is None:
            child.terminate()
    for child in children:
        left_s = max(0, deadline_ns - clock.monotonic_ns()) / NS_PER_S
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(left_s)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)  # what the child itself may have left behind
        child.wait()
        for pipe in filter(None, (child.stdin, child.stdout, child.stderr)):
            pipe.close()
