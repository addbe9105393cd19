"""Windows on record: those of the site file as their hours come, and every window that ends by the clock.

The site file is changed over the years; what was open when must be readable later. A window is recorded
with its true edges, whenever that is noticed. Stands above book and windows.
"""

from __future__ import annotations

from probe import windows
from probe.book import Book
from store.clock import NS_PER_S
from store.records import Opener, OpenKind, WindowOpened
from store.site import Site

_LOOK_EVERY_S = 20.0  # should nobody notice that the wall's clock was set
_BACK_NS = 86_400 * NS_PER_S  # windows that passed unseen, while the host slept, are looked for so far back


async def record_openings(site: Site, book: Book) -> None:
    """Open and close windows as the site file has them, until cancelled.

    Each comes once, whatever the clock does: one that the host slept through is on record too, and a clock
    that is set back opens none again.
    """
    seen_ns, over = book.clock.unix_ns(), set[WindowOpened]()
    while True:
        now_ns = book.clock.unix_ns()
        from_ns = max(min(seen_ns, now_ns), now_ns - _BACK_NS)
        due = set(_openings(site, from_ns=from_ns, to_ns=now_ns))
        for one in sorted(due.difference(book.openings.all, over), key=lambda one: one.started_unix_ns):
            book.open_window(one)
        for one in book.openings.all:
            if one.opener is not Opener.SITE:
                continue
            if one.ends_unix_ns is not None and one.ends_unix_ns <= now_ns:
                book.close_window(one, why="its hours are over", unix_ns=one.ends_unix_ns)
                over.add(one)
            elif one not in due and one.started_unix_ns <= now_ns:
                book.close_window(one, why="the site file no longer has it", unix_ns=now_ns)
        over = {one for one in over if (one.ends_unix_ns or 0) > now_ns - _BACK_NS}
        seen_ns = now_ns
        await book.openings.change_within(_LOOK_EVERY_S)


async def close_on_time(book: Book) -> None:
    """Close stops and shows whose time is over, until cancelled."""
    while True:
        now_ns = book.clock.unix_ns()
        ends = []
        for one in book.openings.all:
            if one.ends_unix_ns is None or one.opener is Opener.SITE:
                continue
            if one.ends_unix_ns <= now_ns:
                book.close_window(one, why="its time was over", unix_ns=one.ends_unix_ns)
            else:
                ends.append(one.ends_unix_ns)
        left_s = (min(ends) - now_ns) / NS_PER_S if ends else _LOOK_EVERY_S
        await book.openings.change_within(min(left_s, _LOOK_EVERY_S))


def _openings(site: Site, *, from_ns: int, to_ns: int) -> list[WindowOpened]:
    """The site file's windows that are open at some time of these; each is the same for all its handoffs."""
    found = []
    for handoff in site.handoffs:
        for opening in windows.open_within(site, handoff.name, from_ns=from_ns, to_ns=to_ns):
            window = opening.window
            found.append(
                WindowOpened(
                    started_unix_ns=opening.start_ns,
                    name=window.name,
                    window=OpenKind(str(window.kind)),
                    opener=Opener.SITE,
                    why="its hours in the site file",
                    ends_unix_ns=opening.end_ns,
                    reference=window.reference,
                    handoff=handoff.name if window.handoffs else "",
                )
            )
    return found
