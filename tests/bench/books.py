"""What a process's memory consists of: what is in use, what the allocator keeps free, what belongs to files.

    python -m tests.bench.books TOLD LEAK WORD ...

runs the program of these words; on SIGUSR2 it writes its books into the file TOLD (`ask` has them). With LEAK
above 0, so many octets are leaked with each record stored and each message of a caller answered: what finds
no leak has to find this one.

`inside` reads the books of the process that calls it: glibc's (mallinfo2 and malloc_info, malloc(3)), those
of Python's own allocator (sys._debugmallocstats, on standard error alone) and SQLite's (sqlite3_memory_used).
`outside` reads the kernel's of any process (smaps_rollup, proc(5)). May import the standard library alone,
for it runs in a process whose memory is looked at.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import functools
import gc
import json
import os
import re
import signal
import sys
import time
from asyncio.sslproto import SSLProtocol
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

_ASKED_WITHIN_S = 30.0
_NO_THREAD_CACHE = "GLIBC_TUNABLES=glibc.malloc.tcache_count=0"


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


def words(told: Path, *program: str, leak_bytes: int = 0) -> list[str]:
    """The command that runs the program of these words so that `ask` may be used, from wherever.

    Without glibc's caches of each thread (mallopt(3), tunables): what lies in them counts as given out.
    """
    house = str(Path(__file__).parents[2])
    start = f"import sys; sys.path.insert(0, {house!r}); from tests.bench import books; books.main()"
    return ["env", _NO_THREAD_CACHE, sys.executable, "-c", start, str(told), str(leak_bytes), *program]


def ask(pid: int, told: Path) -> dict[str, Any]:
    """The books of a process that runs so, the kernel's too; empty when it says nothing within 30 s."""
    told.unlink(missing_ok=True)
    os.kill(pid, signal.SIGUSR2)
    until = time.monotonic() + _ASKED_WITHIN_S
    while time.monotonic() < until:
        time.sleep(0.05)
        with contextlib.suppress(OSError, ValueError):
            return json.loads(told.read_text()) | outside(pid)
    return {}


def main() -> None:
    told, leak_bytes = Path(sys.argv[1]), int(sys.argv[2])
    signal.signal(signal.SIGUSR2, lambda *_: _tell(told))
    if leak_bytes:
        _leak(leak_bytes)
    import linebook

    sys.exit(linebook.main(sys.argv[3:]))


def _tell(told: Path) -> None:
    """Everything there is to say. What fills to a bound or awaits the collector is let go of first."""
    cached = empty_caches()
    gc.collect()
    held = inside(told) | {"cached": cached}
    names = Counter(task.get_name().split(" path")[0] for task in asyncio.all_tasks())
    there = gc.get_objects()
    secured = sum(type(one) is SSLProtocol for one in there)  # each has a buffer of 262,144 octets
    counts = {"tasks": names.total(), "objects": len(there), "connections": secured}
    part = told.with_suffix(".part")
    part.write_text(json.dumps(held | counts | {"names": names}))
    part.replace(told)


def empty_caches() -> int:
    """Empty each functools.lru_cache that has a bound, of libraries too; how many results they had."""
    found = {id(one): one for one in _caches() if one.cache_info().maxsize is not None}
    cached = sum(one.cache_info().currsize for one in found.values())
    for one in found.values():
        one.cache_clear()
    return cached


def _caches() -> Iterator[functools._lru_cache_wrapper[Any]]:
    """Those that the collector lists, and those of modules and classes: what gc.freeze took is not listed.

    By type alone: a proxy that is asked for its class may do anything to find that out, such as read a file.
    """
    modules = [vars(one) for one in list(sys.modules.values()) if type(one) is ModuleType]
    classes = [vars(one) for names in modules for one in list(names.values()) if issubclass(type(one), type)]
    named = [one for names in (*modules, *classes) for one in list(names.values())]
    for one in (*gc.get_objects(), *named):
        if type(one) is staticmethod or type(one) is classmethod:
            one = one.__wrapped__
        if type(one) is functools._lru_cache_wrapper:
            yield one


def _leak(leak_bytes: int) -> None:
    from probe.endpoint.front import Front
    from store.writer import Writer

    kept: list[bytes] = []
    append, answer = Writer.append, Front._answer

    def leaking_append(*given: Any, **named: Any) -> None:
        kept.append(bytes(leak_bytes))
        append(*given, **named)

    async def leaking_answer(*given: Any, **named: Any) -> Any:
        kept.append(bytes(leak_bytes))
        return await answer(*given, **named)

    Writer.append, Front._answer = leaking_append, leaking_answer  # type: ignore[method-assign]


def inside(aside: Path) -> dict[str, int]:
    """Octets of this process's heaps; a file beside `aside` is used and gone afterwards.

    `in_use` is what somebody holds: Python's blocks, and what glibc gave out, from its arenas or mapped;
    `held` leaves out SQLite's, whose cache of pages fills to its bound of 2 MB a connection and stays.
    """
    told = _LIBC.mallinfo2()
    blocks, arenas = _python()
    sqlite = _sqlite()
    return {
        "in_use_bytes": blocks + told.uordblks + told.hblkhd,
        "sqlite_bytes": sqlite,
        "held_bytes": blocks + told.uordblks + told.hblkhd - sqlite,
        "python_bytes": blocks,
        "python_arenas_bytes": arenas,
        "glibc_bytes": told.uordblks,
        "glibc_free_bytes": told.fordblks,
        "glibc_top_bytes": told.keepcost,
        "glibc_mapped_bytes": told.hblkhd,
        "glibc_arenas": _arenas(aside),
    }


def outside(pid: int) -> dict[str, int]:
    """What the kernel counts, octets: pages of its own, pages of files, and memory that is shared."""
    rows = re.findall(
        r"^(Rss|Pss_\w+|Anonymous): +(\d+) kB$", Path(f"/proc/{pid}/smaps_rollup").read_text(), re.M
    )
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
    assert blocks is not None, text
    assert arenas is not None, text
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


def _sqlite() -> int:
    """Octets that SQLite holds; 0 where it is not loaded."""
    if "_sqlite3" not in sys.modules:
        return 0
    used = ctypes.CDLL("libsqlite3.so.0").sqlite3_memory_used
    used.restype = ctypes.c_int64
    return int(used())
