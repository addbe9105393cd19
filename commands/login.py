"""`linebook login`: who may open the dashboard beyond this machine."""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from commands import answering
from dashboard import logins
from dashboard.logins import Login, Role
from store import site as sites
from store.clock import Clock, rfc3339
from store.errors import UserMistake


def command(options: argparse.Namespace) -> int:
    """Make, change, remove or list logins."""
    path = logins.path_of(sites.database_of(options.site))
    known = logins.load(path)
    if options.name is None:
        if options.role is not None or options.remove:
            raise UserMistake("NAME: say whose login is meant")
    elif options.remove:
        known = _without(known, options.name, path=str(path))
        logins.save(path, known)
        answering.say(f"{options.name} is removed, and logged out within seconds.")
    else:
        if options.role is None:
            raise UserMistake(
                "--role: say read (pages and papers), operate (everything) or program (/metrics alone)"
            )
        if Role(options.role) is Role.PROGRAM:
            return _program(path, known, options.name, as_json=options.json)
        login = logins.made(options.name, _password(), role=Role(options.role))
        known = (*(one for one in known if one.name != login.name), login)
        logins.save(path, known)
        answering.say(
            f"{login.name} may {login.role} now. Where {login.name} was logged in, it must be done again."
        )
    _tell(known, as_json=options.json, quiet=options.name is not None)
    return 0


def _program(path: Path, known: tuple[Login, ...], name: str, *, as_json: bool) -> int:
    """Make a program's token and print it, this once; one that it had is void."""
    login, token = logins.for_program(name)
    logins.save(path, (*(one for one in known if one.name != name), login))
    answering.say(f"{name} may collect /metrics by this token. It is kept nowhere; --remove makes it void.")
    if as_json:
        head = {"kind": "program token", "schema": 1, "started": rfc3339(Clock().unix_ns())}
        answering.print_json(head | {"standing": "valid", "reasons": [], "name": name, "token": token})
    else:
        print(token)
    return 0


def _without(known: tuple[Login, ...], name: str, *, path: str) -> tuple[Login, ...]:
    if name not in {one.name for one in known}:
        raise UserMistake(
            f"NAME: {path} has no login {name!r}{answering.near(name, [one.name for one in known])}"
        )
    return tuple(one for one in known if one.name != name)


def _password() -> str:
    """The password, asked for twice at a terminal, else the first line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().removesuffix("\n").removesuffix("\r")
    first = getpass.getpass("Password: ")
    if getpass.getpass("The same again: ") != first:
        raise UserMistake("the two were not the same; nothing was changed")
    return first


def _tell(known: tuple[Login, ...], *, as_json: bool, quiet: bool) -> None:
    if as_json:
        head = {"kind": "logins", "schema": 1, "started": rfc3339(Clock().unix_ns()), "standing": "valid"}
        names = [{"name": one.name, "role": str(one.role)} for one in known]
        answering.print_json(head | {"reasons": [], "logins": names})
    elif not quiet:
        print("\n".join(_may(one) for one in known) or "Nobody has a login.")


def _may(one: Login) -> str:
    return f"{one.name} may {'collect /metrics' if one.role is Role.PROGRAM else one.role}."
