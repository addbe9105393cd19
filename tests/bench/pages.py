"""What each page costs at the server, and how much it sends, against what it may cost.

    python -m tests.bench.pages SITE.toml MOMENT FOLDER [ADDRESS ...]

Serves the record of a site as it stood at MOMENT (RFC 3339) in this process, with the process beside it that
judges what takes long and keeps it in FOLDER. Asks three times for every page and the figures that it names:
once what is looked at ahead at the start is found; once the slow pages were judged ahead too, ten minutes
later, when nothing that was found at first is fresh; and as at first by a dashboard that starts then, which
has FOLDER. A page that says that it is being judged is marked so. Prints wall and processor time of this
process, bytes of HTML and of the figures' JSON, and in the last column whether all keep to 300 ms (of
processor time, since the machine may be busy) and 150 kB. The record of five_years.py, or of `linebook
practice --history --keep DIR`, will do.
"""

from __future__ import annotations

import asyncio
import re
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
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
from store.site import Site

HOST = "127.0.0.1:8470"
MOST_MS, MOST_BYTES = 300, 150_000
WAIT_S = 1500  # a Term of five years takes some minutes
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

    def beyond(self) -> list[str]:
        size = self.html + self.figures
        slow = [f"{self.cpu_ms:.0f} ms"] if self.cpu_ms > MOST_MS else []
        return slow + ([f"{size / 1e3:.0f} kB"] if size > MOST_BYTES else [])


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


class Pages:
    """A site at a moment, its clocks as far ahead as they are set."""

    def __init__(self, site: Site, start_ns: int, folder: Path) -> None:
        self.site, self.folder = site, folder
        self.ahead_ns = 0
        self.clock = Clock(
            monotonic_ns=lambda: time.monotonic_ns() + self.ahead_ns, unix_ns=lambda: start_ns + self.ahead_ns
        )

    @asynccontextmanager
    async def started(self) -> AsyncIterator[TestClient]:  # type: ignore[type-arg]
        """A dashboard that was just started, once it looked at what it looks at ahead."""
        app = make_app(
            site=self.site,
            reader=ReaderThread(self.site.database),
            clock=self.clock,
            allowed_hosts=frozenset({HOST}),
            beside=Beside(self.site.database, cache=self.folder),
            cache=self.folder,
        )
        began, cpu_began = time.perf_counter(), time.process_time()
        async with TestClient(TestServer(app), headers={"Host": HOST}) as client:
            looking = [task for task in asyncio.all_tasks() if task.get_name() == "look ahead"]
            await asyncio.gather(*looking)
            took = time.perf_counter() - began, time.process_time() - cpu_began
            print(f"started within {took[0]:.1f} s, {took[1]:.1f} of CPU")
            yield client

    async def costs(self, client: TestClient, addresses: list[str]) -> dict[str, Cost]:  # type: ignore[type-arg]
        return {address: await cost(client, address) for address in addresses}


async def main() -> None:
    site = sites.load(Path(sys.argv[1]))
    start_ns = round(datetime.fromisoformat(sys.argv[2]).timestamp()) * NS_PER_S
    pages = Pages(site, start_ns, Path(sys.argv[3]))
    places = dict.fromkeys(place.of(one.name) for place in PLACES for one in site.handoffs)
    periods = [
        f"/circuit/{one.name}?period={period}" for one in site.handoffs for period in ("week", "month")
    ]
    addresses = sys.argv[4:] or [*places, *periods, "/metrics", "/calendar.ics"]
    async with pages.started() as client:
        assert client.app is not None
        first = await pages.costs(client, addresses)
        began = time.perf_counter()
        judging = asyncio.create_task(client.app[DESK].judged.everything())
        done, _ = await asyncio.wait([judging], timeout=WAIT_S)
        print(f"{'all' if done else 'not all'} pages judged after {time.perf_counter() - began:.0f} s more")
        pages.ahead_ns = LATER_NS
        later = await pages.costs(client, addresses)
    async with pages.started() as client:
        again = await pages.costs(client, addresses)
    for address in addresses:
        costs = {"first": first[address], "later": later[address], "started again": again[address]}
        said = "; ".join(f"{when} {one.said()}" for when, one in costs.items())
        size = f"{later[address].html / 1e3:5.1f} + {later[address].figures / 1e3:5.1f} kB"
        beyond = [f"{when} {each}" for when, one in costs.items() for each in one.beyond()]
        print(f"{address:28} {said}; {size}; {'BEYOND: ' + ', '.join(beyond) if beyond else 'within'}")


if __name__ == "__main__":
    asyncio.run(main())
