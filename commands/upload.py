"""`linebook plan` and `linebook receipt`: when an upload is over, and what one was. Imports store,
dashboard.
"""

from __future__ import annotations

import re
from contextlib import closing
from datetime import tzinfo
from typing import Any

from commands import answering
from dashboard import text_uploads, uploads
from dashboard.uploads import Asked
from store import site as sites
from store.clock import NS_PER_S, Clock, zone
from store.errors import UserMistake
from store.reader import Reader
from store.receipts import Receipt
from store.site import Site

_SHA256 = re.compile(r"[0-9a-fA-F]{64}")
_NAME_MAX = 80


def plan(options: Any) -> int:
    """`linebook plan SITE --size SIZE [--start T] [--deadline T] [--to NAME] [--at-most RATE]`."""
    site = sites.load(options.site)
    where, now_ns = zone(site.timezone), Clock().unix_ns()
    start_ns = now_ns if options.start is None else moment("--start", options.start, where, now_ns)
    deadline_ns = None
    if options.deadline is not None:
        deadline_ns = moment("--deadline", options.deadline, where, max(now_ns, start_ns))
    asked = Asked(
        size_bytes=options.size,
        start_ns=start_ns,
        deadline_ns=deadline_ns,
        to=options.to,
        cap_bps=options.at_most,
    )
    check(asked, now_ns)
    with closing(Reader.open(site.database)) as reader:
        found = uploads.find(reader, site, asked, now_ns=now_ns)
    if options.json:
        answering.print_json(text_uploads.plan_json(found))
    else:
        print(text_uploads.plan(found, where))
    return 0


def receipt(options: Any) -> int:
    """`linebook receipt SITE --to NAME --size SIZE --seconds S [--ended T] [--sha256 HEX] [--handoff
    NAME]`.
    """
    site = sites.load(options.site)
    where, now_ns = zone(site.timezone), Clock().unix_ns()
    ended_ns = now_ns if options.ended is None else moment("--ended", options.ended, where, now_ns, past=True)
    if options.sha256 is not None and not _SHA256.fullmatch(options.sha256):
        raise UserMistake(f"--sha256: expected 64 hexadecimal digits, not {options.sha256[:80]!r}")
    if not options.to.strip() or len(options.to) > _NAME_MAX or not options.to.isprintable():
        raise UserMistake(f"--to: expected a name of 1 to {_NAME_MAX} printable characters")
    name = _handoff(site, options.handoff)
    line_bps = None
    if name and site.database.exists():
        with closing(Reader.open(site.database)) as reader:
            line_bps = uploads.line_median_bps(reader, site, name, around_ns=ended_ns)
    found = Receipt(
        handoff=name,
        started_unix_ns=ended_ns - round(options.seconds * NS_PER_S),
        to=options.to,
        size_bytes=options.size,
        seconds=options.seconds,
        ended_unix_ns=ended_ns,
        sha256=None if options.sha256 is None else options.sha256.lower(),
        line_goodput_bps=line_bps,
    )
    if not answering.put_on_record(site, found):
        return 3
    if options.paper:
        from dashboard.papers import files, sheets

        made = sheets.receipt(site, found, where, now_ns=now_ns)
        files.write_all(made, text_uploads.receipt_json(found), options.paper)
    answering.print_json(text_uploads.receipt_json(found)) if options.json else print(
        text_uploads.receipt(found)
    )
    return 0


def _handoff(site: Site, name: str | None) -> str:
    """The handoff that carried it; empty where several could have and nobody says."""
    if name is None and len(site.handoffs) > 1:
        return ""
    return answering.handoff_named(site, name).name


def check(asked: Asked, now_ns: int) -> None:
    """Refuse a plan that makes no sense. Raises UserMistake that names the option."""
    if (why := uploads.wrong(asked, now_ns)) is not None:
        raise UserMistake(f"--{why[0]}: {why[1]}")


def moment(option: str, text: str, where: tzinfo, from_ns: int, *, past: bool = False) -> int:
    """A time that an option names. Raises UserMistake that names the option."""
    try:
        return uploads.moment(text, where, from_ns, past=past)
    except ValueError as error:
        raise UserMistake(f"{option}: {error}") from None
