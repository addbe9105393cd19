"""The `linebook` command: the one place that knows probe, store and dashboard.

Loads only what a sub-command needs, so that help comes at once. Results go to standard output,
progress and mistakes to standard error. Exit codes: 0 done, 2 a mistake in usage, site file or
invitation (one sentence says which), 3 a measurement that failed (a result, with its reason).
"""

from __future__ import annotations

import argparse
import difflib
import json
import sys
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from store.clock import Clock
from store.errors import LinebookError, UserMistake

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine
    from datetime import tzinfo

    from store import door
    from store.export import Choice
    from store.notify import Manager
    from store.records import Failed
    from store.site import Handoff, Site, StreamPlan
    from store.thinning import Due, Plan

T = TypeVar("T")

EXIT_MISTAKE = 2
EXIT_FAILED = 3
EXIT_STOPPED = 130  # by SIGINT or SIGTERM, as a shell counts the first


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence, with the near match for a word it does not know."""

    def error(self, message: str) -> NoReturn:
        sys.stderr.write(f"{self.prog}: {message.removeprefix('argument ')}\n")
        sys.exit(EXIT_MISTAKE)

    def unknown(self, word: str) -> NoReturn:
        """End with the sentence for a word that no option or argument of this command takes."""
        known = [option for action in self._actions for option in action.option_strings]
        near = difflib.get_close_matches(word.split("=")[0], known, n=1)
        self.error(f"{word!r} is not known here{f'; did you mean {near[0]}?' if near else '; see --help'}")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is not None and value not in action.choices:
            words = [str(choice) for choice in action.choices]
            near = difflib.get_close_matches(str(value), words, n=1)
            hint = f"did you mean {near[0]}?" if near else f"it is one of {', '.join(words)}"
            raise argparse.ArgumentError(action, f"{value!r} is not known; {hint}")


class _Version(argparse.Action):
    """Finds the version out only when it is asked for, which takes a while."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any, **__: Any) -> NoReturn:
        print(f"linebook {_version()}")
        parser.exit()


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options, rest = _parser().parse_known_args(arguments)
    if rest:
        options.parser.unknown(rest[0])
    try:
        return int(options.command(options))
    except UserMistake as mistake:
        sys.stderr.write(f"linebook: {mistake}\n")
        return EXIT_MISTAKE
    except LinebookError as trouble:
        sys.stderr.write(f"linebook: {trouble}\n")
        return EXIT_FAILED
    except BrokenPipeError:  # the reader of our output went away
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        return EXIT_STOPPED


def _parser() -> _Parser:
    parser = _Parser(
        prog="linebook",
        description="The log book of an internet line: measures it, keeps the record, says what it means.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    _practice_command(commands)
    _endpoint_commands(commands)
    _probe_commands(commands)
    _run_commands(commands)
    _split_command(commands)
    _failover_command(commands)
    _reading_commands(commands)
    _show_commands(commands)
    _upload_commands(commands)
    _house_command(commands)
    return parser


def _command(commands: Any, name: str, run: Callable[[argparse.Namespace], int], words: str) -> _Parser:
    made: _Parser = commands.add_parser(name, help=words, description=words, allow_abbrev=False)
    made.set_defaults(command=run, parser=made, word=name)
    return made


def _practice_command(commands: Any) -> None:
    practice = _command(
        commands,
        "practice",
        _practice,
        "Run it all on this machine: an endpoint, an invented line with faults, a probe, the dashboard.",
    )
    practice.add_argument("--keep", type=Path, metavar="DIR", help="keep the database and site file in DIR")
    practice.add_argument(
        "--port", type=_port, help="port of the dashboard (default: the first free from 8470)"
    )
    practice.add_argument(
        "--history",
        action="store_true",
        help="instead: write the practice site's invented months into DIR (--keep), which takes minutes, and "
        "show them; a record that is there already is shown",
    )
    practice.add_argument(
        "--months", type=_whole(1, 18), default=18, metavar="N", help="of --history, 1 to 18 (default 18)"
    )
    practice.add_argument(
        "--json", action="store_true", help="of --history: write only, and print one JSON object"
    )


def _endpoint_commands(commands: Any) -> None:
    endpoint = commands.add_parser("endpoint", help="The far end that you host: invite and serve.")
    acts = endpoint.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    invite = _command(
        acts, "invite", _invite, "Make an endpoint's keys in DIR and print one invitation, a secret."
    )
    invite.add_argument("directory", type=Path, metavar="DIR")
    invite.add_argument("--address", required=True, metavar="HOST[:PORT]", help="where probes will find it")
    invite.add_argument(
        "--name", default="probe", help="name of the caller; the same name again replaces its key"
    )
    invite.add_argument("--json", action="store_true", help="one JSON object on standard output")
    serve = _command(acts, "serve", _serve, "Answer the holders of invitations made in DIR, and nobody else.")
    serve.add_argument("directory", type=Path, metavar="DIR")
    serve.add_argument("--listen", metavar="ADDRESS[:PORT]", help="where to listen (default: every address)")


def _probe_commands(commands: Any) -> None:
    probe = _command(commands, "probe", _probe, "Measure by the site file's schedule until stopped.")
    probe.add_argument("site", type=Path, metavar="SITE", help="the site file")
    status = _command(
        commands, "status", _status, "What the running probe does, what is due next, and what holds it back."
    )
    status.add_argument("site", type=Path, metavar="SITE", help="the site file")
    status.add_argument("--json", action="store_true", help="one JSON object on standard output")
    stop = _command(
        commands, "stop", _stop, "End all test traffic of the running probe at both ends, within 2 s."
    )
    stop.add_argument("site", type=Path, metavar="SITE", help="the site file")
    how_long = stop.add_mutually_exclusive_group()
    how_long.add_argument(
        "--minutes",
        type=_number(1, 10_080),
        default=60,
        metavar="N",
        help="measure again after N (default 60)",
    )
    how_long.add_argument("--resume", action="store_true", help="measure again at once")
    stop.add_argument("--json", action="store_true", help="one JSON object on standard output")
    _window_commands(commands)
    dashboard = _command(commands, "dashboard", _dashboard, "Show the record as pages on this machine.")
    dashboard.add_argument("site", type=Path, metavar="SITE", help="the site file")
    dashboard.add_argument("--host", default="127.0.0.1", help="loopback address to listen on")
    dashboard.add_argument("--port", type=_port, help="port (default: the first free from 8470)")


def _window_commands(commands: Any) -> None:
    window = commands.add_parser("window", help="Open or close a show window at once.")
    acts = window.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    opening = _command(acts, "open", _window, "From now on no run fills the line; trains go on.")
    opening.add_argument(
        "--minutes", type=_number(1, 10_080), metavar="N", help="close it after N (default: when told to)"
    )
    closing = _command(acts, "close", _window, "Close the show windows that were opened at once.")
    for parser, opens in ((opening, True), (closing, False)):
        parser.set_defaults(opens=opens)
        parser.add_argument("site", type=Path, metavar="SITE", help="the site file")
        parser.add_argument("--handoff", metavar="NAME", help="concerns this handoff (default: all of them)")
        parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _run_commands(commands: Any) -> None:
    words = "rate, paced, capacity, burst, sizes, steps, loaded-delay, rehearsal, train, soak or mtu"
    run = commands.add_parser("run", help=f"Measure once, now: {words}.")
    methods = run.add_subparsers(title="commands", metavar="METHOD", required=True, parser_class=_Parser)
    rate = _command(
        methods,
        "rate",
        _run,
        "TCP rate, counted where it arrives. It fills the line, unless --at-most is given: emergency calls, "
        "alarms or medical devices may share it.",
    )
    _reach_options(rate)
    rate.add_argument(
        "--direction", choices=("up", "down", "both"), default="up", help="seen from the probe (default up)"
    )
    rate.add_argument(
        "--seconds", type=_number(1, 3600), default=10, metavar="S", help="1 to 3600 (default 10)"
    )
    rate.add_argument("--flows", type=_whole(1, 16), default=4, metavar="N", help="1 to 16 (default 4)")
    rate.add_argument(
        "--at-most",
        type=_rate,
        metavar="RATE",
        help='a light run: ask for no more TCP payload each way than this, such as "150 Mb/s"; it shows that '
        "the line carries so much, and says nothing of its full rate",
    )
    rate.add_argument(
        "--congestion", metavar="NAME", help="congestion control (default: cubic where allowed)"
    )
    paced = _command(
        methods,
        "paced",
        _run,
        "Packets over UDP at a fixed rate: what arrives, loss, reordering, delay variation. It fills the "
        "line as far as it offers: emergency calls, alarms or medical devices may share it.",
    )
    _reach_options(paced)
    paced.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    paced.add_argument(
        "--offered", type=_rate, required=True, metavar="RATE", help='at the IP layer, such as "200 Mb/s"'
    )
    paced.add_argument(
        "--seconds", type=_number(1, 3600), default=10, metavar="S", help="1 to 3600 (default 10)"
    )
    paced.add_argument(
        "--payload",
        type=_whole(60, 8972),
        metavar="BYTES",
        help="of each packet, an even number (default: as fits packets of 1500 bytes)",
    )
    rehearsal = _command(
        methods,
        "rehearsal",
        _run,
        "A stream plan's own frames, all destinations at once: which would come late or never. It fills the "
        "line as the show would: emergency calls, alarms or medical devices may share it.",
    )
    rehearsal.add_argument("site", type=Path, metavar="SITE", help="the site file")
    rehearsal.add_argument("--plan", required=True, metavar="NAME", help="a stream plan of the site file")
    rehearsal.add_argument(
        "--endpoint",
        metavar="NAME|INVITATION",
        help="an endpoint of the site file (default: its first one outside), or an invitation",
    )
    rehearsal.add_argument(
        "--seconds", type=_number(1, 3600), default=60, metavar="S", help="1 to 3600 (default 60)"
    )
    rehearsal.add_argument("--json", action="store_true", help="one JSON object on standard output")
    capacity = _command(
        methods,
        "capacity",
        _run,
        "The most that the line carries, searched for over UDP (RFC 9097). It fills the line: emergency "
        "calls, alarms or medical devices may share it.",
    )
    _reach_options(capacity)
    capacity.add_argument(
        "--direction",
        choices=("up", "down", "both"),
        default="up",
        help="seen from the probe; both are one after the other (default up)",
    )
    capacity.add_argument(
        "--seconds",
        type=_number(2, 60),
        default=10,
        metavar="S",
        help="2 to 60 in each direction (default 10); 1 Gb/s takes 5 to reach",
    )
    capacity.add_argument(
        "--payload",
        type=_whole(64, 1472),
        default=1220,
        metavar="BYTES",
        help="of each packet, an even number (default 1220: IPv4 packets of 1248 bytes)",
    )
    burst = _command(
        methods,
        "burst",
        _run,
        "Bursts of growing size after 2 s of silence: committed burst size, and does the line drop (policer) "
        "or delay (shaper) what is more? Each fills the line for some milliseconds: emergency calls, alarms "
        "or medical devices may share it.",
    )
    _reach_options(burst)
    burst.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    burst.add_argument(
        "--most", type=_size, default=8_000_000, metavar="SIZE", help='largest burst (default "8 MB")'
    )
    burst.add_argument(
        "--line",
        type=_rate,
        default=10_000_000_000,
        metavar="RATE",
        help="send no faster (default: as fast as it goes)",
    )
    sizes = _command(
        methods,
        "sizes",
        _run,
        "Frames of 128 to 1518 bytes at one rate above the limit: which layer does the limit count? It fills "
        "the line: emergency calls, alarms or medical devices may share it.",
    )
    _reach_options(sizes)
    sizes.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    sizes.add_argument(
        "--offered",
        type=_rate,
        required=True,
        metavar="RATE",
        help="at the IP layer, more than the limit lets pass",
    )
    sizes.add_argument(
        "--seconds", type=_number(2, 600), default=10, metavar="S", help="of each size, 2 to 600 (default 10)"
    )
    steps = _command(
        methods,
        "steps",
        _run,
        "25, 50, 75, 90, 100, 110 and 125 % of a rate, one after the other: what arrives, and which step "
        "first loses? It fills the line: emergency calls, alarms or medical devices may share it.",
    )
    _reach_options(steps)
    steps.add_argument(
        "--direction",
        choices=("up", "down", "both"),
        default="both",
        help="seen from the probe; both is up, then down (default both)",
    )
    steps.add_argument(
        "--rate",
        type=_rate,
        required=True,
        metavar="RATE",
        help='what is 100 %%, at the IP layer, such as "200 Mb/s"',
    )
    steps.add_argument(
        "--seconds", type=_number(2, 600), default=10, metavar="S", help="of each step, 2 to 600 (default 10)"
    )
    _loaded_delay_command(methods)
    train = _command(
        methods, "train", _run, "Small numbered packets: delay, its variation, loss by direction."
    )
    _reach_options(train)
    train.add_argument(
        "--seconds", type=_number(1, 86_400), default=10, metavar="S", help="1 to 86400 (default 10)"
    )
    train.add_argument(
        "--per-second", type=_number(1, 200), default=20, metavar="N", help="1 to 200 (default 20)"
    )
    train.add_argument(
        "--size", type=_whole(112, 1472), default=152, metavar="BYTES", help="UDP payload (default 152)"
    )
    train.add_argument(
        "--wait", type=_number(0.1, 60), default=3, metavar="S", help="how long a reply may take (default 3)"
    )
    train.add_argument("--samples", type=Path, metavar="FILE", help="write one JSON line a packet to FILE")
    _soak_command(methods)
    _mtu_command(methods)


def _soak_command(methods: Any) -> None:
    soak = _command(
        methods,
        "soak",
        _run,
        "A train of hours, kept in a file as it goes: killed at any moment and started again with the same "
        "file, it goes on to the same end. How small is the loss?",
    )
    _reach_options(soak)
    soak.add_argument(
        "--seconds",
        type=_number(10, 2_678_400),
        default=86_400,
        metavar="S",
        help="10 to 2678400 (default 86400, a day)",
    )
    soak.add_argument(
        "--per-second", type=_number(1, 200), default=50, metavar="N", help="1 to 200 (default 50)"
    )
    soak.add_argument(
        "--kept", type=Path, required=True, metavar="FILE", help="where to keep it, and to go on from"
    )


def _mtu_command(methods: Any) -> None:
    mtu = _command(
        methods, "mtu", _run, "The largest packets that the way carries whole, in each IP version."
    )
    _reach_options(mtu)


def _loaded_delay_command(methods: Any) -> None:
    loaded = _command(
        methods,
        "loaded-delay",
        _run,
        "One train before, during and after TCP load up, down and both ways: the delay that load adds each "
        "way, and how long it takes to go. It fills the line: emergency calls, alarms or medical devices may "
        "share it.",
    )
    _reach_options(loaded)
    loaded.add_argument(
        "--direction",
        choices=("up", "down", "both"),
        action="append",
        help="load this way only; may be given again (default: up, then down, then both at once)",
    )
    loaded.add_argument(
        "--seconds",
        type=_number(4, 3600),
        default=10,
        metavar="S",
        help="of each load, 4 to 3600 (default 10)",
    )
    loaded.add_argument("--flows", type=_whole(1, 16), default=4, metavar="N", help="1 to 16 (default 4)")
    loaded.add_argument(
        "--per-second",
        type=_number(10, 200),
        default=50,
        metavar="N",
        help="packets of the train, 10 to 200 (default 50)",
    )
    loaded.add_argument(
        "--congestion", metavar="NAME", help="congestion control (default: cubic where allowed)"
    )


def _split_command(commands: Any) -> None:
    split = _command(
        commands,
        "split",
        _split,
        "Within a minute: on which part of the way is the trouble, and who must act?",
    )
    split.add_argument("site", type=Path, metavar="SITE", help="the site file")
    split.add_argument("--handoff", metavar="NAME", help="the way of this handoff (needed with several)")
    split.add_argument(
        "--seconds", type=_number(5, 1800), default=45, metavar="S", help="5 to 1800 (default 45)"
    )
    split.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _failover_command(commands: Any) -> None:
    failover = _command(
        commands,
        "failover",
        _failover,
        "Two uplinks and a stopwatch: you break the main one (warn everybody first), and it tells how long "
        "nothing passed, what was lost, and when traffic came back. Ctrl-C ends it and keeps what was seen.",
    )
    failover.add_argument("site", type=Path, metavar="SITE", help="the site file")
    failover.add_argument(
        "--main", metavar="NAME", help="the handoff that will be broken (default: the first of two)"
    )
    failover.add_argument(
        "--backup", metavar="NAME", help="the handoff that is to take over (default: the other of two)"
    )
    failover.add_argument(
        "--endpoint", metavar="NAME", help="an endpoint of the site file (default: its first one outside)"
    )
    failover.add_argument(
        "--seconds", type=_number(5, 3600), default=120, metavar="S", help="5 to 3600 (default 120)"
    )
    failover.add_argument(
        "--per-second",
        type=_number(10, 100),
        default=20,
        metavar="N",
        help="packets of each train, 10 to 100 (default 20); the stopwatch is as fine as they are apart",
    )
    failover.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _reach_options(parser: _Parser) -> None:
    parser.add_argument(
        "--endpoint",
        required=True,
        metavar="INVITATION",
        help="the line that `endpoint invite` printed, or a file that holds it",
    )
    parser.add_argument("--interface", metavar="NAME", help="leave by this interface")
    parser.add_argument("--source", type=_address, metavar="ADDRESS", help="leave with this source address")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _show_commands(commands: Any) -> None:
    show = commands.add_parser("show", help="A show after it: what became of it.")
    acts = show.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    report = _command(
        acts,
        "report",
        _show_report,
        "What became of a show: its stalls, whose each of the encoder's drops was, and the forecast's score.",
    )
    report.add_argument("site", type=Path, metavar="SITE", help="the site file")
    report.add_argument("--plan", required=True, metavar="NAME", help="a stream plan of the site file")
    report.add_argument(
        "--date", type=_date, metavar="DAY", help="the day on which it began (default: the last one over)"
    )
    report.add_argument(
        "--drops",
        type=Path,
        metavar="FILE.csv",
        help="drops that the encoder noted: CSV with a column time, and seconds, frames, destination",
    )
    report.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _upload_commands(commands: Any) -> None:
    plan = _command(
        commands,
        "plan",
        _plan_upload,
        "When is an upload over, and when must it start? By past days, hour by hour, minus the hours of "
        "shows.",
    )
    plan.add_argument("site", type=Path, metavar="SITE", help="the site file")
    plan.add_argument("--size", type=_size, required=True, metavar="SIZE", help='"64 GB" or "59.6 GiB"')
    plan.add_argument("--start", metavar="TIME", help='"23:00" or "2026-03-09 23:00" (default: now)')
    plan.add_argument(
        "--deadline", metavar="TIME", help="when it must be over; asks for the latest safe start"
    )
    plan.add_argument("--to", metavar="NAME", help="the receiver, as its receipts call it")
    plan.add_argument("--at-most", type=_rate, metavar="RATE", help='what it takes, such as "250 Mb/s"')
    plan.add_argument("--json", action="store_true", help="one JSON object on standard output")
    receipt = _command(
        commands,
        "receipt",
        _upload_receipt,
        "Put a real upload on record, from which plans learn what its receiver takes.",
    )
    receipt.add_argument("site", type=Path, metavar="SITE", help="the site file")
    receipt.add_argument("--to", required=True, metavar="NAME", help="the receiver, as you call it")
    receipt.add_argument("--size", type=_size, required=True, metavar="SIZE", help='"64 GB" or "59.6 GiB"')
    receipt.add_argument(
        "--seconds", type=_number(1, 31 * 86_400), required=True, metavar="S", help="how long it took"
    )
    receipt.add_argument("--ended", metavar="TIME", help="when it was over (default: now)")
    receipt.add_argument("--sha256", metavar="HEX", help="checksum of what was sent")
    receipt.add_argument("--handoff", metavar="NAME", help="which handoff carried it (the only one)")
    receipt.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _house_command(commands: Any) -> None:
    house = _command(
        commands,
        "house",
        _house,
        "What can each hop of your own way show at best, which is the weakest, and what is the cheapest "
        "cure?",
    )
    house.add_argument("site", type=Path, metavar="SITE", help="the site file")
    house.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _house(options: argparse.Namespace) -> int:
    from commands import house

    return house.command(options)


def _plan_upload(options: argparse.Namespace) -> int:
    from commands import upload

    return upload.plan(options)


def _upload_receipt(options: argparse.Namespace) -> int:
    from commands import upload

    return upload.receipt(options)


def _show_report(options: argparse.Namespace) -> int:
    from commands import show

    return show.command(options)


def _reading_commands(commands: Any) -> None:
    check = _command(
        commands, "check", _check, "Will the line hold for this stream plan? Go, Tight, Hold or Unknown."
    )
    check.add_argument("site", type=Path, metavar="SITE", help="the site file")
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
    check.add_argument("--json", action="store_true", help="one JSON object on standard output")
    verify = _command(
        commands,
        "verify",
        _verify,
        "Is the record what was sealed? Names the first record that is changed, missing, moved or added.",
    )
    verify.add_argument(
        "record", type=Path, metavar="DATABASE|PACK", help="a database, or a pack's directory"
    )
    verify.add_argument(
        "--key",
        action="append",
        type=_key,
        default=[],
        metavar="PUBKEY",
        help="public key or fingerprint that must have signed, as it was noted elsewhere (may be repeated)",
    )
    verify.add_argument("--json", action="store_true", help="one JSON object on standard output")
    correct = _command(
        commands,
        "correct",
        _correct,
        "Put on record how an older record is to be read; it stays as it is. While the probe is stopped.",
    )
    correct.add_argument("database", type=Path, metavar="DATABASE", help="the database")
    correct.add_argument(
        "seq", type=_whole(1, 2**62), metavar="NUMBER", help="the record's number in the chain"
    )
    correct.add_argument("--what", required=True, metavar="TEXT", help="how it is to be read")
    correct.add_argument("--why", required=True, metavar="TEXT", help="how that is known")
    correct.add_argument("--json", action="store_true", help="one JSON object on standard output")
    events = _command(
        commands,
        "events",
        _events,
        "The fault log: what happened, joined into cases, with owner and next step.",
    )
    events.add_argument("site", type=Path, metavar="SITE", help="the site file")
    events.add_argument(
        "--from",
        dest="first",
        type=_date,
        metavar="DATE",
        help="first day, in local time (default: 6 days ago)",
    )
    events.add_argument("--to", dest="last", type=_date, metavar="DATE", help="last day, included (today)")
    events.add_argument("--handoff", metavar="NAME", help="this handoff alone, and what concerns all")
    events.add_argument("--json", action="store_true", help="one JSON object on standard output")
    ledger = _command(
        commands,
        "ledger",
        _ledger,
        "The exclusions ledger: what each rule left out of a rate verdict, and the verdict without it.",
    )
    ledger.add_argument("site", type=Path, metavar="SITE", help="the site file")
    ledger.add_argument("--handoff", metavar="NAME", help="this handoff alone (default: every one)")
    ledger.add_argument(
        "--days", type=_whole(1, 3660), default=30, metavar="N", help="the last N days (default 30)"
    )
    ledger.add_argument("--json", action="store_true", help="one JSON object on standard output")
    _findings_command(commands)
    _accept_command(commands)
    budget = _command(
        commands,
        "budget",
        _budget,
        "What tests spent of their allowance, and everybody of the provider's cap; and what it will come to.",
    )
    budget.add_argument("site", type=Path, metavar="SITE", help="the site file")
    budget.add_argument("--json", action="store_true", help="one JSON object on standard output")
    campaign = _command(
        commands,
        "campaign",
        _campaign,
        "What became of a campaign: its answer and every planned run. Without a name, all campaigns.",
    )
    campaign.add_argument(
        "source", type=Path, metavar="SITE|DATABASE", help="the site file; a database gives no verdict"
    )
    campaign.add_argument("name", nargs="?", metavar="NAME", help="one campaign")
    campaign.add_argument("--json", action="store_true", help="one JSON object on standard output")
    _term_commands(commands)
    _export_command(commands)
    _samples_command(commands)
    host = commands.add_parser("host", help="This computer: check whether it can measure well.")
    acts = host.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    host_check = _command(
        acts,
        "check",
        _host_check,
        "Can this computer measure what the site file asks? Its ceiling, ports, kernel, clock and disk.",
    )
    host_check.add_argument("site", type=Path, metavar="SITE", help="the site file")
    host_check.add_argument("--json", action="store_true", help="one JSON object on standard output")
    site = commands.add_parser("site", help="The site file: check it.")
    acts = site.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=_Parser)
    site_check = _command(
        acts,
        "check",
        _site_check,
        "What is wrong with a site file, what its schedule costs a month, what its cards leave open.",
    )
    site_check.add_argument("site", type=Path, metavar="SITE", help="the site file")
    site_check.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _accept_command(commands: Any) -> None:
    accept = _command(
        commands,
        "accept",
        _accept,
        "The acceptance sheet of a handoff: rows A1 to A20 judged from the record, safety first, what comes "
        "next, and until when a refusal is in time.",
    )
    accept.add_argument("site", type=Path, metavar="SITE", help="the site file")
    for option, what, words in (
        ("--handoff", "NAME", "the handoff (default: all of them in a few lines)"),
        ("--row", "ROW", "one row (A1 to A20) or safety question (S1 to S6)"),
        ("--answer", "WORD", "with --row: yes or no; met, not-met, undecided or not-tested"),
        ("--says", "TEXT", "what was seen, in your own words"),
        ("--defect", "TEXT", "note a defect that no row shows"),
        ("--mended", "D1", "this noted defect is mended"),
        ("--decide", "WORD", "your decision: accepted, accepted-with-defects or refused"),
    ):
        accept.add_argument(option, metavar=what, help=words)
    accept.add_argument(
        "--run", action="store_true", help="run the row now; only where every safety question allows it"
    )
    accept.add_argument(
        "--seconds",
        type=_whole(2, 3600),
        metavar="S",
        help="with --run: shorter than the sheet asks, which can show a limit missed and never kept",
    )
    accept.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _findings_command(commands: Any) -> None:
    findings = _command(
        commands,
        "findings",
        _findings,
        "Which signatures of faults the record shows: what was seen, the likely cause, who must act, what "
        "would confirm it.",
    )
    findings.add_argument("site", type=Path, metavar="SITE", help="the site file")
    findings.add_argument(
        "--from",
        dest="first",
        type=_date,
        metavar="DATE",
        help="first day, in local time (default: four weeks up to the last)",
    )
    findings.add_argument("--to", dest="last", type=_date, metavar="DATE", help="last day, included (today)")
    findings.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    findings.add_argument(
        "--list",
        dest="own",
        type=Path,
        metavar="CSV",
        help="the house's own list of times, such as a kiln's: columns what, from, to",
    )
    findings.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _term_commands(commands: Any) -> None:
    """What is asked over the term of a contract."""
    statement = _command(
        commands,
        "statement",
        _statement,
        "A month: availability by every rule, credits with each step, rates; by when to claim.",
    )
    statement.add_argument("site", type=Path, metavar="SITE", help="the site file")
    statement.add_argument(
        "--month", type=_month, metavar="MONTH", help="such as 2026-11 (default: the last)"
    )
    statement.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    statement.add_argument("--json", action="store_true", help="one JSON object on standard output")
    compare = _command(
        commands, "compare", _compare, "Two lines by hour of the day, and what paying for both cost."
    )
    compare.add_argument("site", type=Path, metavar="SITE", help="the site file")
    compare.add_argument("--old", metavar="NAME", help="the line that goes (the other of two handoffs)")
    compare.add_argument("--new", metavar="NAME", help="the line that stays")
    compare.add_argument(
        "--days", type=_whole(1, 366), default=30, metavar="N", help="how many, up to the last (30)"
    )
    compare.add_argument("--to", dest="last", type=_date, metavar="DATE", help="last day, included (today)")
    compare.add_argument("--json", action="store_true", help="one JSON object on standard output")
    renewal = _command(
        commands,
        "renewal",
        _renewal,
        "A term so far: paid, credits, months failed, cost of a Mb/s, days of notice, trends and changes.",
    )
    renewal.add_argument("site", type=Path, metavar="SITE", help="the site file")
    renewal.add_argument("--handoff", metavar="NAME", help="this handoff alone")
    renewal.add_argument("--json", action="store_true", help="one JSON object on standard output")
    ticket = _command(
        commands,
        "ticket",
        _ticket,
        "Put on record what the provider was told and when; the same reference again adds to it.",
    )
    ticket.add_argument("site", type=Path, metavar="SITE", help="the site file")
    ticket.add_argument("reference", metavar="REFERENCE", help="the provider's reference of the report")
    ticket.add_argument("--handoff", metavar="NAME", help="a handoff of the site file (its only one)")
    for option, what in (("opened", "when it was opened"), ("closed", "when the provider closed it")):
        ticket.add_argument(f"--{option}", type=_moment, metavar="TIME", help=f"{what}, local time")
    ticket.add_argument("--promised", type=_moment, metavar="TIME", help="by when a repair was promised")
    ticket.add_argument("--says", metavar="TEXT", help="what was said")
    ticket.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _export_command(commands: Any) -> None:
    export = _command(
        commands,
        "export",
        _export,
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
    export.add_argument("--from", dest="first", type=_date, metavar="DATE", help="first day, in local time")
    export.add_argument("--to", dest="last", type=_date, metavar="DATE", help="last day, included")
    export.add_argument("--handoff", metavar="NAME", help="what concerns this handoff alone")
    export.add_argument("--force", action="store_true", help="replace files that are there already")
    export.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _samples_command(commands: Any) -> None:
    samples = _command(
        commands,
        "samples",
        _samples,
        "Print the packets of a train that are kept one by one, around stalls and on days of claims: a JSON "
        "line each.",
    )
    samples.add_argument("source", type=Path, metavar="SITE|DATABASE", help="the site file, or a database")
    samples.add_argument(
        "--from",
        dest="first",
        type=_moment,
        required=True,
        metavar="TIME",
        help="sent at this moment or later, such as 2026-11-25T19:00 in local time, or with an offset",
    )
    samples.add_argument("--to", dest="last", type=_moment, metavar="TIME", help="and before this one")
    samples.add_argument("--handoff", metavar="NAME", help="of this handoff; needed when there are several")
    samples.add_argument("--endpoint", metavar="NAME", help="to this endpoint; likewise")
    samples.add_argument("--json", action="store_true", help="changes nothing: it is JSON anyway")


# Values of options


def _number(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            found = float(text)
        except ValueError:
            found = low - 1
        if not low <= found <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number from {low:g} to {high:g}")
        return found

    return read


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdecimal()) or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return read


_port = _whole(1, 65_535)


def _rate(text: str) -> int:
    from store.quantities import rate_bps

    try:
        return rate_bps(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _size(text: str) -> int:
    from store.quantities import size_bytes

    try:
        return size_bytes(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _key(text: str) -> str:
    found = text.strip().lower()
    if len(found) != 64 or not set(found) <= set("0123456789abcdef"):
        raise argparse.ArgumentTypeError(f"{text!r} is neither a public key nor a fingerprint: 64 hex digits")
    return found


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-11-25") from None


def _month(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m").date()  # noqa: DTZ007 - a month of the site's own calendar
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no month such as 2026-11") from None


def _moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a moment like 2026-11-25T19:00") from None


def _address(text: str) -> str:
    import ipaddress

    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not an IP address such as 192.0.2.57") from None


# Commands


def _practice(options: argparse.Namespace) -> int:
    if options.history:
        return _practice_history(options)
    from probe.practice import stage

    command = [sys.executable, str(Path(__file__).resolve())]
    return stage.run(command=command, keep=options.keep, port=options.port, out=sys.stdout)


def _practice_history(options: argparse.Namespace) -> int:
    from probe.practice.history import command

    if options.keep is None:
        raise UserMistake("--history needs --keep DIR: the folder that the record is to be in")
    made = command.make(options.keep, months=options.months, say=_say, fresh=options.json)
    if options.json:
        _print_json(command.as_json(made))
        return 0
    from dashboard import app
    from store import site as sites

    site = sites.load(made.site)
    shown, clock = command.end_of(made)
    _say(f"Pages as of the end of {shown}. Practice site: all of it is invented. Ctrl-C ends.")

    async def serve() -> None:
        await app.serve(site, host="127.0.0.1", port=options.port, clock=clock, ready=_say)

    return _until_stopped(serve)


def _invite(options: argparse.Namespace) -> int:
    from probe.endpoint import keys
    from probe.wire import invitation

    line = invitation.write(keys.invite(options.directory, address=options.address, name=options.name))
    _print_json({"kind": "invitation", "schema": 1, "invitation": line}) if options.json else print(line)
    _say(f"This line admits whoever holds it. Serve it with: linebook endpoint serve {options.directory}")
    return 0


def _serve(options: argparse.Namespace) -> int:
    from commands import log
    from probe.endpoint import service

    log.to_standard_error()
    clock, manager = Clock(), _manager()
    told = _told(manager)

    async def serve() -> None:
        await service.serve(options.directory, listen=options.listen, clock=clock, ready=told)

    return _until_stopped(serve, manager)


def _probe(options: argparse.Namespace) -> int:
    from commands import log
    from probe import running
    from store import site as sites
    from store.writer import Writer

    site = sites.load(options.site)
    clock, manager, version = Clock(), _manager(), _version()
    log.to_standard_error()
    writer = Writer.open(site.database, clock=clock, timezone=site.timezone)
    try:
        return _until_stopped(
            lambda: running.run(site, clock=clock, writer=writer, manager=manager, version=version)
        )
    finally:
        writer.close()


def _status(options: argparse.Namespace) -> int:
    from dashboard import doing
    from store import door
    from store import site as sites
    from store.errors import NotRunning
    from store.records import Failed, Owner

    database = sites.database_of(options.site)  # a mistake elsewhere in the file must not hide what runs
    try:
        answer = _finish(lambda: door.ask(database, door.Act.STATUS))
    except NotRunning as trouble:
        now_ns = Clock().unix_ns()
        failed = Failed(what="status", why=str(trouble), whose=Owner.HOUSE, started_unix_ns=now_ns)
        return _failed(failed, options)
    _print_json(answer) if options.json else print(doing.said(answer))
    return 0


def _stop(options: argparse.Namespace) -> int:
    from store import door

    asked = {} if options.resume else {"minutes": options.minutes}
    return _knock(options, door.Act.RESUME if options.resume else door.Act.STOP, asked)


def _window(options: argparse.Namespace) -> int:
    from store import door

    asked: dict[str, Any] = {"open": options.opens}
    if options.handoff is not None:
        asked["handoff"] = options.handoff
    if options.opens and options.minutes is not None:
        asked["minutes"] = options.minutes
    return _knock(options, door.Act.SHOW, asked)


def _dashboard(options: argparse.Namespace) -> int:
    from commands import log
    from dashboard import app
    from store import site as sites

    log.to_standard_error()
    site, manager = sites.load(options.site), _manager()
    told = _told(manager)

    async def serve() -> None:
        await app.serve(site, host=options.host, port=options.port, clock=Clock(), ready=told)

    return _until_stopped(serve, manager)


def _run(options: argparse.Namespace) -> int:
    from commands import run

    return run.BY_METHOD[options.word](options)


def _split(options: argparse.Namespace) -> int:
    from commands import split

    return split.command(options)


def _failover(options: argparse.Namespace) -> int:
    from commands import failover

    return failover.command(options)


def _check(options: argparse.Namespace) -> int:
    from dashboard import history, text
    from dashboard.judge import stream
    from store import site as sites
    from store.reader import Reader

    if options.before is not None:
        from commands import before_show

        return before_show.command(options)
    site = sites.load(options.site)
    plan = _stream_plan(options, site)
    reader = Reader.open(site.database)
    try:
        found = history.check_of(reader, site, plan, now_unix_ns=Clock().unix_ns(), thorough=True)
    finally:
        reader.close()
    if options.keep:
        from commands import before_show

        before_show.keep(site, plan, found)
    _print_json(stream.as_json(found)) if options.json else print(text.check(plan, found))
    return 0


def _events(options: argparse.Namespace) -> int:
    from datetime import timedelta

    from dashboard import text
    from store import fault_log
    from store import site as sites
    from store.clock import local, zone
    from store.reader import Reader

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    names, where = [each.name for each in site.handoffs], zone(site.timezone)
    if options.handoff is not None and options.handoff not in names:
        near = _near(options.handoff, names)
        raise UserMistake(f"--handoff: {options.site} has no handoff {options.handoff!r}{near}")
    last = options.last or local(now_ns, where).date()
    first = options.first or last - timedelta(days=6)
    if last < first:
        raise UserMistake(f"--to: {last} is before {first}; name the later day")
    since_ns, until_ns = fault_log.days(first, last, where=where)
    with closing(Reader.open(site.database)) as reader:
        found = fault_log.read(
            reader,
            gap_s=site.rules.case_gap_s,
            since_ns=since_ns,
            until_ns=until_ns,
            now_ns=now_ns,
            handoff=options.handoff,
        )
    if options.json:
        time = {"since_ns": since_ns, "until_ns": until_ns, "now_ns": now_ns}
        _print_json(fault_log.as_json(found, site=site, handoff=options.handoff, **time))
    else:
        print(text.events(found, first=first, last=last, where=where))
    return 0


def _findings(options: argparse.Namespace) -> int:
    from datetime import timedelta

    from dashboard import found, text_findings
    from dashboard.pages.findings import answer
    from store import fault_log
    from store import site as sites
    from store.clock import local, zone
    from store.reader import Reader

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    where = zone(site.timezone)
    handoffs = site.handoffs if options.handoff is None else (_handoff(options, site),)
    last = options.last or local(now_ns, where).date()
    first = options.first or last - timedelta(days=found.DAYS - 1)
    if last < first:
        raise UserMistake(f"--to: {last} is before {first}; name the later day")
    marks = () if options.own is None else found.read_list(options.own, where)
    since_ns, until_ns = fault_log.days(first, last, where=where)
    time = {"since_ns": since_ns, "until_ns": until_ns}
    with closing(Reader.open(site.database)) as reader:
        shown = [(one.name, found.find(reader, site, one, **time, marks=marks)) for one in handoffs]
    if options.json:
        _print_json(dict(answer([its for _, its in shown], since_ns, until_ns, site)))
    else:
        print(text_findings.findings(shown, first=first, last=last, invented=site.invented))
    return 0


def _budget(options: argparse.Namespace) -> int:
    from dashboard import text
    from probe import allowance, budget, metering
    from store import site as sites
    from store.clock import rfc3339, zone
    from store.reader import Reader

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    meters = _finish(lambda: metering.restored(site, site.handoffs, now_ns=now_ns))
    month_ns = allowance.month_start_ns(now_ns, where=zone(site.timezone))
    with closing(Reader.open(site.database)) as reader:
        found = [
            budget.of(
                site,
                handoff,
                spent_bytes=reader.spent_bytes(handoff.name, month_ns),
                state=meters[handoff.name].state(handoff.cap, now_ns=now_ns) if handoff.cap else None,
                now_ns=now_ns,
            )
            for handoff in site.handoffs
        ]
    if options.json:
        head = {"kind": "budget", "schema": 1, "started": rfc3339(now_ns), "standing": "valid", "reasons": []}
        _print_json(head | {"handoffs": [budget.as_json(one) for one in found]})
    else:
        rows = [([purse.said() for purse in one.purses], one.cap) for one in found]
        print(text.budget(rows, zone(site.timezone)))
    return 0


def _accept(options: argparse.Namespace) -> int:
    from commands import accept

    return accept.run(options)


def _ledger(options: argparse.Namespace) -> int:
    from dashboard import rate_history, rates_told
    from store import site as sites
    from store.reader import Reader

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    handoffs = site.handoffs if options.handoff is None else (_handoff(options, site),)
    with closing(Reader.open(site.database)) as reader:
        found = [
            rate_history.read(reader, site, each, now_unix_ns=now_ns, seconds=options.days * 86_400)
            for each in handoffs
        ]
    if options.json:
        _print_json(rates_told.ledger_json(site, found, now_unix_ns=now_ns))
    else:
        print(rates_told.ledger_text(site, found))
    return 0


def _statement(options: argparse.Namespace) -> int:
    from commands import statement

    return statement.statement(
        options.site, month=options.month, handoff=options.handoff, as_json=options.json
    )


def _compare(options: argparse.Namespace) -> int:
    from commands import over_time

    return over_time.compare(
        options.site,
        old=options.old,
        new=options.new,
        days=options.days,
        last=options.last,
        as_json=options.json,
    )


def _renewal(options: argparse.Namespace) -> int:
    from commands import over_time

    return over_time.renewal(options.site, handoff=options.handoff, as_json=options.json)


def _ticket(options: argparse.Namespace) -> int:
    from commands import statement

    kept = statement.ticket(
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


def _site_check(options: argparse.Namespace) -> int:
    from dashboard import text
    from dashboard.judge import card_check
    from probe import allowance
    from probe.wire import invitation
    from store import site as sites
    from store.clock import zone

    site = sites.load(options.site)
    for endpoint in site.endpoints:
        try:
            invitation.parse(endpoint.invitation)
        except UserMistake as mistake:
            raise UserMistake(f"{options.site}: endpoint {endpoint.name!r}: {mistake}") from None
    costs = {
        name: [(line.what, line.bytes) for line in lines]
        for name, lines in allowance.monthly_cost(site).items()
    }
    now_ns = Clock().unix_ns()
    together = card_check.warnings_together(site.handoffs, now_unix_ns=now_ns)
    cards = {handoff.name: handoff.card_at(now_ns) for handoff in site.handoffs}
    questions = {name: card_check.questions(card) for name, card in cards.items()}
    where = zone(site.timezone)
    warned = {
        each.name: (*card_check.warnings_of(each, now_unix_ns=now_ns, where=where), *together[each.name])
        for each in site.handoffs
    }
    answers = {handoff.name: _answers(site, handoff) for handoff in site.handoffs}
    plan, due = _due(site)
    if options.json:
        _print_json(
            text.site_json(site, costs, questions, answers, warned) | {"keep": text.keep_json(plan, due)}
        )
    else:
        print(text.site(site, costs, questions, answers, warned))
        print(text.keep(site, plan, due))
    return 0


def _host_check(options: argparse.Namespace) -> int:
    from dashboard import text
    from probe import host_check
    from store import site as sites

    site = sites.load(options.site)
    checks = _finish(lambda: host_check.run(site, clock=Clock(), say=_say))
    if options.json:
        _print_json(host_check.as_json(checks, now_ns=Clock().unix_ns()))
    else:
        print(text.host_check([(one.name, str(one.state), one.found, one.right) for one in checks]))
    return EXIT_FAILED if any(one.state is host_check.State.WRONG for one in checks) else 0


def _answers(site: Site, handoff: Handoff) -> list[str]:
    """What a handoff's schedule may do, is, and can show, a sentence each; safety first."""
    from dashboard.judge import campaign as judge
    from probe import allowance, campaign, safety, schedule
    from store import default_schedule
    from store.clock import zone

    said = [safety.said(handoff)]
    own = [run for run in site.runs if run.handoff == handoff.name]
    full = [run for run in own if not run.light]
    if site.runs_by_default:
        said.append(default_schedule.said(handoff))
    elif len(full) < len(own):
        rest = "" if full else "; no full run is planned, so nothing will be said of it"
        said.append(f"Light runs show that the line carries so much, not what its full rate is{rest}.")
    if full and not any(schedule.in_busy_hours(run) for run in full):
        said.append(
            "No full run is sure to fall into the busy hours every day: each has days or hours between."
        )
    for plan in site.campaigns:
        if plan.run.handoff == handoff.name:
            runs = campaign.runs_planned(plan, where=zone(site.timezone))
            cost = allowance.campaign_cost(plan, handoff.card, runs=runs)
            best = judge.at_best(runs, promised=handoff.card.met_ratio)
            said.append(
                f"Campaign {plan.name}: {plan.question} {best} Together {allowance.megabytes(cost.bytes)} "
                f"({cost.what})."
            )
    return said


def _due(site: Site) -> tuple[Plan, list[Due] | None]:
    """What the rules for age are at this moment, and what they let go; None without a database."""
    from store import thinning
    from store.reader import Reader

    plan = thinning.plan(site, now_ns=Clock().unix_ns())
    if not site.database.exists():
        return plan, None
    reader = Reader.open(site.database)
    try:
        return plan, reader.due(plan)
    finally:
        reader.close()


def _verify(options: argparse.Namespace) -> int:
    from dashboard import text
    from store import pack, verify

    check = pack.verify if options.record.is_dir() else verify.database
    result = check(options.record, trusted=frozenset(options.key))
    if options.json:
        _print_json(verify.as_json(result))
    else:
        print(text.verified(result, what=options.record, asked_key=bool(options.key)))
    return 0 if result.verified else EXIT_FAILED


def _correct(options: argparse.Namespace) -> int:
    from store.jsonform import as_json
    from store.reader import Reader
    from store.records import Correction
    from store.writer import Writer

    reader = Reader.open(options.database)
    try:
        path = reader.path_of(options.seq)
    finally:
        reader.close()
    if path is None:
        raise UserMistake(f"{options.database} has no record number {options.seq}")
    clock = Clock()
    correction = Correction(
        handoff=path[0],
        endpoint=path[1],
        corrects_seq=options.seq,
        written_unix_ns=clock.unix_ns(),
        what=options.what,
        why=options.why,
    )
    writer = Writer.open(options.database, clock=clock)
    writer.append(correction)
    writer.close()
    _print_json(as_json(correction)) if options.json else _say(f"Record {options.seq} has a correction now.")
    return 0


def _campaign(options: argparse.Namespace) -> int:
    from dashboard import campaign_results, text
    from store import site as sites
    from store.export import is_database
    from store.reader import Reader
    from store.records import Failed, Owner

    site = None if is_database(options.source) else sites.load(options.source)
    now_ns = Clock().unix_ns()
    with closing(Reader.open(site.database if site else options.source)) as reader, reader.moment():
        told = campaign_results.read(reader, site=site, now_unix_ns=now_ns)
    ahead = campaign_results.ahead(site, told) if site else ()
    if options.name is None:
        if options.json:
            _print_json(campaign_results.list_json(told, ahead, now_unix_ns=now_ns))
        else:
            print(text.campaigns(told, ahead))
        return 0
    begun = {one.campaign.name: one for one in told}
    if options.name in begun:
        one = begun[options.name]
        _print_json(campaign_results.as_json(one)) if options.json else print(text.campaign(one))
        return 0
    waiting = {plan.name: plan for plan in ahead}
    if options.name not in waiting:
        raise UserMistake(
            f"{options.source} has no campaign {options.name!r}{_near(options.name, [*begun, *waiting])}"
        )
    why = f"{options.name} has not begun; it is fixed when it begins, on {waiting[options.name].first_day}"
    return _failed(Failed(what="campaign", why=why, whose=Owner.HOUSE, started_unix_ns=now_ns), options)


def _export(options: argparse.Namespace) -> int:
    from dashboard import text
    from store import export
    from store.reader import Reader

    database, choice = _chosen(options)
    if options.format == "pack":
        return _export_pack(options, database)
    format_ = export.Format(options.format)
    reader = Reader.open(database)
    try:
        if format_ is export.Format.SQLITE:
            done = export.copy(reader, options.to, force=options.force)
        else:
            done = export.write(reader, options.to, choice, format_=format_, force=options.force)
    finally:
        reader.close()
    if options.json:
        _print_json(export.as_json(done, choice, format_=format_, to=options.to))
    else:
        print(text.exported(done, to=options.to))
    return 0


def _export_pack(options: argparse.Namespace, database: Path) -> int:
    from dashboard import text
    from store import pack

    for name, given in (("--to", options.last), ("--handoff", options.handoff), ("--force", options.force)):
        if given:
            raise UserMistake(f"{name}: a pack is whole from its first day to the newest signed head")
    written = pack.write(database, options.to, first_day=str(options.first or ""))
    _print_json(pack.as_json(written)) if options.json else print(text.packed(written, to=options.to))
    return 0


def _samples(options: argparse.Namespace) -> int:
    from store.clock import unix_ns_of
    from store.reader import Reader
    from store.samples import sample_json, sent_between

    database, _, where = _source(options.source)
    since_ns = unix_ns_of(options.first, where)
    until_ns = None if options.last is None else unix_ns_of(options.last, where)
    if until_ns is not None and until_ns <= since_ns:
        raise UserMistake(f"--to: {options.last} is not after {options.first}; name a later moment")
    wanted = {"handoff": options.handoff, "endpoint": options.endpoint}
    with closing(Reader.open(database)) as reader:
        trains = sorted(reader.sampled_trains(**wanted, since_ns=since_ns, until_ns=until_ns))
        if len(trains) > 1:
            named = ", ".join(" to ".join(train) for train in trains)
            raise UserMistake(
                f"--handoff: packets of several trains are kept ({named}); name one with --endpoint"
            )
        for handoff, endpoint in trains:
            records = reader.samples(handoff, endpoint, since_ns=since_ns, until_ns=until_ns)
            for packet in sent_between(records, since_ns=since_ns, until_ns=until_ns):
                _print_json(sample_json(packet))
        if not trains:
            _say("No packet of that time is kept one by one: no stall was near, and no claim was in force.")
    return 0


def _source(path: Path) -> tuple[Path, str, tzinfo]:
    """The database that a site file or itself names, the name of its site, and its time zone."""
    from store import site as sites
    from store.clock import zone
    from store.export import is_database
    from store.reader import Reader

    if is_database(path):
        with closing(Reader.open(path)) as reader:
            return path, path.stem, zone(reader.timezone())
    site = sites.load(path)
    return site.database, site.name, zone(site.timezone)


def _chosen(options: argparse.Namespace) -> tuple[Path, Choice]:
    """The database that is meant, and what of it."""
    from store.export import Choice

    if options.first and options.last and options.last < options.first:
        raise UserMistake(f"--to: {options.last} is before {options.first}; name the later day")
    if options.format == "sqlite" and (options.first or options.last or options.handoff):
        raise UserMistake("--format sqlite: that copies it all; leave out --from, --to and --handoff")
    database, name, where = _source(options.source)
    return database, Choice(
        site=name, where=where, first=options.first, last=options.last, handoff=options.handoff
    )


# What the commands share


def _knock(options: argparse.Namespace, act: door.Act, asked: dict[str, Any]) -> int:
    """Ask the running probe for something, and say what became of it."""
    from store import door
    from store import site as sites

    database = sites.database_of(options.site)  # a mistake elsewhere in the file must not keep a stop away
    answer = _finish(lambda: door.ask(database, act, asked | {"why": "asked for by command"}))
    _print_json(answer) if options.json else print(door.said(answer))
    return 0


def _handoff(options: argparse.Namespace, site: Site) -> Handoff:
    """The handoff that is meant: the one that was named, or the only one."""
    names = [one.name for one in site.handoffs]
    if options.handoff is None and len(names) > 1:
        raise UserMistake(f"--handoff: {options.site} has several; name one of {', '.join(names)}")
    name = options.handoff or names[0]
    if name not in names:
        raise UserMistake(f"--handoff: {options.site} has no handoff {name!r}{_near(name, names)}")
    return site.handoff(name)


def _stream_plan(options: argparse.Namespace, site: Site) -> StreamPlan:
    """The stream plan that is meant."""
    plans = {plan.name: plan for plan in site.plans}
    if options.plan not in plans:
        raise UserMistake(
            f"--plan: {options.site} has no plan {options.plan!r}{_near(options.plan, list(plans))}"
        )
    return plans[options.plan]


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("linebook")
    except PackageNotFoundError:  # a plain checkout, which nobody installed
        return "unknown"


def _failed(failed: Failed, options: argparse.Namespace) -> int:
    from commands import answering

    return answering.failed(failed, as_json=options.json)


def _near(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"; did you mean {near[0]!r}?" if near else f"; it has {', '.join(known) or 'none'}"


def _print_json(found: dict[str, Any]) -> None:
    print(json.dumps(found))


def _say(line: str) -> None:
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()


def _finish(work: Callable[[], Coroutine[Any, Any, T]]) -> T:
    import asyncio

    return asyncio.run(work())


def _manager() -> Manager:
    """The service manager that started this process, if one did."""
    import os

    from store.notify import Manager

    return Manager.of(os.environ, pid=os.getpid())


def _told(manager: Manager) -> Callable[[str], None]:
    """Says a sentence, after which whoever started this may go on."""

    def tell(sentence: str) -> None:
        _say(sentence)
        manager.ready(sentence)

    return tell


def _until_stopped(work: Callable[[], Coroutine[Any, Any, None]], manager: Manager | None = None) -> int:
    """Run `work` until it ends, or until SIGINT or SIGTERM cancels it; 0 either way.

    With a `manager` it hears that this event loop turns, and that it ends.
    """
    import asyncio
    import contextlib
    import signal

    from store.notify import stay_alive

    async def run() -> None:
        task = asyncio.create_task(work(), name="linebook")
        alive = None if manager is None else asyncio.create_task(stay_alive(manager), name="watchdog")
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
        try:
            with contextlib.suppress(asyncio.CancelledError):
                await task
        finally:
            if manager is not None and alive is not None:
                manager.stopping()
                alive.cancel()

    asyncio.run(run())
    return 0


if __name__ == "__main__":
    sys.exit(main())
