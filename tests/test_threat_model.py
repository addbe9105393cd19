"""The threat model's lines are held by tests that are there; nothing imports what would open another hole."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.test_layers import imported

HOUSE = Path(__file__).parent.parent
MODEL = HOUSE / "docs" / "threat-model.md"
LINES = [
    [cell.strip() for cell in line.strip().strip("|").split("|")]
    for line in MODEL.read_text().splitlines()
    if line.startswith("| ") and not line.startswith(("| ---", "| threat |"))
]
THREATS = {  # every one must have its line, by a word of its name
    *(
        "Reflection",
        "amplification",
        "Replay",
        "Downgrade",
        "Stolen",
        "revoked",
        "Forged STAMP",
        "Sequence jumps",
    ),
    *("Token guessing", "Slow callers", "half-open", "endless bodies", "Clock-based", "Path traversal"),
    *("Host header", "DNS rebinding", "Cross-site", "Session fixation", "Log injection", "formula injection"),
    *("Zip", "XML", "Secrets"),
}
OPENS = {  # what unpacks archives, resolves entities or runs what it reads
    *("zipfile", "tarfile", "shutil.unpack_archive", "gzip", "bz2", "lzma", "xml", "lxml", "plistlib"),
    *("pickle", "marshal", "shelve", "dill", "yaml", "joblib"),
}
KNOWN = {
    # of a pipe between this program's processes and of files of its own, and makes nothing but its own values
    "dashboard/values.py": {"pickle"},
    # the one reader there is: packs, which are refused for any oddity and never unpacked
    "store/bundle.py": {"zipfile", "zipfile.ZipFile"},
    "store/zip_tricks.py": {"zipfile"},
}


def test_every_threat_has_its_line() -> None:
    names = " ".join(line[0] for line in LINES)
    assert {one for one in THREATS if one not in names} == set()


@pytest.mark.parametrize("line", LINES, ids=lambda line: line[0])
def test_the_tests_of_a_line_are_there(line: list[str]) -> None:
    """Each as pytest would call it: the file, perhaps a class, and the function."""
    assert len(line) == 4
    assert all(line)
    named = re.findall(r"`([^`]+\.py)::([^`]+)`", line[3])
    assert named
    assert len(named) == line[3].count("`") / 2
    assert [f"{path}::{name}" for path, name in named if not _is_there(path, name.split("::"))] == []


def _is_there(path: str, names: list[str]) -> bool:
    file = HOUSE / "tests" / path
    if not file.is_file():
        return False
    inside: list[ast.stmt] = ast.parse(file.read_text()).body
    for name in names:
        found = [
            one
            for one in inside
            if isinstance(one, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and one.name == name
        ]
        if not found:
            return False
        inside = found[0].body
    return names[-1].startswith("test_")


def test_nothing_reads_what_unpacks_or_runs() -> None:
    """No module of the program imports a reader of archives, of XML or of objects that run code."""
    files = [HOUSE / "linebook.py"]
    for part in ("commands", "store", "probe", "dashboard"):
        files += (HOUSE / part).rglob("*.py")
    found = {str(file.relative_to(HOUSE)): imported(file) & OPENS for file in files}
    assert {file: names for file, names in found.items() if names - KNOWN.get(file, set())} == {}
