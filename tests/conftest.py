"""What every test lives with: nothing blocks the event loop, and a missing tool is never passed over.

A test marked `namespace`, `capture`, `browser`, `manager` or `image` needs root or programs that not every
machine has. Without them it is skipped with the way to get them; with CI set it fails instead, so that a
green CI means that all of them ran.

A test marked `alone` or `few` measures time or rate. The first fails where other tests run beside it, the
second where more than one does, and everything in tests/links has to have one of these marks.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from blockbuster import blockbuster_ctx
from hypothesis import settings

from tests.lacking import lacking

PROGRAMS = {  # program: the Debian package that brings it
    "ip": "iproute2",
    "tc": "iproute2",
    "nft": "nftables",
    "tshark": "tshark",
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "systemd-analyze": "systemd",
    "debootstrap": "debootstrap",
    "systemd-nspawn": "systemd-container",
}
NEEDS = {  # mark: (programs, root)
    "namespace": (("ip", "tc", "nft"), True),
    "capture": (("tshark",), True),
    "browser": (("chromium", "chromedriver"), False),
    "manager": (("systemd-analyze",), False),
    "image": (("debootstrap", "systemd-nspawn"), True),
}

BESIDE = {"alone": 0, "few": 1}  # mark: how many more tests may run at the same time
PASSES = {*BESIDE, "long"}  # marks that have a pass of their own
LINKS = Path(__file__).parent / "links"

settings.register_profile("default", deadline=None, derandomize=True, max_examples=25)
settings.register_profile("thorough", deadline=None, max_examples=1000)  # --hypothesis-profile=thorough
settings.load_profile("default")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """A pass of one mark imports what has such tests alone: to import everything takes ten seconds."""
    mark = config.option.markexpr.removesuffix(" and not long")
    if mark not in PASSES or not collection_path.match("test_*.py"):
        return None
    return None if says(collection_path, mark) else True


@cache
def says(path: Path, mark: str) -> bool:
    """Whether a module of tests has the mark in its text."""
    return f"mark.{mark}" in path.read_text()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a test of a line of known truth that could run beside others, and one that a pass would miss."""
    for item in items:
        for mark in PASSES:
            if item.get_closest_marker(mark) and not says(item.path, mark):
                raise pytest.UsageError(f"{item.nodeid}: write the mark `{mark}` in the module itself")
        if LINKS in item.path.parents and not any(map(item.get_closest_marker, BESIDE)):
            raise pytest.UsageError(f"{item.nodeid}: a test in tests/links needs the mark `alone` or `few`")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Refuse a test that is to be alone and is not; skip, or in CI fail, one whose needs are not met here."""
    beside = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")) - 1
    for mark, most in BESIDE.items():
        if beside > most and item.get_closest_marker(mark):
            pytest.fail(
                f'measures time or rate: run it with -n {most + 1} at most or leave it out (-m "not {mark}")',
                pytrace=False,
            )
    for mark, (programs, root) in NEEDS.items():
        if item.get_closest_marker(mark) is None:
            continue
        absent = sorted({PROGRAMS[name] for name in programs if shutil.which(name) is None})
        why = f"needs {', '.join(absent)}: apt-get install {' '.join(absent)}" if absent else ""
        if root and os.geteuid() != 0:
            why = f"{why + '; ' if why else ''}needs root to build its line"
        if why:
            lacking(why)


@pytest.fixture(scope="session", autouse=True)
def no_cache_of_the_account(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a dashboard keeps between two starts is not the account's that runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(autouse=True)
def nothing_blocks() -> Iterator[None]:
    """A call that would block the event loop fails the test that made it."""
    with blockbuster_ctx():
        yield
