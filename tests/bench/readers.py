"""Fifty readers of a dashboard on years of record, and a probe that measures beside them.

    python -m tests.bench.readers FOLDER [READERS [SECONDS [CACHE]]]

FOLDER is what `tests/bench/five_years.py` made. Each reader opens a page, reads it for 5 to 15 s and opens
the next: Today, the circuits, events, and those that are judged beside the dashboard, which keeps what it
judged in the folder CACHE (one of this run without it, so that most of them are being judged all the while;
such answers are counted apart). The probe beside them has a record of its own and one train at 20 packets a
second over loopback. Prints figures, judges none.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from contextlib import closing
from pathlib import Path

import aiohttp

from probe.endpoint import keys
from probe.practice.relay import free_pair
from probe.wire import invitation
from tests.bench import five_years
from tests.bench.soak import look

HOUSE = Path(__file__).parents[2]
LINEBOOK = [sys.executable, str(HOUSE / "linebook.py")]
SLOW = tuple(
    f"/{page}/{name}" for page in ("term", "findings", "ledger", "acceptance") for name in ("A", "old")
)
PAGES = ("/", "/circuit/A", "/circuit/B", "/circuit/old", "/events", "/shows", *SLOW)
# The dashboard at the evening on which the record ends: the clock is read through `time` alone.
THEN = """
import sys, time
sys.path.insert(0, sys.argv[1])
real, ahead_ns = time.time_ns, int(sys.argv[2]) - time.time_ns()
time.time_ns = lambda: real() + ahead_ns
import linebook
sys.exit(linebook.main(sys.argv[3:]))
"""
SITE = """
name = "Readers"
invented = true
timezone = "UTC"
database = "line.db"
[[handoff]]
name = "A"
interface = "lo"
[[endpoint]]
name = "north"
invitation = "{}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 20
"""


async def read(base: str, readers: int, seconds: float) -> dict[str, list[float]]:
    """How long each page took, in milliseconds, by its path."""
    took: dict[str, list[float]] = defaultdict(list)
    ends = time.monotonic() + seconds

    async def reader(seed: int, session: aiohttp.ClientSession) -> None:
        chance = random.Random(seed)
        await asyncio.sleep(chance.uniform(0, 10))
        while time.monotonic() < ends:
            page = chance.choice(PAGES)
            begun = time.perf_counter()
            async with session.get(base + page) as response:
                await response.read()
                assert response.status in (200, 202), (page, response.status)
            of = page if response.status == 200 else "being judged"
            took[of].append((time.perf_counter() - begun) * 1000)
            await asyncio.sleep(chance.uniform(5, 15))

    async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
        for page in PAGES:  # warm, as it is after its first reader
            async with session.get(base + page) as response:
                await response.read()
        await asyncio.gather(*(reader(seed, session) for seed in range(readers)))
    return took


def wait_for(port: int) -> None:
    """Return once something listens there; SystemExit after half a minute."""
    for _ in range(300):
        with socket.socket() as asked:
            if asked.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise SystemExit("the dashboard does not answer")


def main() -> None:
    folder = Path(sys.argv[1])
    readers = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    seconds = float(sys.argv[3]) if len(sys.argv) > 3 else 60
    with socket.socket() as asked, tempfile.TemporaryDirectory() as made:
        asked.bind(("127.0.0.1", 0))
        port = asked.getsockname()[1]
        asked.close()
        own = Path(made)
        address = f"127.0.0.1:{free_pair()}"
        told = invitation.write(keys.invite(own / "far", address=address))
        (own / "site.toml").write_text(SITE.format(told))
        (own / "site.toml").chmod(0o600)
        then = [sys.executable, "-c", THEN, str(HOUSE), str(five_years.NOW_NS)]
        cache = Path(sys.argv[4]) if len(sys.argv) > 4 else own / "cache"
        commands = (
            [*LINEBOOK, "endpoint", "serve", str(own / "far"), "--listen", "127.0.0.1"],
            [*LINEBOOK, "probe", str(own / "site.toml")],
            [*then, "dashboard", str(folder / "site.toml"), "--port", str(port)],
        )
        log = (own / "log").open("wb")
        around = {**os.environ, "CACHE_DIRECTORY": str(cache)}
        running = [subprocess.Popen(words, stdout=log, stderr=log, env=around) for words in commands]
        try:
            wait_for(port)
            took = asyncio.run(read(f"http://127.0.0.1:{port}", readers, seconds))
            memory_mb = look(running[2].pid).resident_mb
        finally:
            for process in reversed(running):
                process.send_signal(signal.SIGTERM)
                process.wait(timeout=20)
        with closing(sqlite3.connect(own / "line.db")) as record:
            sql = "SELECT sum(sent), sum(sent - received), sum(reasons LIKE '%late%') FROM train"
            sent, missing, late = record.execute(sql).fetchone()
    times = sorted(one for each in took.values() for one in each)
    print(f"{readers} readers, {len(times)} pages in {seconds:g} s; dashboard {memory_mb:.0f} MB")
    for name, found in (("all", times), *((page, sorted(each)) for page, each in sorted(took.items()))):
        p50, p95 = found[len(found) // 2], found[int(len(found) * 0.95)]
        print(f"{name}: p50 {p50:.0f}, p95 {p95:.0f}, at most {found[-1]:.0f} ms")
    print(f"probe beside it: {missing} of {sent} packets without a reply, {late} spans sent late")


if __name__ == "__main__":
    main()
