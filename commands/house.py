"""`linebook house`: the house's own ports and cables, hop by hop. Imports store, dashboard."""

from __future__ import annotations

from contextlib import closing
from typing import Any

from commands import answering
from dashboard import house_paths, text_house
from store import site as sites
from store.clock import Clock
from store.reader import Reader


def command(options: Any) -> int:
    """`linebook house SITE`; without a database the ways are judged by themselves."""
    site, now_ns = sites.load(options.site), Clock().unix_ns()
    if site.database.exists():
        with closing(Reader.open(site.database)) as reader:
            found = house_paths.of_site(reader, site, now_ns=now_ns)
    else:
        found = house_paths.of_site(None, site, now_ns=now_ns)
    if options.json:
        answering.print_json(text_house.house_json(found, now_ns=now_ns))
    else:
        print(text_house.house(found))
    return 0
