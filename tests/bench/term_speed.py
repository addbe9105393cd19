"""How long a month's statement and the Term page take on a record of months, handoff by handoff.

    python -m tests.bench.term_speed SITE [YYYY-MM-DDTHH:MM]

SITE is a site file with its database, such as `linebook practice --history --keep DIR` writes; the moment is
the one to look from, by default the newest of each handoff. Prints seconds of processor: a statement of the
month, Term for the first time, Term again, and after the months that are over. Judges none of it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from dashboard import past, statements
from dashboard.pages import term
from dashboard.past import Past
from store import site as sites
from store.clock import NS_PER_S, local, unix_ns_of, zone
from store.reader import Reader
from store.site import Handoff, Site

T = TypeVar("T")


def took(what: str, work: Callable[[], T]) -> T:
    started = time.process_time()
    found = work()
    print(f"  {what:<28}{time.process_time() - started:7.2f} s", flush=True)
    return found


def term_of(reader: Reader, site: Site, handoff: Handoff, kept: Past, now_ns: int) -> None:
    month = local(now_ns, zone(site.timezone)).date().replace(day=1)
    term.find(reader, site=site, handoff=handoff, month=month, past=kept, now_ns=now_ns)


def measured(site: Site, handoff: Handoff, now_ns: int) -> None:
    day = local(now_ns, zone(site.timezone)).date()
    with closing(Reader.open(site.database)) as reader:
        count = len(past.spans(reader, handoff, zone(site.timezone), now_ns=now_ns))
        print(f"{handoff.name}, {count} months, at {day}:")
        took("statement", lambda: statements.find(reader, site, handoff, day=day, now_ns=now_ns))
        kept = Past()
        took("Term, first time", lambda: term_of(reader, site, handoff, kept, now_ns))
        took("Term again", lambda: term_of(reader, site, handoff, kept, now_ns))
        kept = Past()
        took("judged ahead", lambda: ahead(kept, reader, site, handoff, now_ns))
        took("Term, first time after it", lambda: term_of(reader, site, handoff, kept, now_ns))


def ahead(kept: Past, reader: Reader, site: Site, handoff: Handoff, now_ns: int) -> None:
    for month in kept.waiting(reader, site, handoff, now_ns=now_ns):
        kept.month(reader, site, handoff, month, now_s=now_ns // NS_PER_S)


def main() -> None:
    site = sites.load(Path(sys.argv[1]))
    where = zone(site.timezone)
    for handoff in site.handoffs:
        with closing(Reader.open(site.database)) as reader:
            newest = reader.train_spans(handoff=handoff.name, histograms=False, limit=1)
        if newest:
            asked = unix_ns_of(datetime.fromisoformat(sys.argv[2]), where) if sys.argv[2:] else None
            measured(site, handoff, asked or newest[-1].started_unix_ns)


if __name__ == "__main__":
    main()
