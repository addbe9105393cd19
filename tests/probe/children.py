"""The processes that a test started, as the kernel lists them."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path


def children() -> set[int]:
    """The processes that this one started and that still are."""
    found: set[int] = set()
    for task in Path("/proc/self/task").iterdir():
        with suppress(FileNotFoundError, ProcessLookupError):  # a thread that ended since it was listed
            found.update(int(word) for word in (task / "children").read_text().split())
    return found
