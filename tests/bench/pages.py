"""What each page costs at the server the first time it is asked for, and how much it sends.

    python -m tests.bench.pages SITE.toml MOMENT

Serves the record of a site as it stood at MOMENT (RFC 3339) in this process, asks once for every page and for
the figures that it names: wall and processor time of the page, bytes of HTML and of its figures' JSON. The
record of five_years.py, or of `linebook practice --history --keep DIR`, will do. Prints figures, judges none.
"""

from __future__ import annotations

import asyncio
import re
import sys
import time
from datetime import datetime
from html import unescape
from pathlib import Path

from aiohttp.test_utils import TestClient, TestServer

from dashboard.app import make_app
from dashboard.pages.frame import PLACES
from store import site as sites
from store.clock import NS_PER_S, Clock
from store.reader import ReaderThread

HOST = "127.0.0.1:8470"


async def main() -> None:
    site = sites.load(Path(sys.argv[1]))
    now_ns = round(datetime.fromisoformat(sys.argv[2]).timestamp()) * NS_PER_S
    app = make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=Clock(monotonic_ns=time.monotonic_ns, unix_ns=lambda: now_ns),
        allowed_hosts=frozenset({HOST}),
    )
    addresses = dict.fromkeys(place.of(one.name) for place in PLACES for one in site.handoffs)
    async with TestClient(TestServer(app), headers={"Host": HOST}) as client:
        for address in [*addresses, "/metrics", "/calendar.ics"]:
            began, cpu_began = time.perf_counter(), time.process_time()
            async with client.get(address) as response:
                body = await response.read()
            wall_ms, cpu_ms = (
                1000 * (time.perf_counter() - began),
                1000 * (time.process_time() - cpu_began),
            )
            figures = 0
            for url in re.findall(rb'data-figure="([^"]+)"', body):
                async with client.get(unescape(url.decode())) as response:
                    figures += len(await response.read())
            size = f"{len(body) / 1e3:6.1f} kB HTML, {figures / 1e3:6.1f} kB figures"
            print(
                f"{response.status} {address:24} {wall_ms:7.0f} ms, {cpu_ms:6.0f} ms of CPU, {size}",
                flush=True,
            )


if __name__ == "__main__":
    asyncio.run(main())
