"""What every address of the dashboard works with: the site, the reader, what is kept, the frame of a page.

Imports store and the pages' frame; knows no address. Addresses stand in `dashboard.routes`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from aiohttp import web

from dashboard import api
from dashboard.assets import Asset
from dashboard.kept import Kept
from dashboard.pages import term
from dashboard.pages.frame import Frame, Pages, frame_of
from store.clock import Clock
from store.reader import ReaderThread
from store.site import Handoff, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What every handler works with."""

    site: Site
    reader: ReaderThread
    clock: Clock
    kept: Kept
    past: term.Past
    allowed_hosts: frozenset[str]
    token: str  # stands in every form of this start


DESK = web.AppKey("DESK", Desk)
ASSETS = web.AppKey("ASSETS", Mapping[str, Asset])
PAGES = web.AppKey("PAGES", Pages)


def framed(
    request: web.Request, *, title: str, json_url: str | None = None, now_ns: int | None = None
) -> Frame:
    """The frame of a page that says what was found at `now_ns`, the present when None."""
    desk = request.app[DESK]
    return frame_of(
        desk.site,
        title=title,
        here=request.rel_url.raw_path,
        json_url=json_url,
        now_ns=desk.clock.unix_ns() if now_ns is None else now_ns,
    )


def html(text: str) -> web.Response:
    """`text`, a whole page, as a response."""
    return web.Response(text=text, content_type="text/html")


def handoff_of(request: web.Request) -> Handoff:
    """The handoff that the address names. Raises `api.NotHere` with the names that exist."""
    desk, name = request.app[DESK], request.match_info["handoff"]
    try:
        return desk.site.handoff(name)
    except KeyError:
        known = ", ".join(handoff.name for handoff in desk.site.handoffs)
        raise api.NotHere(f"No handoff is called {name!r}. This site has: {known}.") from None
