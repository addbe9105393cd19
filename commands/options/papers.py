"""Papers: the evidence pack."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.options import values
from commands.options.parsing import command, takes_site, tells_json


def add(commands: Any) -> None:
    """The commands that make papers."""
    pack = command(
        commands,
        "pack",
        "pack:command",
        "An evidence pack of one handoff: paper, raw data, verdicts, signature, and how to check them.",
    )
    takes_site(pack)
    pack.add_argument("--handoff", metavar="NAME", help="a handoff of the site file (its only one)")
    pack.add_argument(
        "--from",
        dest="first",
        type=values.day,
        metavar="DATE",
        help="first day, in local time (27 before the last)",
    )
    pack.add_argument(
        "--to", dest="last", type=values.day, metavar="DATE", help="last day, included (yesterday)"
    )
    pack.add_argument("--to-dir", type=Path, metavar="DIR", help="a new folder; its zip stands beside it")
    pack.add_argument(
        "--question", type=values.words, metavar="TEXT", help="the question that the pack is to answer"
    )
    pack.add_argument("--preview", action="store_true", help="say what would be withheld, and make nothing")
    pack.add_argument(
        "--hide",
        action="append",
        type=values.words,
        default=[],
        metavar="WORD",
        help="withhold this word too (may be repeated)",
    )
    pack.add_argument(
        "--unredacted",
        action="store_true",
        help="withhold nothing but secrets, and add the sealed days of the whole record",
    )
    tells_json(pack)
