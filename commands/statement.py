"""`linebook statement` and `linebook ticket`: a month judged, and what the provider was told."""

from __future__ import annotations

import argparse
from contextlib import closing
from datetime import date, datetime, timedelta
from pathlib import Path

from commands.answering import EXIT_FAILED, handoff_named, print_json, put_on_record, say
from dashboard import statements, text_statement
from store import jsonform
from store import site as sites
from store.clock import Clock, local, rfc3339, unix_ns_of, zone
from store.errors import UserMistake
from store.reader import Reader
from store.tickets import TicketNote


def statement(path: Path, *, month: date | None, handoff: str | None, as_json: bool) -> int:
    """Print the statement of a month, the last one when None, of one handoff or of all."""
    site, now_ns = sites.load(path), Clock().unix_ns()
    where = zone(site.timezone)
    day = month or local(now_ns, where).date().replace(day=1) - timedelta(days=1)
    chosen = site.handoffs if handoff is None else (handoff_named(site, handoff),)
    with closing(Reader.open(site.database)) as reader:
        found = [statements.find(reader, site, one, day=day, now_ns=now_ns) for one in chosen]
    if as_json:
        head = {"kind": "statement", "schema": 1, "started": rfc3339(now_ns), "standing": "valid"}
        print_json(head | {"reasons": [], "handoffs": [statements.as_json(one) for one in found]})
    else:
        print(text_statement.statements(found, where))
    return 0


def ticket(
    path: Path,
    reference: str,
    *,
    handoff: str | None,
    opened: datetime | None,
    closed: datetime | None,
    promised: datetime | None,
    says: str | None,
    as_json: bool,
) -> bool:
    """Put a note on a ticket on record; whether that was possible."""
    site, now_ns = sites.load(path), Clock().unix_ns()
    where = zone(site.timezone)
    opened_ns, closed_ns, promised_ns = (
        None if moment is None else unix_ns_of(moment, where) for moment in (opened, closed, promised)
    )
    if says is None and opened is closed is promised is None:
        raise UserMistake("ticket: nothing to note; expected --opened, --closed, --promised or --says")
    if opened_ns is not None and closed_ns is not None and closed_ns < opened_ns:
        raise UserMistake(f"--closed: {closed} is before --opened {opened}")
    note = TicketNote(
        handoff=handoff_named(site, handoff).name,
        started_unix_ns=now_ns,
        reference=reference,
        says=says,
        opened_unix_ns=opened_ns,
        closed_unix_ns=closed_ns,
        promised_unix_ns=promised_ns,
    )
    if not put_on_record(site, note):
        return False
    print_json(jsonform.as_json(note)) if as_json else say(f"Ticket {reference} is on record.")
    return True


def statement_command(options: argparse.Namespace) -> int:
    """Print a month's statement as the options say."""
    return statement(options.site, month=options.month, handoff=options.handoff, as_json=options.json)


def ticket_command(options: argparse.Namespace) -> int:
    """Put a ticket's note on record as the options say."""
    kept = ticket(
        options.site,
        options.reference,
        handoff=options.handoff,
        opened=options.opened,
        closed=options.closed,
        promised=options.promised,
        says=options.says,
        as_json=options.json,
    )
    return 0 if kept else EXIT_FAILED
