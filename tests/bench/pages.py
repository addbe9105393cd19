"""What each page costs at the server, and how much it sends, against what it may cost.

    python -m tests.bench.pages SITE.toml MOMENT [ADDRESS ...]

Serves the record of a site as it stood at MOMENT (RFC 3339) in this process, with the process beside it that
judges what takes long. Asks twice for every page and the figures that it names: at once after the start, and,
once the slow pages were judged ahead, ten minutes later, when nothing that was found at first is fresh. A
page that says at first that it is being judged is marked so. Prints wall and processor time of this process,
bytes of HTML and of the figures' JSON, and in the last column whether the later page keeps to 300 ms (of
processor time, since the machine may be busy) and 150 kB. The record of five_years.py, or of `linebook
practice --history --keep DIR`, will do.
"""

from __future__ import annotations

import asyncio
import re
import sys
import time
from dataclasses import dataclass
from datetime import datetime
from html import unescape
from pathlib import Path

from aiohttp.test_utils import TestClient, TestServer

from dashboard.app import make_app
from dashboard.beside import Beside
from dashboard.desk import DESK
from dashboard.pages.frame import PLACES
from store import site as sites
from store.clock import NS_PER_S, Clock
from store.reader import ReaderThread

HOST = "127.0.0.1:8470"
MOST_MS, MOST_BYTES = 300, 150_000
WAIT_S = 120  # a Term of five years takes longer
LATER_NS = 600 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    status: int
    wall_ms: float
    cpu_ms: float
    html: int
    figures: int

    def said(self) -> str:
        waits = " (being judged)" if self.status == 202 else ""
        return f"{self.wall_ms:5.0f} ms, {self.cpu_ms:5.0f} of CPU{waits}"

    def kept(self) -> str:
        slow = [f"{self.cpu_ms:.0f} ms"] if self.cpu_ms > MOST_MS else []
        large = (
            [f"{(self.html + self.figures) / 1e3:.0f} kB"] if self.html + self.figures > MOST_BYTES else []
        )
        return f"BEYOND: {', '.join(slow + large)}" if slow or large else "within"


async def cost(client: TestClient, address: str) -> Cost:  # type: ignore[type-arg]
    began, cpu_began = time.perf_counter(), time.process_time()
    async with client.get(address) as response:
        body = await response.read()
    wall_ms, cpu_ms = 1000 * (time.perf_counter() - began), 1000 * (time.process_time() - cpu_began)
    figures = 0
    for url in re.findall(rb'data-figure="([^"]+)"', body):
        async with client.get(unescape(url.decode())) as drawn:
            figures += len(await drawn.read())
    return Cost(status=response.status, wall_ms=wall_ms, cpu_ms=cpu_ms, html=len(body), figures=figures)


async def main() -> None:
    site = sites.load(Path(sys.argv[1]))
    start_ns = round(datetime.fromisoformat(sys.argv[2]).timestamp()) * NS_PER_S
    ahead = [0]
    app = make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=Clock(monotonic_ns=lambda: time.monotonic_ns() + ahead[0], unix_ns=lambda: start_ns + ahead[0]),
        allowed_hosts=frozenset({HOST}),
        beside=Beside(site.database),
    )
    pages = dict.fromkeys(place.of(one.name) for place in PLACES for one in site.handoffs)
    periods = [
        f"/circuit/{one.name}?period={period}" for one in site.handoffs for period in ("week", "month")
    ]
    addresses = sys.argv[3:] or [*pages, *periods, "/metrics", "/calendar.ics"]
    async with TestClient(TestServer(app), headers={"Host": HOST}) as client:
        first = {address: await cost(client, address) for address in addresses}
        began = time.perf_counter()
        judging = asyncio.create_task(app[DESK].judged.everything())
        done, _ = await asyncio.wait([judging], timeout=WAIT_S)
        print(f"{'all' if done else 'not all'} pages judged after {time.perf_counter() - began:.0f} s more\n")
        ahead[0] = LATER_NS
        for address in addresses:
            found = await cost(client, address)
            size = f"{found.html / 1e3:5.1f} + {found.figures / 1e3:5.1f} kB"
            print(f"{address:28} first {first[address].said()}; later {found.said()}; {size}; {found.kept()}")


if __name__ == "__main__":
    asyncio.run(main())
