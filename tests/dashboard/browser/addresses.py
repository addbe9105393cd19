"""Every page that the application has, by its own table of addresses, so that a new one is looked at at once.

An address with a part that varies is filled from `PARTS`; what is no page is named in `NO_PAGE`. One that
neither knows is an error, not a page that nobody looked at.
"""

from __future__ import annotations

import re

from dashboard.routes import ROUTES

HANDOFFS = ("old-wan", "A")
GATE = "/login"  # is there only where a login is asked for
PARTS = {"handoff": HANDOFFS}
NO_PAGE = re.compile(r"\.(json|csv|ics)$|^/(static|figures|paper)/|^/metrics$|^/now/events$")
ALSO = (  # pages that show something else when asked for more
    "/circuit/A?period=month",
    "/uploads?size=8+GB&start=23:00",
    "/events?handoff=old-wan&day=2026-03-19",
    "/term/old-wan?month=2026-03",
    "/evenings/old-wan?month=2026-03",
    "/nowhere",
)


def pages() -> list[str]:
    """The path of each page, with a query for some."""
    found: list[str] = []
    for route in ROUTES:
        if route.method == "GET" and route.path != GATE and not NO_PAGE.search(route.path):
            found += filled(route.path)
    return [*found, *ALSO]


def filled(path: str) -> list[str]:
    """The addresses that a path with parts in braces stands for."""
    name = re.search(r"\{(\w+)\}", path)
    if name is None:
        return [path]
    if name[1] not in PARTS:
        raise LookupError(f"{path}: say in PARTS what stands for {name[0]}, so that the browser looks at it")
    return [one for part in PARTS[name[1]] for one in filled(path.replace(name[0], part))]
