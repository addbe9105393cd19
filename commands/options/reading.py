"""The options of what reads the record or checks it, the site file, the computer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.options import values
from commands.options.parsing import command, group, takes_site, tells_json


def add(commands: Any) -> None:
    """Declare them."""
    _reading_commands(commands)


def _reading_commands(commands: Any) -> None:
    check = command(
        commands,
        "check",
        "reading:check",
        "Will the line hold for this stream plan? Go, Tight, Hold or Unknown.",
    )
    takes_site(check)
    check.add_argument("--plan", required=True, metavar="NAME", help="a stream plan of the site file")
    when = check.add_mutually_exclusive_group()
    when.add_argument(
        "--before",
        choices=("24h", "1h", "10min"),
        help="measure and look as fits so long before the show: within 5 min, 60 s or 20 s; 24h fills the "
        "line",
    )
    when.add_argument(
        "--keep", action="store_true", help="put the answer on record as the forecast of the next show"
    )
    values.paper(check)
    tells_json(check)
    verify = command(
        commands,
        "verify",
        "record:verify",
        "Is the record what was sealed? Names the first record that is changed, missing, moved or added.",
    )
    verify.add_argument(
        "record", type=Path, metavar="DATABASE|PACK", help="a database, or a pack: its folder or its zip"
    )
    verify.add_argument(
        "--key",
        action="append",
        type=values.key,
        default=[],
        metavar="PUBKEY",
        help="public key or fingerprint that must have signed, as it was noted elsewhere (may be repeated)",
    )
    tells_json(verify)
    salvage = command(
        commands,
        "salvage",
        "record:salvage",
        "Copy what can be read of a damaged database into a new one. The damaged one stays as it is.",
    )
    salvage.add_argument("database", type=Path, metavar="DATABASE", help="the damaged database")
    salvage.add_argument("copy", type=Path, metavar="NEW", help="the new one; it may not exist yet")
    tells_json(salvage)
    correct = command(
        commands,
        "correct",
        "record:correct",
        "Put on record how an older record is to be read; it stays as it is. While the probe is stopped.",
    )
    correct.add_argument("database", type=Path, metavar="DATABASE", help="the database")
    correct.add_argument(
        "seq", type=values.whole(1, 2**62), metavar="NUMBER", help="the record's number in the chain"
    )
    for option, what in (("--what", "how it is to be read"), ("--why", "how that is known")):
        correct.add_argument(option, type=values.words, required=True, metavar="TEXT", help=what)
    tells_json(correct)
    events = command(
        commands,
        "events",
        "reading:events",
        "The fault log: what happened, joined into cases, with owner and next step.",
    )
    takes_site(events)
    events.add_argument(
        "--from",
        dest="first",
        type=values.day,
        metavar="DATE",
        help="first day, in local time (default: 6 days ago)",
    )
    events.add_argument(
        "--to", dest="last", type=values.day, metavar="DATE", help="last day, included (today)"
    )
    events.add_argument("--handoff", metavar="NAME", help="this handoff alone, and what concerns all")
    tells_json(events)
    rates = command(
        commands,
        "rates",
        "reading:rates",
        "Does each handoff carry its card's rate: at the contract's layer and as payload, busy hours and "
        "days apart, alone and together with the others of its contract.",
    )
    ledger = command(
        commands,
        "ledger",
        "reading:ledger",
        "The exclusions ledger: what each rule left out of each verdict, and the verdict without it.",
    )
    for each in (rates, ledger):
        takes_site(each)
        each.add_argument("--handoff", metavar="NAME", help="this handoff alone (default: every one)")
        each.add_argument(
            "--days", type=values.whole(1, 3660), default=30, metavar="N", help="the last N days (default 30)"
        )
        tells_json(each)
    _findings_command(commands)
    _accept_command(commands)
    budget = command(
        commands,
        "budget",
        "reading:budget",
        "What tests spent of their allowance, and everybody of the provider's cap; and what it will come to.",
    )
    takes_site(budget)
    tells_json(budget)
    campaign = command(
        commands,
        "campaign",
        "reading:campaign",
        "What became of a campaign: its answer and every planned run. Without a name, all campaigns.",
    )
    campaign.add_argument(
        "source", type=Path, metavar="SITE|DATABASE", help="the site file; a database gives no verdict"
    )
    campaign.add_argument("name", nargs="?", metavar="NAME", help="one campaign")
    tells_json(campaign)
    _term_commands(commands)
    _export_command(commands)
    _samples_command(commands)
    acts = group(commands, "host", "This computer: check whether it can measure well.")
    host_check = command(
        acts,
        "check",
        "checking:host_check",
        "Can this computer measure what the site file asks? Its ceiling, ports, kernel, clock and disk.",
    )
    takes_site(host_check)
    tells_json(host_check)
    acts = group(commands, "site", "The site file: check it.")
    site_check = command(
        acts,
        "check",
        "checking:site_check",
        "What is wrong with a site file, what its schedule costs a month, what its cards leave open.",
    )
    takes_site(site_check)
    tells_json(site_check)


def _accept_command(commands: Any) -> None:
    accept = command(
        commands,
        "accept",
        "accept:run",
        "The acceptance sheet of a handoff: rows A1 to A20 judged from the record, safety first, what comes "
        "next, and until when a refusal is in time.",
    )
    takes_site(accept)
    for option, what, words in (
        ("--handoff", "NAME", "the handoff (default: all of them in a few lines)"),
        ("--row", "ROW", "one row (A1 to A20) or safety question (S1 to S6)"),
        ("--answer", "WORD", "with --row: yes or no; met, not-met, undecided or not-tested"),
        ("--says", "TEXT", "what was seen, in your own words"),
        ("--defect", "TEXT", "note a defect that no row shows"),
        ("--mended", "D1", "this noted defect is mended"),
        ("--decide", "WORD", "your decision: accepted, accepted-with-defects or refused"),
    ):
        accept.add_argument(option, type=values.words, metavar=what, help=words)
    accept.add_argument(
        "--run", action="store_true", help="run the row now; only where every safety question allows it"
    )
    accept.add_argument(
        "--seconds",
        type=values.whole(2, 3600),
        metavar="S",
        help="with --run: shorter than the sheet asks, which can show a limit missed and never kept",
    )
    values.paper(accept)
    tells_json(accept)


def _findings_command(commands: Any) -> None:
    findings = command(
        commands,
        "findings",
        "reading:findings",
        "Which signatures of faults the record shows: what was seen, the likely cause, who must act, what "
        "would confirm it.",
    )
    takes_site(findings)
    findings.add_argument(
        "--from",
        dest="first",
        type=values.day,
        metavar="DATE",
        help="first day, in local time (default: four weeks up to the last)",
    )
    findings.add_argument(
        "--to", dest="last", type=values.day, metavar="DATE", help="last day, included (today)"
    )
    findings.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    findings.add_argument(
        "--list",
        dest="own",
        type=Path,
        metavar="CSV",
        help="the house's own list of times, such as a kiln's: columns what, from, to",
    )
    tells_json(findings)


def _term_commands(commands: Any) -> None:
    """What is asked over the term of a contract."""
    statement = command(
        commands,
        "statement",
        "statement:statement_command",
        "A month: availability by every rule, credits with each step, rates; by when to claim.",
    )
    takes_site(statement)
    statement.add_argument(
        "--month", type=values.month, metavar="MONTH", help="such as 2026-11 (default: the last)"
    )
    statement.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    statement.add_argument(
        "--issue",
        action="store_true",
        help="number it and freeze it in the record; again only as a new version that says what changed",
    )
    values.paper(statement)
    tells_json(statement)
    compare = command(
        commands,
        "compare",
        "over_time:compare_command",
        "Two lines by hour of the day, and what paying for both cost.",
    )
    takes_site(compare)
    compare.add_argument("--old", metavar="NAME", help="the line that goes (the other of two handoffs)")
    compare.add_argument("--new", metavar="NAME", help="the line that stays")
    compare.add_argument(
        "--days", type=values.whole(1, 366), default=30, metavar="N", help="how many, up to the last (30)"
    )
    compare.add_argument(
        "--to", dest="last", type=values.day, metavar="DATE", help="last day, included (today)"
    )
    tells_json(compare)
    renewal = command(
        commands,
        "renewal",
        "over_time:renewal_command",
        "A term so far: paid, credits, months failed, cost of a Mb/s, days of notice, trends and changes.",
    )
    takes_site(renewal)
    renewal.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    values.paper(renewal)
    tells_json(renewal)
    ticket = command(
        commands,
        "ticket",
        "statement:ticket_command",
        "Put on record what the provider was told and when; the same reference again adds to it.",
    )
    takes_site(ticket)
    ticket.add_argument(
        "reference", type=values.words, metavar="REFERENCE", help="the provider's reference of the report"
    )
    ticket.add_argument("--handoff", metavar="NAME", help="a handoff of the site file (its only one)")
    for option, what in (("opened", "when it was opened"), ("closed", "when the provider closed it")):
        ticket.add_argument(f"--{option}", type=values.moment, metavar="TIME", help=f"{what}, local time")
    ticket.add_argument(
        "--promised", type=values.moment, metavar="TIME", help="by when a repair was promised"
    )
    ticket.add_argument("--says", type=values.words, metavar="TEXT", help="what was said")
    tells_json(ticket)


def _export_command(commands: Any) -> None:
    export = command(
        commands,
        "export",
        "record:export_record",
        "Write the record to files for other programs, or copy the database, while the probe measures on.",
    )
    export.add_argument("source", type=Path, metavar="SITE|DATABASE", help="the site file, or a database")
    export.add_argument("to", type=Path, metavar="TO", help="a directory; with --format sqlite a file")
    export.add_argument(
        "--format",
        required=True,
        choices=("csv", "jsonl", "parquet", "sqlite", "pack"),
        help="jsonl: an object a line; sqlite: a copy of the whole database; pack: sealed days for `verify`",
    )
    export.add_argument(
        "--from", dest="first", type=values.day, metavar="DATE", help="first day, in local time"
    )
    export.add_argument("--to", dest="last", type=values.day, metavar="DATE", help="last day, included")
    export.add_argument("--handoff", metavar="NAME", help="what concerns this handoff alone")
    export.add_argument("--force", action="store_true", help="replace files that are there already")
    tells_json(export)


def _samples_command(commands: Any) -> None:
    samples = command(
        commands,
        "samples",
        "record:samples",
        "Print the packets of a train that are kept one by one, around stalls and on days of claims: a JSON "
        "line each.",
    )
    samples.add_argument("source", type=Path, metavar="SITE|DATABASE", help="the site file, or a database")
    samples.add_argument(
        "--from",
        dest="first",
        type=values.moment,
        required=True,
        metavar="TIME",
        help="sent at this moment or later, such as 2026-11-25T19:00 in local time, or with an offset",
    )
    samples.add_argument("--to", dest="last", type=values.moment, metavar="TIME", help="and before this one")
    samples.add_argument("--handoff", metavar="NAME", help="of this handoff; needed when there are several")
    samples.add_argument("--endpoint", metavar="NAME", help="to this endpoint; likewise")
    samples.add_argument("--json", action="store_true", help="changes nothing: it is JSON anyway")
