"""The processes that a test started, as the kernel lists them."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def children(of: int | None = None) -> set[int]:
    """The processes that this one (or the one named) started and that still are, by whichever thread.

    By the parent's number in /proc/PID/stat (proc(5)). What /proc lists by thread can lose a child
    while the thread that started it ends.
    """
    found: set[int] = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(FileNotFoundError, ProcessLookupError):  # a process that ended since it was listed
            after_name = stat.read_text().rpartition(")")[2].split()  # state, parent, ...
            if int(after_name[1]) == (of or os.getpid()):
                found.add(int(stat.parent.name))
    return found
