"""The watch that opens a show window by itself while others upload, and closes it again.

One task a handoff. What counts as lasting upload stands in traffic, here is the waiting. A look during
which a run of our own was under way says nothing and is passed over. Stands above book and traffic.
"""

from __future__ import annotations

import asyncio

from probe import traffic
from probe.book import Book
from probe.reach import Reach
from store.clock import NS_PER_S
from store.records import Opener, OpenKind, WindowOpened
from store.site import Site

NAME = "upload"


async def watch(site: Site, where: Reach, *, look: traffic.Look, book: Book) -> None:
    """Watch the interface of `where`'s handoff until cancelled."""
    handoff = where.handoff
    own_bps = traffic.trains_bps(site, handoff)
    sustained = traffic.Sustained(rules=site.rules, open=_shown(book, handoff) is not None)
    clock, board = book.clock, book.board
    before, before_ns, turns = await look(where), clock.monotonic_ns(), board.turns
    while True:
        await asyncio.sleep(traffic.LOOK_EVERY_S)
        after, after_ns = await look(where), clock.monotonic_ns()
        if sustained.open and _shown(book, handoff) is None:
            sustained.closed_by_hand()
        seconds = (after_ns - before_ns) / NS_PER_S
        quiet = turns == board.turns and not board.runs
        found = traffic.others(before, after, seconds=seconds, own_bps=own_bps) if quiet else None
        if found is not None:
            _tell(sustained.take(found.up_bps, seconds=seconds), found, site, handoff, book)
        before, before_ns, turns = after, after_ns, board.turns


def _tell(change: bool | None, found: traffic.Others, site: Site, handoff: str, book: Book) -> None:
    mark_mbps = (site.rules.show_upload_bps or 0) / 1e6
    if change is True:
        book.open_window(
            WindowOpened(
                started_unix_ns=book.clock.unix_ns(),
                name=NAME,
                window=OpenKind.SHOW,
                opener=Opener.UPLOAD,
                why=f"others uploaded more than {mark_mbps:g} Mb/s for {_span(site.rules.show_after_s)}, "
                f"{found.up_bps / 1e6:.1f} Mb/s at last",
                handoff=handoff,
            )
        )
    elif change is False:
        shown = _shown(book, handoff)
        if shown is not None:
            why = (
                f"others uploaded no more than {mark_mbps:g} Mb/s for {_span(site.rules.show_closes_after_s)}"
            )
            book.close_window(shown, why=why)


def _span(seconds: int) -> str:
    """A whole number of minutes as such, any other time in seconds."""
    return f"{seconds} s" if seconds % 60 or seconds == 60 else f"{seconds // 60} min"


def _shown(book: Book, handoff: str) -> WindowOpened | None:
    """The show that was opened by upload on this handoff."""
    found = book.openings.shows(handoff, opener=Opener.UPLOAD)
    return next((one for one in found if one.handoff == handoff), None)
