"""`linebook compare` and `linebook renewal`: two lines side by side, and what a term came to."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

from commands.answering import handoff_named, handoffs_named, print_json
from dashboard import over_time, text_over_time
from store import site as sites
from store.clock import Clock, rfc3339, zone
from store.errors import UserMistake
from store.reader import Reader
from store.site import Handoff, Site


def compare(
    path: Path, *, old: str | None, new: str | None, days: int, last: date | None, as_json: bool
) -> int:
    """Print two handoffs by hour of the day; the only two of a site need no names."""
    site, now_ns = sites.load(path), Clock().unix_ns()
    first, second = _two(site, old, new)
    with closing(Reader.open(site.database)) as reader:
        found = over_time.compared(reader, site, first, second, now_ns=now_ns, days=days, last=last)
    if as_json:
        print_json(_head("side by side", now_ns) | over_time.compared_json(found))
    else:
        print(text_over_time.side_by_side(found))
    return 0


def renewal(path: Path, *, handoff: str | None, as_json: bool, papers: Sequence[Path] = ()) -> int:
    """Print the renewal sheet of one handoff or of all; on paper that of one."""
    site, now_ns = sites.load(path), Clock().unix_ns()
    if papers:
        handoff = handoff_named(site, handoff).name
    chosen = handoffs_named(site, handoff)
    with closing(Reader.open(site.database)) as reader:
        found = [over_time.renewal_of(reader, site, one, now_ns=now_ns) for one in chosen]
    if papers:
        from dashboard.papers import files, sheets

        made = sheets.renewal(site, found[0], zone(site.timezone), now_ns=now_ns)
        files.write_all(made, over_time.renewal_json(found[0]), papers)
    if as_json:
        print_json(_head("renewal", now_ns) | {"handoffs": [over_time.renewal_json(one) for one in found]})
    else:
        print("\n\n".join(text_over_time.renewal(one) for one in found))
    return 0


def _two(site: Site, old: str | None, new: str | None) -> tuple[Handoff, Handoff]:
    names = [one.name for one in site.handoffs]
    if len(names) < 2:
        raise UserMistake(f"{site.file} has one handoff; two lines side by side need two")
    if (old is None or new is None) and len(names) > 2:
        missing = "--old" if old is None else "--new"
        raise UserMistake(f"{missing}: {site.file} has several; name one of {', '.join(names)}")
    old = old if old is not None else next(each for each in names if each != new)
    first = handoff_named(site, old, option="--old")
    new = new if new is not None else next(each for each in names if each != old)
    second = handoff_named(site, new, option="--new")
    if first.name == second.name:
        raise UserMistake(f"--new: {second.name} is the old line too; name two")
    return first, second


def _head(kind: str, now_ns: int) -> dict[str, Any]:
    return {"kind": kind, "schema": 1, "started": rfc3339(now_ns), "standing": "valid", "reasons": []}


def compare_command(options: argparse.Namespace) -> int:
    """Print two lines side by side as the options say."""
    return compare(
        options.site,
        old=options.old,
        new=options.new,
        days=options.days,
        last=options.last,
        as_json=options.json,
    )


def renewal_command(options: argparse.Namespace) -> int:
    """Print the renewal sheet as the options say."""
    return renewal(options.site, handoff=options.handoff, as_json=options.json, papers=options.paper)
