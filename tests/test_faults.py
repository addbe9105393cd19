"""docs/faults.md names tests that exist and words that the program has."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in (HOUSE / "docs" / "faults.md").read_text().splitlines()
    if line.startswith("| ") and not line.startswith(("| fault |", "| ---"))
]


@cache
def program() -> str:
    """All strings of the program, in one line each way they are broken."""
    files = [
        path
        for package in ("probe", "store", "dashboard", "commands")
        for path in (HOUSE / package).rglob("*.py")
    ]
    return " ".join(" ".join(path.read_text().split()) for path in files)


@pytest.mark.parametrize("row", ROWS, ids=[row[0].replace(" ", "_") for row in ROWS])
def test_a_fault_has_its_test_and_its_words(row: list[str]) -> None:
    fault, injected, does, words, held = row
    assert all((fault, injected, does))
    for test in held.split(", "):
        path, *names = test.strip("`").split("::")
        found = ast.parse((HOUSE / path).read_text()).body
        for name in names:
            (one,) = [each for each in found if getattr(each, "name", None) == name]
            found = getattr(one, "body", [])
    text = re.sub(r'" f?"', "", program())
    assert words.strip("`") in text


def test_every_fault_is_there() -> None:
    assert len({row[0] for row in ROWS}) == len(ROWS) >= 27
