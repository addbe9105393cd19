"""A port's carrier, against what the test does to a pair's other end, and the kernel's count."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.links.namespaces import Line, line

HOUSE = Path(__file__).parents[2]


def told(watching: subprocess.Popen[str]) -> dict[str, Any]:
    assert watching.stdout is not None
    found: dict[str, Any] = json.loads(watching.stdout.readline())
    return found


def carriers_lost(way: Line) -> int:
    path = f"/sys/class/net/{way.probe_device}/carrier_down_count"
    return int(way.run("probe", "cat", path).stdout)


@pytest.mark.few
@pytest.mark.namespace
def test_a_carrier_is_told_as_it_goes_and_comes(tmp_path: Path) -> None:
    """The far end of a veth pair goes down for two seconds, then the near one.

    The kernel tells within a second (linkwatch holds news back for as long); looking by itself would take
    up to ten.
    """
    with line() as way:
        watching = way.start(
            "probe",
            sys.executable, "-m", "tests.links.watching_port", way.probe_device, str(tmp_path / "port.db"),
            cwd=HOUSE,
        )  # fmt: skip
        assert told(watching) == {"carrier": True}
        before = carriers_lost(way)
        cut = time.time()
        way.cut()
        lost = told(watching)
        time.sleep(max(0.0, cut + 2 - time.time()))  # the length of the fault
        mended = time.time()
        way.cut(cut=False)
        back = told(watching)
        assert (lost["what"], lost["owner"]) == ("carrier lost", "unknown")
        assert cut <= lost["started_unix_ns"] / 1e9 <= cut + 3
        assert (back["what"], mended <= back["started_unix_ns"] / 1e9 <= mended + 3) == ("carrier back", True)
        assert back["seconds"] == pytest.approx(mended - cut, abs=1.5)
        assert carriers_lost(way) == before + 1

        way.run("probe", "ip", "link", "set", way.probe_device, "down")
        lost = told(watching)
        assert (lost["what"], lost["owner"]) == ("carrier lost", "house")
        assert lost["says"] == f"port {way.probe_device} was taken down on this host"
