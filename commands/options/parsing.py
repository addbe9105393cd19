"""How a command line is read: one sentence for a mistake; a command's module is loaded when it is given."""

from __future__ import annotations

import argparse
import difflib
import importlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn, cast

from commands.exits import EXIT_MISTAKE


class Parser(argparse.ArgumentParser):
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


def command(commands: Any, name: str, where: str, words: str) -> Parser:
    """Declare a command that the function at `where` (module:function, in `commands`) carries out.

    That module is loaded when the command is given and not before, so that help comes at once.
    """
    made = _added(commands, name, words)
    made.set_defaults(command=_loaded(where), parser=made, word=name)
    return made


def group(commands: Any, name: str, words: str, *, one: str = "COMMAND") -> Any:
    """Declare a word that has commands of its own, of which `one` stands in its usage."""
    made = _added(commands, name, words)
    return made.add_subparsers(title="commands", metavar=one, required=True, parser_class=Parser)


def takes_site(made: argparse.ArgumentParser) -> None:
    """Declare the argument that most commands begin with."""
    made.add_argument("site", type=Path, metavar="SITE", help="the site file")


def tells_json(made: argparse.ArgumentParser) -> None:
    """Declare the option of every command whose answer a program may read."""
    made.add_argument("--json", action="store_true", help="one JSON object on standard output")


def _added(commands: Any, name: str, words: str) -> Parser:
    told = words.replace("%", "%%")  # which help formats and a description does not
    return cast(Parser, commands.add_parser(name, help=told, description=words, allow_abbrev=False))


def _loaded(where: str) -> Callable[[argparse.Namespace], int]:
    module, function = where.split(":")

    def run(options: argparse.Namespace) -> int:
        found = getattr(importlib.import_module(f"commands.{module}"), function)
        return cast(int, found(options))

    return run
