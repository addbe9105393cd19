"""The `linebook` command.

Options stand in `commands.options`; a command's own module is loaded when it is given, so that help
comes at once. Results go to standard output, progress and mistakes to standard error. Exit codes: 0
done, 2 a mistake in usage, site file or invitation (one sentence says which), 3 a measurement that
failed (a result, with its reason).
"""

from __future__ import annotations

import argparse
import errno
import os
import sys
from io import TextIOWrapper
from typing import Any, NoReturn

from commands.exits import EXIT_FAILED, EXIT_MISTAKE, EXIT_STOPPED
from commands.options import measuring, papers, producing, reading, serving
from commands.options.parsing import Parser
from store.errors import LinebookError, UserMistake


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal that has no sign for a character gets another one
            stream.reconfigure(errors="replace")
    try:
        code = _done(arguments)
        sys.stdout.flush()
    except BrokenPipeError:  # the reader of our output went away
        sys.stderr.close()
        return 0
    except OSError as error:
        if error.errno != errno.ENOSPC or error.filename is not None:
            raise
        sys.stderr.write(f"linebook: what it has to say cannot be written ({error.strerror})\n")
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is left to be said
        return EXIT_FAILED
    return code


def _done(arguments: list[str] | None) -> int:
    options, rest = parser().parse_known_args(arguments)
    if rest:
        options.parser.unknown(rest[0])
    try:
        return _carried_out(options)
    except UserMistake as mistake:
        sys.stderr.write(f"linebook: {mistake}\n")
        return EXIT_MISTAKE
    except LinebookError as trouble:
        sys.stderr.write(f"linebook: {trouble}\n")
        return EXIT_FAILED
    except KeyboardInterrupt:
        return EXIT_STOPPED


def _carried_out(options: argparse.Namespace) -> int:
    """What the command's function returns. Raises DatabaseMistake where SQLite cannot go on."""
    try:
        return int(options.command(options))
    except Exception as trouble:
        sqlite3 = sys.modules.get("sqlite3")  # loaded by the commands that use it, and by help for nothing
        if sqlite3 is None or not isinstance(trouble, sqlite3.Error):
            raise
        from store.schema import unreadable

        raise unreadable(trouble, "the database") from None


def parser() -> Parser:
    """Every command with its options."""
    made = Parser(
        prog="linebook",
        description="The log book of an internet line: measures it, keeps the record, says what it means.",
        allow_abbrev=False,
    )
    made.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    commands = made.add_subparsers(title="commands", metavar="COMMAND", required=True, parser_class=Parser)
    for group in (serving, measuring, reading, papers, producing):
        group.add(commands)
    return made


class _Version(argparse.Action):
    """Finds the version out only when it is asked for, which takes a while."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any, **__: Any) -> NoReturn:
        from commands.version import version

        print(f"linebook {version()}")
        parser.exit()


if __name__ == "__main__":
    sys.exit(main())
