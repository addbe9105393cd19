"""What a process's memory consists of: what is in use, what the allocator keeps free, what belongs to files.

`inside` reads the books of the process that calls it: glibc's (mallinfo2 and malloc_info, malloc(3)), Python's
own allocator (sys._debugmallocstats, on standard error alone) and SQLite's (sqlite3_memory_used). `outside`
reads the kernel's of any process (smaps_rollup, proc(5)). May import the standard library alone, for it runs
in a process whose memory is looked at.
"""

from __future__ import annotations

import ctypes
import os
import re
import sys
from pathlib import Path


class _Mallinfo2(ctypes.Structure):
    """struct mallinfo2 of malloc.h, glibc 2.33 and later."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in (
            "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks",
            "keepcost",
        )
    ]  # fmt: skip


_LIBC = ctypes.CDLL(None)
_LIBC.mallinfo2.restype = _Mallinfo2
_LIBC.fopen.restype = ctypes.c_void_p
_LIBC.malloc_info.argtypes = [ctypes.c_int, ctypes.c_void_p]
_LIBC.fclose.argtypes = [ctypes.c_void_p]


def inside(aside: Path) -> dict[str, int]:
    """Octets of this process's heaps; a file beside `aside` is used and gone afterwards.

    `in_use` is what somebody holds: Python's blocks, and what glibc gave out, whether from its arenas or mapped.
    """
    told = _LIBC.mallinfo2()
    blocks, arenas = _python()
    found = {
        "in_use_bytes": blocks + told.uordblks + told.hblkhd,
        "python_bytes": blocks,
        "python_arenas_bytes": arenas,
        "glibc_bytes": told.uordblks,
        "glibc_free_bytes": told.fordblks,
        "glibc_top_bytes": told.keepcost,
        "glibc_mapped_bytes": told.hblkhd,
        "glibc_arenas": _arenas(aside),
    }
    sqlite = _sqlite()
    return found if sqlite is None else found | {"sqlite_bytes": sqlite}


def outside(pid: int) -> dict[str, int]:
    """What the kernel counts, octets: pages of its own, pages of files, pages shared with others by memory."""
    rows = re.findall(r"^(Rss|Pss_\w+|Anonymous): +(\d+) kB$", Path(f"/proc/{pid}/smaps_rollup").read_text(), re.M)
    kb = {name: int(value) for name, value in rows}
    return {
        "resident_bytes": kb["Rss"] * 1024,
        "anonymous_bytes": kb["Anonymous"] * 1024,
        "file_bytes": kb["Pss_File"] * 1024,
        "shared_memory_bytes": kb["Pss_Shmem"] * 1024,
    }


def _python() -> tuple[int, int]:
    """Octets in blocks that are given out, and in arenas, of Python's own allocator."""
    kept, written = os.dup(2), os.memfd_create("books")
    try:
        os.dup2(written, 2)
        sys._debugmallocstats()
        os.dup2(kept, 2)
        text = os.pread(written, 65_536, 0).decode()
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(written)
    blocks = re.search(r"bytes in allocated blocks +=\s+([\d,]+)", text)
    arenas = re.search(r"bytes/arena +=\s+([\d,]+)", text)
    assert blocks is not None and arenas is not None, text
    return int(blocks[1].replace(",", "")), int(arenas[1].replace(",", ""))


def _arenas(aside: Path) -> int:
    """How many heaps glibc keeps, one for each thread at most."""
    place = aside.with_suffix(".malloc")
    file = _LIBC.fopen(bytes(place), b"w")
    if not file:
        return -1
    _LIBC.malloc_info(0, file)
    _LIBC.fclose(file)
    text = place.read_text()
    place.unlink()
    return text.count("<heap nr=")


def _sqlite() -> int | None:
    """Octets that SQLite holds, None where it is not loaded."""
    if "_sqlite3" not in sys.modules:
        return None
    try:
        used = ctypes.CDLL("libsqlite3.so.0").sqlite3_memory_used
    except OSError:
        return None
    used.restype = ctypes.c_int64
    return int(used())
