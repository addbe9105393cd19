"""`linebook statement` and `linebook ticket`: a month judged, and what the provider was told."""

from __future__ import annotations

import argparse
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from commands.answering import EXIT_FAILED, handoff_named, handoffs_named, print_json, put_on_record, say
from dashboard import statements, text_statement
from dashboard.papers import files
from dashboard.papers import statement as paper
from store import jsonform
from store import site as sites
from store.clock import Clock, local, rfc3339, unix_ns_of, zone
from store.errors import UserMistake
from store.papers import IssuedPaper
from store.reader import Reader
from store.site import Handoff, Site
from store.tickets import TicketNote


def statement(path: Path, *, month: date | None, handoff: str | None, as_json: bool) -> int:
    """Print the statement of a month, the last one when None, of one handoff or of all."""
    site, now_ns = sites.load(path), Clock().unix_ns()
    where = zone(site.timezone)
    day = month or local(now_ns, where).date().replace(day=1) - timedelta(days=1)
    chosen = handoffs_named(site, handoff)
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
    if options.issue or options.paper:
        return _on_paper(options)
    return statement(options.site, month=options.month, handoff=options.handoff, as_json=options.json)


def _on_paper(options: argparse.Namespace) -> int:
    """Issue a month's statement, or write it as a draft."""
    site, now_ns = sites.load(options.site), Clock().unix_ns()
    where = zone(site.timezone)
    day = options.month or local(now_ns, where).date().replace(day=1) - timedelta(days=1)
    for file in options.paper:
        files.check(file)
    name = handoff_named(site, options.handoff).name if options.paper else options.handoff
    chosen = handoffs_named(site, name)
    with closing(Reader.open(site.database)) as reader:
        done = [_issued(reader, site, one, day, now_ns=now_ns, issue=options.issue) for one in chosen]
    if any(one is None for one in done):
        return EXIT_FAILED
    issues = [one for one in done if one is not None]
    for file in options.paper:
        files.write(issues[0].texts, file)
    if options.json:
        head = {"kind": "statements", "schema": 1, "started": rfc3339(now_ns), "standing": "valid"}
        print_json(head | {"reasons": [], "papers": [one.as_json() for one in issues]})
    else:
        print("\n".join(one.said() for one in issues))
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """A statement on paper: the texts, and what was issued, None for a draft; `again` if it was before."""

    number: str
    texts: files.Texts
    issued: IssuedPaper | None
    again: bool

    def said(self) -> str:
        if self.issued is None:
            return f"{self.number}: a draft, not issued."
        if self.again:
            return f"{self.issued.called} stands: nothing in it has changed since it was issued."
        changed = "".join(f"\n  {one}" for one in self.issued.changed)
        return f"{self.issued.called} is issued and on record (SHA-256 {self.issued.sha256}).{changed}"

    def as_json(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "version": self.issued and self.issued.version,
            "sha256": self.issued and self.issued.sha256,
            "again": self.again,
            "changed": list(self.issued.changed) if self.issued else [],
        }


def _issued(
    reader: Reader, site: Site, handoff: Handoff, day: date, *, now_ns: int, issue: bool
) -> _Done | None:
    """The statement of a handoff on paper; None when it was to be issued and is not on record."""
    where = zone(site.timezone)
    found = statements.find(reader, site, handoff, day=day, now_ns=now_ns)
    made = paper.read(reader, site, handoff, found)
    figures = paper.figures(made)
    if not issue:
        draft = paper.paper(made, site, where, version=None, changed=())
        return _Done(number=made.number, texts=files.texts(draft, figures), issued=None, again=False)
    if not found.over:
        raise UserMistake(f"--issue: {made.number} is not over yet; without --issue it is a draft")
    issued, again = paper.issue(reader, made, site, now_ns=now_ns)
    texts = paper.frozen(issued)
    if again:
        return _Done(number=made.number, texts=texts, issued=issued, again=True)
    if not put_on_record(site, issued):
        return None
    return _Done(number=made.number, texts=texts, issued=issued, again=False)


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
