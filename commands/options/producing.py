"""The options of what a producer asks: show, plan, receipt, house."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.options import values
from commands.options.parsing import command, group, takes_site, tells_json


def add(commands: Any) -> None:
    """Declare them."""
    _show_commands(commands)
    _upload_commands(commands)
    _house_command(commands)


def _show_commands(commands: Any) -> None:
    acts = group(commands, "show", "A show after it: what became of it.")
    report = command(
        acts,
        "report",
        "show:command",
        "What became of a show: its stalls, whose each of the encoder's drops was, and the forecast's score.",
    )
    takes_site(report)
    report.add_argument("--plan", required=True, metavar="NAME", help="a stream plan of the site file")
    report.add_argument(
        "--date",
        type=values.day,
        metavar="DAY",
        help="the day on which it began (default: the last one over)",
    )
    report.add_argument(
        "--drops",
        type=Path,
        metavar="FILE.csv",
        help="drops that the encoder noted: CSV with a column time, and seconds, frames, destination",
    )
    values.paper(report)
    tells_json(report)


def _upload_commands(commands: Any) -> None:
    plan = command(
        commands,
        "plan",
        "upload:plan",
        "When is an upload over, and when must it start? By past days, hour by hour, minus the hours of "
        "shows.",
    )
    takes_site(plan)
    plan.add_argument("--size", type=values.size, required=True, metavar="SIZE", help='"64 GB" or "59.6 GiB"')
    plan.add_argument("--start", metavar="TIME", help='"23:00" or "2026-03-09 23:00" (default: now)')
    plan.add_argument(
        "--deadline", metavar="TIME", help="when it must be over; asks for the latest safe start"
    )
    plan.add_argument("--to", metavar="NAME", help="the receiver, as its receipts call it")
    plan.add_argument("--at-most", type=values.rate, metavar="RATE", help='what it takes, such as "250 Mb/s"')
    tells_json(plan)
    receipt = command(
        commands,
        "receipt",
        "upload:receipt",
        "Put a real upload on record, from which plans learn what its receiver takes.",
    )
    takes_site(receipt)
    receipt.add_argument("--to", required=True, metavar="NAME", help="the receiver, as you call it")
    receipt.add_argument(
        "--size", type=values.size, required=True, metavar="SIZE", help='"64 GB" or "59.6 GiB"'
    )
    receipt.add_argument(
        "--seconds", type=values.number(1, 31 * 86_400), required=True, metavar="S", help="how long it took"
    )
    receipt.add_argument("--ended", metavar="TIME", help="when it was over (default: now)")
    receipt.add_argument("--sha256", metavar="HEX", help="checksum of what was sent")
    receipt.add_argument("--handoff", metavar="NAME", help="which handoff carried it (the only one)")
    values.paper(receipt)
    tells_json(receipt)


def _house_command(commands: Any) -> None:
    house = command(
        commands,
        "house",
        "house:command",
        "What can each hop of your own way show at best, which is the weakest, and what is the cheapest "
        "cure?",
    )
    takes_site(house)
    tells_json(house)
