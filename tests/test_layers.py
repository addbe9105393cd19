"""The house stands as drawn: probe -> store <- dashboard, and wire formats touch no socket."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
FORBIDDEN = {  # part of the house: what its modules may not import
    "store": {"probe", "dashboard", "linebook", "commands"},
    "probe": {"dashboard", "linebook", "commands"},
    "dashboard": {"probe", "linebook", "commands"},
    "commands": {"linebook"},
    "probe/wire": {"socket", "asyncio", "time", "ssl", "aiohttp"},
    "dashboard/judge": {"sqlite3", "sqlite_utils", "asyncio", "aiohttp", "jinja2", "time", "store.reader"},
}


def imported(path: Path) -> set[str]:
    """Every module a file imports by name, with all the packages above it; type-only imports count too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute here"
            names = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            continue
        for name in names:
            parts = name.split(".")
            found |= {".".join(parts[:count]) for count in range(1, len(parts) + 1)}
    return found


@pytest.mark.parametrize("part", FORBIDDEN)
def test_nothing_imports_what_it_may_not(part: str) -> None:
    """No module of a part imports what the part is kept from."""
    files = sorted((HOUSE / part).rglob("*.py"))
    assert files, f"{part} has no modules"
    assert {str(file.relative_to(HOUSE)): imported(file) & FORBIDDEN[part] for file in files} == {
        str(file.relative_to(HOUSE)): set() for file in files
    }


def test_every_module_says_where_it_stands() -> None:
    """Each module of the house opens with a docstring."""
    parts = ("commands", "store", "probe", "dashboard")
    files = [
        HOUSE / "linebook.py",
        *(file for part in parts for file in (HOUSE / part).rglob("*.py")),
    ]
    assert [file for file in files if not ast.get_docstring(ast.parse(file.read_text()))] == []


def test_help_is_light() -> None:
    """No command's module is loaded, nor anything heavy, to read a command line."""
    heavy = {"aiohttp", "asyncio", "numpy", "sqlite3"}
    ask = f"import sys, linebook; linebook.parser(); print({heavy} & {{*sys.modules}})"
    done = subprocess.run([sys.executable, "-c", ask], cwd=HOUSE, capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"


def test_every_command_has_what_carries_it_out() -> None:
    """The functions that options name as "module:function" exist in `commands`."""
    texts = [file.read_text() for file in (HOUSE / "commands" / "options").glob("*.py")]
    named = {found for text in texts for found in re.findall(r'"([a-z_]+):([a-z_]+)"', text)}
    assert len(named) > 25
    for module, function in named:
        assert callable(getattr(importlib.import_module(f"commands.{module}"), function)), (module, function)


def test_what_prints_a_run_is_light() -> None:
    """No command waits half a second for numerics only to print its text, nor the pages for statistics."""
    ask = (
        "import sys, dashboard.text; print({'numpy', 'scipy', 'cryptography', 'plotly'} & {*sys.modules});"
        "import dashboard.app; print({'scipy.stats', 'ruptures', 'plotly', 'pyarrow'} & {*sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", ask], cwd=HOUSE, capture_output=True, text=True, check=True)
    assert done.stdout == "set()\nset()\n"
