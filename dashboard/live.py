"""What the probe does at this moment, told to open pages as it changes: server-sent events.

However many pages listen, the probe is asked once a second, and not at all while none does. Streams are
limited in number and end by themselves after some minutes, so that a login which has ended ends them too;
the browser opens them again. They end at once when the dashboard does. Imports acts and the Now part.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web

from dashboard import acts, api
from dashboard.pages import now
from store.clock import zone
from store.site import Site

log = logging.getLogger(__name__)

EVERY_S = 1.0
MOST = 24  # open streams; each open page has one
LASTS_S = 300.0
_ALIVE_S = 15.0  # a comment at least so often, by which a stream that nobody reads any more is found out
_AGAIN_MS = 3000  # how long a browser waits before it opens the stream again


@dataclass(slots=True, kw_only=True)
class Live:
    """The streams of one dashboard."""

    site: Site
    newest: str = ""
    _readers: int = 0
    _asking: asyncio.Task[None] | None = None
    _changed: asyncio.Event = field(default_factory=asyncio.Event)
    _over: asyncio.Event = field(default_factory=asyncio.Event)

    def end(self) -> None:
        """End every stream."""
        self._over.set()
        self._tell(self.newest)

    async def stream(self, request: web.Request) -> web.StreamResponse:
        """Serve one reader until it goes. Raises NotNow when there are too many."""
        if self._readers >= MOST:
            raise api.NotNow(f"{MOST} pages follow the probe already; this one is refreshed by hand.")
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store"}
        )
        self._readers += 1
        try:
            await response.prepare(request)
            await response.write(f"retry: {_AGAIN_MS}\n\n".encode())
            if self._asking is None or self._asking.done():
                self._asking = asyncio.create_task(self._ask(), name="live")
            async for text in self._texts():
                await response.write(text.encode())
        except (ConnectionResetError, ConnectionError):
            pass  # it went
        finally:
            self._readers -= 1
            if not self._readers and self._asking is not None:
                self._asking.cancel()
                self._asking, self.newest = None, ""
        return response

    async def _texts(self) -> AsyncIterator[str]:
        """The events for one reader: the newest state first, then each change."""
        loop, told = asyncio.get_running_loop(), ""
        ends = loop.time() + LASTS_S
        while not self._over.is_set() and loop.time() < ends:
            changed = self._changed
            if self.newest != told:
                told = self.newest
                yield f"event: now\ndata: {told}\n\n"
                continue
            try:
                async with asyncio.timeout(min(_ALIVE_S, ends - loop.time())):
                    await changed.wait()
            except TimeoutError:
                yield ": still here\n\n"

    async def _ask(self) -> None:
        """Ask the probe once a second, as long as anybody listens."""
        while True:
            asked = await acts.status(self.site)
            self._tell(json.dumps(state(asked, self.site)))
            await asyncio.sleep(EVERY_S)

    def _tell(self, text: str) -> None:
        self.newest = text
        self._changed.set()
        self._changed = asyncio.Event()


LIVE = web.AppKey("LIVE", Live)


def state(asked: now.Asked, site: Site) -> dict[str, Any]:
    """What one event says: `key` changes when a page must be read again, `runs` is told in between."""
    status = asked.status
    if status is None:
        return {"key": "none", "runs": []}
    runs = now.runs(status, zone(site.timezone))
    return {
        "key": now.key(status),
        "runs": [
            {
                "name": one.name,
                "handoff": one.handoff,
                "said": one.said,
                "done_s": one.done_s,
                "seconds": one.seconds,
            }
            for one in runs
        ],
    }
