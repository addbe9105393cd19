"""The options of what goes on until it is stopped, and of what is asked of it.

These are practice, endpoint, probe, status, stop, window, dashboard and login.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.options import values
from commands.options.parsing import command, group, takes_site, tells_json


def add(commands: Any) -> None:
    """Declare them."""
    _practice_command(commands)
    _endpoint_commands(commands)
    _probe_commands(commands)


def _practice_command(commands: Any) -> None:
    practice = command(
        commands,
        "practice",
        "serving:practice",
        "Run it all on this machine: an endpoint, an invented line with faults, a probe, the dashboard.",
    )
    practice.add_argument("--keep", type=Path, metavar="DIR", help="keep the database and site file in DIR")
    practice.add_argument(
        "--port", type=values.port, help="port of the dashboard (default: the first free from 8470)"
    )
    practice.add_argument(
        "--history",
        action="store_true",
        help="instead: write the practice site's invented months into DIR (--keep), which takes minutes, and "
        "show them; a record that is there already is shown",
    )
    practice.add_argument(
        "--months",
        type=values.whole(1, 18),
        default=18,
        metavar="N",
        help="of --history, 1 to 18 (default 18)",
    )
    practice.add_argument(
        "--json", action="store_true", help="of --history: write only, and print one JSON object"
    )


def _endpoint_commands(commands: Any) -> None:
    acts = group(commands, "endpoint", "The far end that you host: invite, serve, and its callers.")
    invite = command(
        acts, "invite", "serving:invite", "Make an endpoint's keys in DIR and print one invitation, a secret."
    )
    invite.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    invite.add_argument("--address", required=True, metavar="HOST[:PORT]", help="where probes will find it")
    invite.add_argument(
        "--name", default="probe", help="name of the caller; the same name again replaces its key"
    )
    tells_json(invite)
    serve = command(
        acts, "serve", "serving:serve", "Answer the holders of invitations made in DIR, and nobody else."
    )
    serve.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    serve.add_argument("--listen", metavar="ADDRESS[:PORT]", help="where to listen (default: every address)")
    _caller_commands(acts)


def _caller_commands(acts: Any) -> None:
    rotate = command(
        acts,
        "rotate",
        "callers:rotate",
        "Print a new invitation of a caller, whose older one still counts for some hours.",
    )
    rotate.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    rotate.add_argument("--address", required=True, metavar="HOST[:PORT]", help="where probes will find it")
    rotate.add_argument("--name", default="probe", help="name of the caller (default probe)")
    rotate.add_argument(
        "--hours",
        type=values.number(0, 24 * 30),
        default=24,
        metavar="N",
        help="so long the older key is admitted beside the new one (default 24; 0: no more)",
    )
    revoke = command(
        acts,
        "revoke",
        "callers:revoke",
        "Admit a caller no more; a running endpoint ends what it has under way within seconds.",
    )
    revoke.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    revoke.add_argument("--name", required=True, help="name of the caller")
    listed = command(
        acts,
        "callers",
        "callers:listed",
        "Who is invited, what each may have, and what each used this month.",
    )
    listed.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    cross = command(
        acts,
        "cross",
        "callers:cross",
        "Test this endpoint against the others that others.toml in DIR names: is it the line or an endpoint?",
    )
    cross.add_argument("directory", type=Path, metavar="DIR", help="the endpoint's own")
    for one in (rotate, revoke, listed, cross):
        tells_json(one)


def _probe_commands(commands: Any) -> None:
    probe = command(commands, "probe", "serving:probe", "Measure by the site file's schedule until stopped.")
    takes_site(probe)
    status = command(
        commands,
        "status",
        "asking:status",
        "What the running probe does, what is due next, and what holds it back.",
    )
    takes_site(status)
    tells_json(status)
    stop = command(
        commands, "stop", "asking:stop", "End all test traffic of the running probe at both ends, within 2 s."
    )
    takes_site(stop)
    how_long = stop.add_mutually_exclusive_group()
    how_long.add_argument(
        "--minutes",
        type=values.number(1, 10_080),
        default=60,
        metavar="N",
        help="measure again after N (default 60)",
    )
    how_long.add_argument("--resume", action="store_true", help="measure again at once")
    tells_json(stop)
    _window_commands(commands)
    dashboard = command(
        commands, "dashboard", "serving:dashboard", "Show the record as pages on this machine."
    )
    takes_site(dashboard)
    dashboard.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="to listen on (default 127.0.0.1); beyond loopback it needs a login and TLS",
    )
    dashboard.add_argument("--port", type=values.port, help="port (default: the first free from 8470)")
    dashboard.add_argument(
        "--name", action="append", default=[], metavar="NAME[:PORT]", help="by which browsers reach it, too"
    )
    dashboard.add_argument("--certificate", type=Path, metavar="FILE", help="serve TLS with this chain, PEM")
    dashboard.add_argument("--key", type=Path, metavar="FILE", help="and with its private key")
    dashboard.add_argument(
        "--behind-proxy",
        action="store_true",
        help="a proxy before it does TLS; ask for a login wherever it listens",
    )
    dashboard.add_argument(
        "--ask-login", action="store_true", help="ask for a login on loopback too, as on a shared machine"
    )
    login = command(
        commands,
        "login",
        "login:command",
        "Who may open the dashboard beyond this machine: list them, or make, change or remove one. The "
        "password is asked for, or is the first line of standard input.",
    )
    takes_site(login)
    login.add_argument("name", nargs="?", metavar="NAME", help="whose login (default: list all)")
    how = login.add_mutually_exclusive_group()
    how.add_argument(
        "--role",
        choices=("read", "operate", "program"),
        help="read: pages and papers; operate: everything that changes, too; program: /metrics and nothing "
        "else, by a token that is printed once",
    )
    how.add_argument("--remove", action="store_true", help="take it away")
    tells_json(login)


def _window_commands(commands: Any) -> None:
    acts = group(commands, "window", "Open or close a show window at once.")
    opening = command(acts, "open", "asking:window", "From now on no run fills the line; trains go on.")
    opening.add_argument(
        "--minutes",
        type=values.number(1, 10_080),
        metavar="N",
        help="close it after N (default: when told to)",
    )
    closing = command(acts, "close", "asking:window", "Close the show windows that were opened at once.")
    for parser, opens in ((opening, True), (closing, False)):
        parser.set_defaults(opens=opens)
        takes_site(parser)
        parser.add_argument("--handoff", metavar="NAME", help="concerns this handoff (default: all of them)")
        tells_json(parser)
