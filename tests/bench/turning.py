"""Whether a dashboard's memory is level while its pages are turned for hours, and that of the process beside.

    python -m tests.bench.turning FOLDER MOMENT [MINUTES [LEAK]]

FOLDER has a site file and its record, as `linebook practice --history --keep DIR` makes them. Serves it as of
MOMENT (RFC 3339), with a clock that goes sixty times as fast, so that what was judged grows stale and is
judged again; asks for every page of every handoff, round after round, and reads the books after each
(`books`). Judges by `levels` over the second half what the dashboard holds, and of the process beside it the
kernel's count of its own pages. Ends with 1 if either grows. With LEAK so many octets are leaked with a page.
"""

from __future__ import annotations

import asyncio
import signal
import socket
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import aiohttp

from dashboard.pages.frame import PLACES
from store import site as sites
from store.clock import NS_PER_S
from tests.bench import books
from tests.bench.levels import level
from tests.bench.readers import wait_for

FASTER = 60
START_AT = 4  # the word of `books.words` that is the program
LEAST_BYTES = 10_000.0  # with each round, of some 40 pages
START = """
import time
real, began_ns, then_ns = time.time_ns, time.time_ns(), {then_ns}
time.time_ns = lambda: then_ns + (real() - began_ns) * {faster}
"""
LEAKING = """
from aiohttp import web
kept, prepare = [], web.Response.prepare
async def leaking(self, request):
    kept.append(bytes({leak_bytes}))
    return await prepare(self, request)
web.Response.prepare = leaking
"""


async def turned(base: str, addresses: list[str]) -> int:
    """One round; how many pages came."""
    async with aiohttp.ClientSession() as session:
        for address in addresses:
            async with session.get(base + address) as response:
                await response.read()
                assert response.status in (200, 202), (address, response.status)
    return len(addresses)


def main() -> None:
    folder, then = Path(sys.argv[1]), datetime.fromisoformat(sys.argv[2])
    minutes = float(sys.argv[3]) if len(sys.argv) > 3 else 10
    leak_bytes = int(sys.argv[4]) if len(sys.argv) > 4 else 0
    site = sites.load(folder / "site.toml")
    pages = dict.fromkeys(place.of(one.name) for place in PLACES for one in site.handoffs)
    periods = [f"/circuit/{one.name}?period={each}" for one in site.handoffs for each in ("week", "month")]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told = folder / "turning.told"
    words = books.words(told, "dashboard", str(folder / "site.toml"), "--port", str(port))
    words[START_AT] = (
        START.format(then_ns=round(then.timestamp()) * NS_PER_S, faster=FASTER) + words[START_AT]
    )
    if leak_bytes:
        head, _, rest = words[START_AT].rpartition("books.main()")
        words[START_AT] = head + "pass" + LEAKING.format(leak_bytes=leak_bytes) + "books.main()" + rest
    with (folder / "turning.log").open("wb") as log:
        process = subprocess.Popen(words, stdout=log, stderr=log)
    try:
        wait_for(port)
        grows = _watched(process, told, f"http://127.0.0.1:{port}", [*pages, *periods, "/metrics"], minutes)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=20)
    print(f"grows: {'; '.join(grows) or 'nothing'}")
    sys.exit(bool(grows))


def _watched(
    process: subprocess.Popen[bytes], told: Path, base: str, addresses: list[str], minutes: float
) -> list[str]:
    seen: dict[str, list[int]] = {"dashboard": [], "beside": []}
    count, until = 0, time.monotonic() + 60 * minutes
    while time.monotonic() < until:
        count += asyncio.run(turned(base, addresses))
        time.sleep(1)
        held = books.ask(process.pid, told)
        seen["dashboard"].append(held["held_bytes"])
        seen["beside"] += [books.outside(child)["anonymous_bytes"] for child in _children(process.pid)][:1]
        if len(seen["dashboard"]) % 10 == 1:
            mb = {name: f"{held[name] / 1e6:.2f}" for name in held if name.endswith("_bytes")}
            print(f"round {len(seen['dashboard'])}: {mb}, beside {seen['beside'][-1:]}", flush=True)
    grows = []
    for name, values in seen.items():
        if len(values) < 8:
            print(f"{name}: {len(values)} looks are too few to judge")
            continue
        half = values[len(values) // 2 :]
        found = level(list(range(len(half))), half, least=LEAST_BYTES)
        print(
            f"{name}: {count} pages in {len(values)} rounds, {values[0] / 1e6:.2f}, {half[0] / 1e6:.2f}, "
            f"{half[-1] / 1e6:.2f} MB; second half {found.said('a round')}"
        )
        grows += [name] if found.word == "grows" else []
    return grows


def _children(pid: int) -> list[int]:
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return [int(child) for task in tasks for child in (task / "children").read_text().split()]


if __name__ == "__main__":
    main()
