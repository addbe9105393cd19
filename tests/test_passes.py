"""tests/run and tests/conftest.py: all passes run, no failure is hidden, nothing is passed over in CI."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
PROGRAMS = (
    "ip",
    "tc",
    "nft",
    "tshark",
    "chromium",
    "chromedriver",
    "systemd-analyze",
    "python3",
)  # all that tests/run looks for
THREE = """
import pytest
@pytest.mark.namespace
def test_line(): pass
@pytest.mark.capture
def test_packets(): pass
@pytest.mark.browser
def test_page(): pass
"""
PASSES = [
    "-m pytest -m not alone and not few and not long -n 4 --dist worksteal",
    "-m pytest -m few and not long -n 2 --dist loadscope",
    "-m pytest -m alone and not long",
]
TIMED = """
import pytest
@pytest.mark.alone
def test_rate(): pass
@pytest.mark.few
def test_loss(): pass
def test_other(): pass
"""


def passed_over(where: Path, *options: str, ci: bool) -> subprocess.CompletedProcess[str]:
    """A pytest of its own, with this suite's conftest and settings, on a machine without any program."""
    shutil.copy(TESTS / "conftest.py", where)
    asked = ["-q", "-c", str(TESTS.parent / "pyproject.toml"), "--rootdir", str(where), str(where), *options]
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST", "CI"))}
    env |= {"PATH": str(where)} | ({"CI": "true"} if ci else {})
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *asked]
    return subprocess.run(command, env=env, cwd=where, capture_output=True, text=True, check=False)


def test_what_is_lacking_fails_in_ci(tmp_path: Path) -> None:
    """A test of a line, a capture or a browser that cannot run is a failure there."""
    (tmp_path / "test_three.py").write_text(THREE)
    done = passed_over(tmp_path, ci=True)
    assert (done.returncode, "3 errors in" in done.stdout) == (1, True), done.stdout
    assert "apt-get install chromium" in done.stdout


def test_what_is_lacking_is_skipped_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "test_three.py").write_text(THREE)
    done = passed_over(tmp_path, ci=False)
    assert (done.returncode, "3 skipped" in done.stdout) == (0, True), done.stdout


def test_side_by_side(tmp_path: Path) -> None:
    """What is lacking fails in CI there too, and what measures time refuses the company."""
    (tmp_path / "test_three.py").write_text(THREE)
    (tmp_path / "test_timed.py").write_text(TIMED)
    done = passed_over(tmp_path, "-n", "2", ci=True)
    assert (done.returncode, "2 passed, 4 errors in" in done.stdout) == (1, True), done.stdout
    assert "apt-get install chromium" in done.stdout
    assert "test_rate - Failed: measures time" in done.stdout
    done = passed_over(tmp_path, "-n", "3", "-k", "test_loss", ci=True)
    assert "test_loss - Failed: measures time" in done.stdout, done.stdout


def test_a_pass_of_one_mark_imports_what_has_it(tmp_path: Path) -> None:
    """The module without the mark cannot even be imported, and nothing asks it."""
    (tmp_path / "test_timed.py").write_text(TIMED)
    (tmp_path / "test_else.py").write_text("raise SystemExit('imported')")
    done = passed_over(tmp_path, "-m", "few and not long", ci=True)
    assert (done.returncode, "1 passed, 2 deselected" in done.stdout) == (0, True), done.stdout


def test_a_line_of_known_truth_is_alone(tmp_path: Path) -> None:
    """One that forgot the mark keeps the suite from running."""
    (tmp_path / "links").mkdir()
    (tmp_path / "links" / "test_timed.py").write_text(TIMED)
    done = passed_over(tmp_path, ci=False)
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert "test_other: a test in tests/links needs the mark `alone` or `few`" in done.stdout + done.stderr


def started(
    where: Path, *arguments: str, first_ends: int = 0, fail: int = 0, last_ends: int = 0, types_end: int = 0
) -> tuple[int, list[str]]:
    """Exit code of tests/run, and the words of each pytest it started, none of which does anything.

    That which only collects, so that all is compiled, is left out.
    `first_ends` is the exit code of the first of them, which leaves so many as pytest does that `fail`;
    `last_ends` that of one that is asked for those, `types_end` that of the look at types.
    """
    (where / "tests").mkdir()
    (where / "programs").mkdir()
    shutil.copy(TESTS / "run", where / "tests")
    environment = where / ".venv-test" / "bin"
    environment.mkdir(parents=True)
    log, stub = where / "log", "#!/bin/sh\n"
    left = where / ".pytest_cache" / "v" / "cache" / "lastfailed"
    left.parent.mkdir(parents=True)
    left.write_text("{}")  # of an earlier time
    failing = json.dumps({f"tests/test_it.py::test_{number}": True for number in range(fail)}, indent=2)
    for program in (*(where / "programs" / name for name in PROGRAMS), environment / "ruff"):
        program.write_text(stub)
    (environment / "mypy").write_text(f"{stub}exit {types_end}\n")
    (where / "programs" / "nproc").write_text(f"{stub}echo 2\n")
    (environment / "python").write_text(
        f'{stub}[ "$2" = pytest ] || exit 0\n[ "$3" != --collect-only ] || exit 0\n'
        f'[ "$3" != --last-failed ] || code={last_ends}\n'
        f"[ -e {log} ] || {{ code={first_ends}; echo '{failing}' >{left}; }}\n"
        f'echo "$*" >>{log}\nexit ${{code:-0}}\n'
    )
    for program in (*(where / "programs").iterdir(), *environment.iterdir()):
        program.chmod(0o755)
    for program in ("cat", "dirname", "nice", "grep", "rm"):
        (where / "programs" / program).symlink_to(str(shutil.which(program)))
    done = subprocess.run(
        [where / "tests" / "run", *arguments], env={"PATH": str(where / "programs")}, check=False
    )
    return done.returncode, log.read_text().splitlines()


@pytest.mark.parametrize(("code", "fail"), [(0, 0), (1, 0), (1, 4), (3, 1)])
def test_all_passes_run_and_a_failure_stays(tmp_path: Path, code: int, fail: int) -> None:
    """Together they are every test but the long ones: two take what has their mark, one what has none."""
    assert started(tmp_path, first_ends=code, fail=fail) == (code, PASSES)


@pytest.mark.parametrize("last_ends", [0, 1])
def test_up_to_three_that_failed_are_asked_once_more(tmp_path: Path, last_ends: int) -> None:
    """And what they say then is the end of it."""
    code, asked = started(tmp_path, first_ends=1, fail=3, last_ends=last_ends)
    assert (code, asked) == (last_ends, [*PASSES, "-m pytest --last-failed -m not long"])


def test_wrong_types_end_it(tmp_path: Path) -> None:
    """They are looked at beside the first pass, and none that measures time begins after them."""
    assert started(tmp_path, types_end=1) == (1, PASSES[:1])


def test_an_interrupted_pass_ends_it(tmp_path: Path) -> None:
    code, asked = started(tmp_path, first_ends=pytest.ExitCode.INTERRUPTED)
    assert (code, len(asked)) == (2, 1)


def test_arguments_go_to_one_pytest(tmp_path: Path) -> None:
    assert started(tmp_path, "tests/store", "-q") == (0, ["-m pytest tests/store -q"])
