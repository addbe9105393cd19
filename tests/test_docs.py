"""The project's papers say what is there, and what they point at exists."""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from pathlib import Path

import linebook

HOUSE = Path(__file__).parent.parent
PAPERS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/handbook.md", "docs/limits.md")
CHECKS = HOUSE / "docs" / "outside-checks.md"


def commands(parser: argparse.ArgumentParser, words: str = "linebook") -> Iterator[str]:
    """Every command a person can type, in full."""
    groups = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    if not groups:
        yield words
    for group in groups:
        for name, inner in group.choices.items():
            yield from commands(inner, f"{words} {name}")


def test_every_command_is_in_the_readme_or_handbook_and_in_the_changelog() -> None:
    for papers in (("README.md", "docs/handbook.md"), ("CHANGELOG.md",)):
        text = " ".join(" ".join((HOUSE / paper).read_text() for paper in papers).split())
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


def names_in(path: Path) -> set[str]:
    """The tests of a module by their name, those of a class as Class::name."""
    found = set()
    for node in ast.parse(path.read_text()).body:
        inner = node.body if isinstance(node, ast.ClassDef) else [node]
        owner = f"{node.name}::" if isinstance(node, ast.ClassDef) else ""
        found |= {
            owner + each.name for each in inner if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef)
        }
    return found


def test_every_outside_check_has_a_test_or_says_why_not() -> None:
    """A test that the ledger names exists; a row without one says that it does not apply, and why."""
    rows = [line for line in CHECKS.read_text().splitlines() if line.startswith("| ")]
    held = [
        cells[-2] for cells in (row.split("|") for row in rows) if cells[-2].strip() not in ("held by", "---")
    ]
    named = [re.findall(r"`(tests/[\w/]+\.py)::([\w:]+)`", cell) for cell in held]
    assert [
        cell for cell, tests in zip(held, named, strict=True) if not tests and "does not apply: " not in cell
    ] == []
    wanted: dict[str, set[str]] = {}
    for path, name in (each for tests in named for each in tests):
        wanted.setdefault(path, set()).add(name)
    gone = {path: names - names_in(HOUSE / path) for path, names in wanted.items()}
    assert {path: names for path, names in gone.items() if names} == {}
    assert sum(len(names) for names in wanted.values()) > 100


def test_what_the_papers_link_to_is_there() -> None:
    for paper in PAPERS:
        for target in re.findall(r"\]\(([^)#:]+)\)", (HOUSE / paper).read_text()):
            assert ((HOUSE / paper).parent / target).exists(), f"{paper} links to {target}"


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, job, *_ = (HOUSE / "README.md").read_text().split("\n\n")
    assert title == "# Linebook"
    assert job.startswith("Linebook is")
