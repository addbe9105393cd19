"""The failover stopwatch on two uplinks whose failures, switch and return are planted at known times.

The truth is this test's own clock, read before and after each ``ip`` or ``nft`` that plants something: a
moment lies between the two. What the trains say may be off by two packet spacings and 0.1 s.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.house import LINEBOOK, PORT
from tests.links.namespaces import Line
from tests.links.test_uplinks_truth import DEVICE_B, FAR, OWN_A, OWN_B, VIA, two_uplinks

pytestmark = [pytest.mark.namespace, pytest.mark.few]

PER_SECOND = 50
SLACK_S = 2 / PER_SECOND + 0.1
BEFORE_S, SWITCH_AFTER_S, MEND_AFTER_S = 0.7, 1.2, 1.3
SECONDS = 6
SITE = """
name = "Two uplinks (invented)"
invented = true
timezone = "UTC"
database = "line.db"
[[handoff]]
name = "A"
interface = "{device}"
[[handoff]]
name = "B"
interface = "{other}"
[[endpoint]]
name = "far"
where = "outside"
invitation = "{invitation}"
"""

Planted = tuple[float, float]  # Unix seconds before and after it was done
Measured = tuple[dict[str, Any], Mapping[str, Planted]]


def _cut(line: Line, broken: bool) -> None:
    line.cut(cut=broken)


def _drop(*, up: bool, down: bool) -> Callable[[Line, bool], None]:
    def plant(line: Line, broken: bool) -> None:
        for wanted, where, device in (
            (up, "endpoint", line.endpoint_device),
            (down, "probe", line.probe_device),
        ):
            if not wanted:
                continue
            rules = "delete table netdev broken"
            if broken:
                rules = f"""
                    table netdev broken {{
                        chain arrivals {{
                            type filter hook ingress device "{device}" priority 0;
                            ip protocol udp drop
                        }}
                    }}"""
            line.run(where, "nft", "-f", "-", input=rules)

    return plant


FAULTS: Mapping[str, Callable[[Line, bool], None]] = {
    "clean": _cut,
    "silent": _drop(up=True, down=True),
    "half-dead": _drop(up=False, down=True),
}


def _fix_neighbour(line: Line) -> None:
    """Keep A's router known over a lost carrier, or the return waits up to 1 s for the kernel's next ARP."""
    shown = line.run("endpoint", "ip", "-j", "link", "show", "dev", line.endpoint_device)
    known = ("lladdr", json.loads(shown.stdout)[0]["address"], "nud", "permanent")
    line.run("probe", "ip", "neigh", "replace", VIA[4][0], "dev", line.probe_device, *known)


def _measured(folder: Path, plant: Callable[[Line, bool], None]) -> Measured:
    """A failover during which A breaks, the default route moves to B, and A is mended."""
    folder.mkdir()
    invitation = write(keys.invite(folder / "endpoint", address=f"{FAR[4]}:{PORT}"))
    planted: dict[str, Planted] = {}

    def do(what: str, act: Callable[[], object]) -> None:
        before_s = time.time()
        act()
        planted[what] = before_s, time.time()

    with two_uplinks() as line:
        served = line.start(
            "endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(folder / "endpoint")
        )
        assert served.stderr is not None
        assert served.stderr.readline()
        _fix_neighbour(line)
        site = folder / "site.toml"
        site.write_text(SITE.format(device=line.probe_device, other=DEVICE_B, invitation=invitation))
        words = ("--main", "A", "--backup", "B", "--seconds", str(SECONDS), "--json")
        measuring = line.start("probe", sys.executable, LINEBOOK, "failover", str(site), *words)
        assert measuring.stderr is not None
        while "Break A now" not in (said := measuring.stderr.readline()):
            assert said, measuring.communicate()
        passing = threading.Event()
        passing.wait(BEFORE_S)
        do("broken", lambda: plant(line, True))
        passing.wait(SWITCH_AFTER_S)
        route = ("ip", "route", "replace", "default", "via", VIA[4][1], "metric", "5")
        do("switched", lambda: line.run("probe", *route))
        passing.wait(MEND_AFTER_S)
        do("mended", lambda: plant(line, False))
        out, errors = measuring.communicate(timeout=60)
        assert measuring.returncode == 0, errors
    return json.loads(out), planted


@pytest.fixture(scope="module")
def failovers(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Measured]:
    """One of each class, all at the same time, each on a house of its own."""
    folder = tmp_path_factory.mktemp("failover")
    with ThreadPoolExecutor(len(FAULTS)) as at_once:
        found = at_once.map(lambda name: _measured(folder / name, FAULTS[name]), FAULTS)
        return dict(zip(FAULTS, found, strict=True))


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_failure_is_named_and_timed(failovers: Mapping[str, Measured], name: str) -> None:
    found, planted = failovers[name]
    started_s = datetime.fromisoformat(found["started"]).timestamp()

    def near(at_ms: int | None, what: str) -> bool:
        assert at_ms is not None, (what, found)
        before_s, after_s = planted[what]
        return before_s - SLACK_S <= started_s + at_ms / 1000 <= after_s + SLACK_S

    assert found["failure"] == name, found
    assert near(found["failed_at_ms"], "broken"), (found, planted)
    assert near(found["silent_at_ms"], "broken"), (found, planted)
    assert near(found["switched_at_ms"], "switched"), (found, planted)
    assert near(found["returned_at_ms"], "mended"), (found, planted)
    without_s = planted["switched"][0] - planted["broken"][1], planted["switched"][1] - planted["broken"][0]
    assert without_s[0] - SLACK_S <= found["without_ms"] / 1000 <= without_s[1] + SLACK_S
    assert found["without_packets"] == pytest.approx(found["without_ms"] * PER_SECOND / 1000, abs=2)
    assert (found["lost_after_return"], found["backup_lost"], found["further"]) == (0, 0, 0)
    assert (found["carrier_lost_at_ms"] is None) == (name != "clean")
    assert found["main_address"] == found["unbound_address"] == OWN_A[4]
    assert found["backup_address"] == found["unbound_address_after"] == OWN_B[4]
