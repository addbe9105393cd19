"""What every test lives with: nothing blocks the event loop, and a missing tool is never passed over.

A test marked `namespace`, `capture` or `browser` needs root or programs that not every machine has.
Without them it is skipped with the way to get them; with CI set it fails instead, so that a green CI
means that all of them ran.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from blockbuster import blockbuster_ctx
from hypothesis import settings

PROGRAMS = {  # program: the Debian package that brings it
    "ip": "iproute2",
    "tc": "iproute2",
    "nft": "nftables",
    "tshark": "tshark",
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
}
NEEDS = {  # mark: (programs, root)
    "namespace": (("ip", "tc", "nft"), True),
    "capture": (("tshark",), True),
    "browser": (("chromium", "chromedriver"), False),
}

settings.register_profile("default", deadline=None, derandomize=True, max_examples=100)
settings.load_profile("default")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip, or in CI fail, a test whose needs this machine does not meet."""
    for mark, (programs, root) in NEEDS.items():
        if item.get_closest_marker(mark) is None:
            continue
        lacking = sorted({PROGRAMS[name] for name in programs if shutil.which(name) is None})
        why = f"needs {', '.join(lacking)}: apt-get install {' '.join(lacking)}" if lacking else ""
        if root and os.geteuid() != 0:
            why = f"{why + '; ' if why else ''}needs root to build its line"
        if why and os.environ.get("CI"):
            pytest.fail(why, pytrace=False)
        if why:
            pytest.skip(why)


@pytest.fixture(autouse=True)
def nothing_blocks() -> Iterator[None]:
    """A call that would block the event loop fails the test that made it."""
    with blockbuster_ctx():
        yield
