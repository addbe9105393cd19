"""Every command's help can be asked for, and says of each option and argument what it is for."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import pytest

from linebook import parser


def _every(made: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    yield made
    for action in made._actions:
        if isinstance(action, argparse._SubParsersAction):
            for one in action.choices.values():
                yield from _every(one)


@pytest.mark.parametrize("made", [*_every(parser())], ids=lambda made: made.prog)
def test_it_is_said(made: argparse.ArgumentParser) -> None:
    said = " ".join(made.format_help().split())
    assert made.description is not None
    assert " ".join(made.description.split()) in said
    for action in made._actions:
        assert action.help or isinstance(action, argparse._SubParsersAction), action.dest
    assert "%%" not in said
