"""The options of what measures once, now: run, split, failover."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.options import values
from commands.options.parsing import Parser, command, group, takes_site, tells_json


def add(commands: Any) -> None:
    """Declare them."""
    _run_commands(commands)
    _split_command(commands)
    _failover_command(commands)


def _run_commands(commands: Any) -> None:
    words = "rate, paced, capacity, burst, sizes, steps, loaded-delay, rehearsal, train, soak, mtu or lookup"
    methods = group(commands, "run", f"Measure once, now: {words}.", one="METHOD")
    rate = command(
        methods,
        "rate",
        "run:command",
        "TCP rate, counted where it arrives. It fills the line, unless --at-most is given: emergency calls, "
        "alarms or medical devices may share it.",
    )
    _reach_options(rate)
    rate.add_argument(
        "--direction", choices=("up", "down", "both"), default="up", help="seen from the probe (default up)"
    )
    rate.add_argument(
        "--seconds", type=values.number(1, 3600), default=10, metavar="S", help="1 to 3600 (default 10)"
    )
    rate.add_argument("--flows", type=values.whole(1, 16), default=4, metavar="N", help="1 to 16 (default 4)")
    rate.add_argument(
        "--at-most",
        type=values.rate,
        metavar="RATE",
        help='a light run: ask for no more TCP payload each way than this, such as "150 Mb/s"; it shows that '
        "the line carries so much, and says nothing of its full rate",
    )
    rate.add_argument(
        "--congestion", metavar="NAME", help="congestion control (default: cubic where allowed)"
    )
    paced = command(
        methods,
        "paced",
        "run:command",
        "Packets over UDP at a fixed rate: what arrives, loss, reordering, delay variation. It fills the "
        "line as far as it offers: emergency calls, alarms or medical devices may share it.",
    )
    _reach_options(paced)
    paced.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    paced.add_argument(
        "--offered",
        type=values.rate,
        required=True,
        metavar="RATE",
        help='at the IP layer, such as "200 Mb/s"',
    )
    paced.add_argument(
        "--seconds", type=values.number(1, 3600), default=10, metavar="S", help="1 to 3600 (default 10)"
    )
    paced.add_argument(
        "--payload",
        type=values.whole(60, 8972),
        metavar="BYTES",
        help="of each packet, an even number (default: as fits packets of 1500 bytes)",
    )
    rehearsal = command(
        methods,
        "rehearsal",
        "run:command",
        "A stream plan's own frames, all destinations at once: which would come late or never. It fills the "
        "line as the show would: emergency calls, alarms or medical devices may share it.",
    )
    takes_site(rehearsal)
    rehearsal.add_argument("--plan", required=True, metavar="NAME", help="a stream plan of the site file")
    rehearsal.add_argument(
        "--endpoint",
        metavar="NAME|INVITATION",
        help="an endpoint of the site file (default: its first one outside), or an invitation",
    )
    rehearsal.add_argument(
        "--seconds", type=values.number(1, 3600), default=60, metavar="S", help="1 to 3600 (default 60)"
    )
    tells_json(rehearsal)
    capacity = command(
        methods,
        "capacity",
        "run:command",
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
        type=values.number(2, 60),
        default=10,
        metavar="S",
        help="2 to 60 in each direction (default 10); 1 Gb/s takes 5 to reach",
    )
    capacity.add_argument(
        "--payload",
        type=values.whole(64, 1472),
        default=1220,
        metavar="BYTES",
        help="of each packet, an even number (default 1220: IPv4 packets of 1248 bytes)",
    )
    burst = command(
        methods,
        "burst",
        "run:command",
        "Bursts of growing size after 2 s of silence: committed burst size, and does the line drop (policer) "
        "or delay (shaper) what is more? Each fills the line for some milliseconds: emergency calls, alarms "
        "or medical devices may share it.",
    )
    _reach_options(burst)
    burst.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    burst.add_argument(
        "--most", type=values.size, default=8_000_000, metavar="SIZE", help='largest burst (default "8 MB")'
    )
    burst.add_argument(
        "--line",
        type=values.rate,
        default=10_000_000_000,
        metavar="RATE",
        help="send no faster (default: as fast as it goes)",
    )
    sizes = command(
        methods,
        "sizes",
        "run:command",
        "Frames of 128 to 1518 bytes at one rate above the limit: which layer does the limit count? It fills "
        "the line: emergency calls, alarms or medical devices may share it.",
    )
    _reach_options(sizes)
    sizes.add_argument(
        "--direction", choices=("up", "down"), default="up", help="seen from the probe (default up)"
    )
    sizes.add_argument(
        "--offered",
        type=values.rate,
        required=True,
        metavar="RATE",
        help="at the IP layer, more than the limit lets pass",
    )
    sizes.add_argument(
        "--seconds",
        type=values.number(2, 600),
        default=10,
        metavar="S",
        help="of each size, 2 to 600 (default 10)",
    )
    steps = command(
        methods,
        "steps",
        "run:command",
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
        type=values.rate,
        required=True,
        metavar="RATE",
        help='what is 100 %%, at the IP layer, such as "200 Mb/s"',
    )
    steps.add_argument(
        "--seconds",
        type=values.number(2, 600),
        default=10,
        metavar="S",
        help="of each step, 2 to 600 (default 10)",
    )
    _loaded_delay_command(methods)
    train = command(
        methods, "train", "run:command", "Small numbered packets: delay, its variation, loss by direction."
    )
    _reach_options(train)
    train.add_argument(
        "--seconds", type=values.number(1, 86_400), default=10, metavar="S", help="1 to 86400 (default 10)"
    )
    train.add_argument(
        "--per-second", type=values.number(1, 200), default=20, metavar="N", help="1 to 200 (default 20)"
    )
    train.add_argument(
        "--size", type=values.whole(112, 1472), default=152, metavar="BYTES", help="UDP payload (default 152)"
    )
    train.add_argument(
        "--wait",
        type=values.number(0.1, 60),
        default=3,
        metavar="S",
        help="how long a reply may take (default 3)",
    )
    train.add_argument("--samples", type=Path, metavar="FILE", help="write one JSON line a packet to FILE")
    _soak_command(methods)
    _mtu_command(methods)
    _lookup_command(methods)


def _soak_command(methods: Any) -> None:
    soak = command(
        methods,
        "soak",
        "run:command",
        "A train of hours, kept in a file as it goes: killed at any moment and started again with the same "
        "file, it goes on to the same end. How small is the loss?",
    )
    _reach_options(soak)
    soak.add_argument(
        "--seconds",
        type=values.number(10, 2_678_400),
        default=86_400,
        metavar="S",
        help="10 to 2678400 (default 86400, a day)",
    )
    soak.add_argument(
        "--per-second", type=values.number(1, 200), default=50, metavar="N", help="1 to 200 (default 50)"
    )
    soak.add_argument(
        "--kept", type=Path, required=True, metavar="FILE", help="where to keep it, and to go on from"
    )


def _mtu_command(methods: Any) -> None:
    mtu = command(
        methods, "mtu", "run:command", "The largest packets that the way carries whole, in each IP version."
    )
    _reach_options(mtu)


def _loaded_delay_command(methods: Any) -> None:
    loaded = command(
        methods,
        "loaded-delay",
        "run:command",
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
        type=values.number(4, 3600),
        default=10,
        metavar="S",
        help="of each load, 4 to 3600 (default 10)",
    )
    loaded.add_argument(
        "--flows", type=values.whole(1, 16), default=4, metavar="N", help="1 to 16 (default 4)"
    )
    loaded.add_argument(
        "--per-second",
        type=values.number(10, 200),
        default=50,
        metavar="N",
        help="packets of the train, 10 to 200 (default 50)",
    )
    loaded.add_argument(
        "--congestion", metavar="NAME", help="congestion control (default: cubic where allowed)"
    )


def _lookup_command(methods: Any) -> None:
    lookup = command(
        methods,
        "lookup",
        "run:command",
        "How long a resolver takes to answer for a name, asked straight over UDP, past this host's memory.",
    )
    lookup.add_argument("name", metavar="NAME", help="a whole host name, such as north.example.net")
    lookup.add_argument(
        "--resolver", type=values.address, metavar="ADDRESS", help="ask this one (default: this host's)"
    )
    lookup.add_argument(
        "--port", type=values.whole(1, 65535), default=53, metavar="N", help="of the resolver (default 53)"
    )
    _way_options(lookup)


def _split_command(commands: Any) -> None:
    split = command(
        commands,
        "split",
        "split:command",
        "Within a minute: on which part of the way is the trouble, and who must act?",
    )
    takes_site(split)
    split.add_argument("--handoff", metavar="NAME", help="the way of this handoff (needed with several)")
    split.add_argument(
        "--seconds", type=values.number(5, 1800), default=45, metavar="S", help="5 to 1800 (default 45)"
    )
    tells_json(split)


def _failover_command(commands: Any) -> None:
    failover = command(
        commands,
        "failover",
        "failover:command",
        "Two uplinks and a stopwatch: you break the main one (warn everybody first), and it tells how long "
        "nothing passed, what was lost, and when traffic came back. Ctrl-C ends it and keeps what was seen.",
    )
    takes_site(failover)
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
        "--seconds", type=values.number(5, 3600), default=120, metavar="S", help="5 to 3600 (default 120)"
    )
    failover.add_argument(
        "--per-second",
        type=values.number(10, 100),
        default=20,
        metavar="N",
        help="packets of each train, 10 to 100 (default 20); the stopwatch is as fine as they are apart",
    )
    tells_json(failover)


def _reach_options(parser: Parser) -> None:
    parser.add_argument(
        "--endpoint",
        required=True,
        metavar="INVITATION",
        help="the line that `endpoint invite` printed, or a file that holds it",
    )
    _way_options(parser)


def _way_options(parser: Parser) -> None:
    parser.add_argument("--interface", metavar="NAME", help="leave by this interface")
    parser.add_argument(
        "--source", type=values.address, metavar="ADDRESS", help="leave with this source address"
    )
    tells_json(parser)
