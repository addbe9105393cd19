"""What every address of the dashboard works with: the site, the reader, what is kept, the frame of a page.

Imports store and the pages' frame; knows no address. Addresses stand in `dashboard.routes`.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from aiohttp import web

from dashboard import api
from dashboard.access import visitor_of
from dashboard.assets import Asset
from dashboard.judged import Judged
from dashboard.kept import Kept
from dashboard.pages import spread
from dashboard.pages.frame import Frame, Pages, closed_frame, frame_of
from dashboard.past import Past
from dashboard.slow import Asked
from store.clock import NS_PER_S, Clock
from store.reader import Reader, ReaderThread
from store.site import Handoff, Site

T = TypeVar("T")

_OLD_NS = 600 * NS_PER_S  # findings as old as this say so on top of their page
_PATIENCE_S = 0.2  # a person's, before a page says that it is being judged


@dataclass(slots=True, kw_only=True)
class Desk:
    """What every handler works with. The Site page replaces `site` and `past`, nobody else."""

    site: Site
    reader: ReaderThread
    clock: Clock
    kept: Kept
    past: Past
    judged: Judged
    allowed_hosts: frozenset[str]
    token: str  # of this start; in its forms where nobody logs in

    async def slow(self, request: web.Request, asked: Asked) -> Any:
        """What a slow page found: a program waits for it, a person is told (`judged.NotYet`)."""
        return await self.judged.found(asked, patience_s=None if api.wants_json(request) else _PATIENCE_S)

    async def found(self, asked: Hashable, find: Callable[[Reader], T]) -> T:
        """What `find` reads, in the reader's thread, or what it read not long ago for the same `asked`."""
        return await self.reader.read(lambda reader: self.kept.get(asked, lambda: find(reader)))


Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

DESK = web.AppKey("DESK", Desk)
ASSETS = web.AppKey("ASSETS", Mapping[str, Asset])
PAGES = web.AppKey("PAGES", Pages)


def framed(
    request: web.Request, *, title: str, json_url: str | None = None, now_ns: int | None = None
) -> Frame:
    """The frame of a page that says what was found at `now_ns`, the present when None."""
    desk, visitor = request.app[DESK], visitor_of(request)
    if visitor is None:
        return closed_frame(desk.site, title=title, now_ns=desk.clock.unix_ns())
    present_ns = desk.clock.unix_ns()
    made = frame_of(
        desk.site,
        title=title,
        here=request.rel_url.raw_path,
        json_url=json_url,
        now_ns=present_ns if now_ns is None else now_ns,
        visitor=visitor,
    )
    return made if now_ns is None or present_ns - now_ns < _OLD_NS else replace(made, as_of=made.written)


def html(text: str) -> web.Response:
    """`text`, a whole page, as a response."""
    return web.Response(text=text, content_type="text/html")


def csv_of(page_of: Callable[[web.Request], Awaitable[Any]]) -> Handler:
    """A handler of a page's tables as CSV, one at a time; `page_of` makes the page's context."""

    async def handler(request: web.Request) -> web.StreamResponse:
        asked = request.query.getall(spread.PARAMETER, [])
        url = request.rel_url.without_query_params(spread.PARAMETER)
        tables = spread.named(await page_of(request.clone(rel_url=url)))
        words = ", ".join(tables) or "none at this time"
        if len(asked) != 1:
            raise api.BadQuery(f"The parameter {spread.PARAMETER} says which table; this page has: {words}.")
        if asked[0] not in tables:
            raise api.NotHere(f"No table of this page is called {asked[0]!r}. It has: {words}.")
        return web.Response(
            text=spread.text(tables[asked[0]]),
            content_type="text/csv",
            charset="utf-8",
            headers={"Content-Disposition": f'attachment; filename="{asked[0]}.csv"'},
        )

    return handler


def handoff_of(request: web.Request) -> Handoff:
    """The handoff that the address names. Raises `api.NotHere` with the names that exist."""
    desk, name = request.app[DESK], request.match_info["handoff"]
    try:
        return desk.site.handoff(name)
    except KeyError:
        known = ", ".join(handoff.name for handoff in desk.site.handoffs)
        raise api.NotHere(f"No handoff is called {name!r}. This site has: {known}.") from None
