"""The project's papers say what is there, and what they point at exists."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

import linebook

HOUSE = Path(__file__).parent.parent
PAPERS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")


def commands(parser: argparse.ArgumentParser, words: str = "linebook") -> Iterator[str]:
    """Every command a person can type, in full."""
    groups = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    if not groups:
        yield words
    for group in groups:
        for name, inner in group.choices.items():
            yield from commands(inner, f"{words} {name}")


def test_every_command_is_in_the_readme_and_the_changelog() -> None:
    for paper in ("README.md", "CHANGELOG.md"):
        text = " ".join((HOUSE / paper).read_text().split())
        assert [
            words for words in commands(linebook.parser()) if words.removeprefix("linebook ") not in text
        ] == []


def test_every_command_says_what_it_does() -> None:
    """Help of each command opens with a sentence."""
    for words in commands(linebook.parser()):
        parser = linebook.parser()
        for word in words.split()[1:]:
            (group,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
            parser = group.choices[word]
        assert parser.description, words
        assert parser.description.endswith((".", "?")), words


def test_what_the_papers_link_to_is_there() -> None:
    for paper in PAPERS:
        for target in re.findall(r"\]\(([^)#:]+)\)", (HOUSE / paper).read_text()):
            assert (HOUSE / target).exists(), f"{paper} links to {target}"


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, job, *_ = (HOUSE / "README.md").read_text().split("\n\n")
    assert title == "# Linebook"
    assert job.startswith("Linebook is")
