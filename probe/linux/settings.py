"""Kernel settings that bear on a measurement, as numbers and words from /proc/sys. None where there is none.

Reads small files; changes nothing.
"""

from __future__ import annotations

from pathlib import Path

PROC_SYS = Path("/proc/sys")


def words(name: str, *, proc: Path = PROC_SYS) -> list[str] | None:
    """The words of a setting, whose name has dots as in ``net.ipv4.tcp_rmem``."""
    try:
        return (proc / name.replace(".", "/")).read_text().split()
    except OSError:
        return None


def number(name: str, *, proc: Path = PROC_SYS) -> int | None:
    """The last number of a setting: the largest of three that are a range."""
    found = words(name, proc=proc)
    return int(found[-1]) if found and found[-1].lstrip("-").isdecimal() else None
