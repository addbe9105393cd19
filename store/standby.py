"""What a process that goes on for months makes at its start, so that it needs no new thread later.

A thread that is begun when the host has no memory left for it may never say that it began, and whoever began
it waits for ever (`threading.Thread.start`): an event loop would stand still with all trains. So the threads
for work beside the loop are made here, and children are waited for by the kernel's descriptor of a process
(pidfd_open(2)) and not by a thread each. Imports nothing of ours.
"""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

THREADS = min(8, (os.cpu_count() or 1) + 4)  # as many as asyncio would begin by and by on a small host


async def stand_by() -> None:
    """Have every thread of this event loop's executor begun, and none needed for children."""
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(max_workers=THREADS, thread_name_prefix="beside"))
    all_here = threading.Barrier(THREADS)  # each waits for the last, so each is a thread of its own
    await asyncio.gather(*(asyncio.to_thread(all_here.wait) for _ in range(THREADS)))
    if sys.version_info < (3, 12):  # later ones do so by themselves where the kernel has it (Linux 5.3)
        try:
            os.close(os.pidfd_open(os.getpid()))
        except OSError:
            return
        watcher = asyncio.PidfdChildWatcher()
        watcher.attach_loop(loop)
        asyncio.set_child_watcher(watcher)
