"""Two uplinks, and a host whose default route moves from one to the other at a moment that the test knows.

::

    probe --+-- uplink A (default route) --+-- endpoint
            +-- uplink B ------------------+

The probe's default route goes by the main uplink; the test takes it to the backup, as whatever finds
out would. Faults: the endpoint's end of the main pair set down (clean), nftables dropping all that comes both
ways (silent), or one way (half-dead). The truth is when the test's own commands had been carried out, by the
same monotonic clock; of a link that is up again, when the kernel knew its neighbour.
"""

from __future__ import annotations

import json
import sys
import time
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

CASES = {"link down": "clean", "silent": "silent", "up dead": "half-dead", "down dead": "half-dead"}
PER_SECOND, SECONDS = 20, 14
SPACING_MS = 1000 / PER_SECOND
BOUND_MS = 2 * SPACING_MS  # a moment lies between two packets; and the commands take some ms
FAILS_S, MOVES_S, BACK_S, RETURNS_S = 3.0, 5.5, 8.5, 11.0

SITE = """
name = "Two uplinks"
invented = true
timezone = "UTC"
database = "line.db"

[[handoff]]
name = "A"
interface = "{main}"

[[handoff]]
name = "B"
interface = "{backup}"

[[endpoint]]
name = "far"
where = "outside"
invitation = "{invitation}"
"""


def drops(device: str) -> str:
    return f"""
        table netdev fault {{
            chain arrivals {{
                type filter hook ingress device "{device}" priority 0;
                ip protocol {{ udp, tcp }} counter drop
            }}
        }}"""


def fail(made: Line, case: str) -> None:
    if case == "link down":
        made.cut()
        return
    if case != "down dead":
        made.run("endpoint", "nft", "-f", "-", input=drops(made.endpoint_device))
    if case != "up dead":
        made.run("probe", "nft", "-f", "-", input=drops(made.probe_device))


def mend(made: Line, case: str) -> None:
    if case == "link down":
        made.cut(cut=False)
        known = f"ip neigh show dev {made.probe_device} to {VIA[4][0]}"
        known += " | grep -Eq 'REACHABLE|STALE|DELAY|PROBE'"
        # the neighbour was forgotten with the carrier, and Linux asks for it once a second only
        made.run("probe", "sh", "-c", f"until {known}; do sleep 0.01; done", timeout_s=10)
        return
    for where in ("endpoint", "probe"):
        made.run(where, "nft", "delete", "table", "netdev", "fault", check=False)


def exercise(case: str, folder: Path) -> tuple[dict[str, Any], dict[str, tuple[float, float]]]:
    """The record, and for each moment of the truth when its command began and was done, monotonic, in s."""
    invitation = write(keys.invite(folder / "endpoint", address=f"{FAR[4]}:{PORT}"))
    truth: dict[str, tuple[float, float]] = {}
    with two_uplinks() as made:
        served = made.start(
            "endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(folder / "endpoint")
        )
        assert served.stderr is not None
        assert served.stderr.readline()
        site = folder / "site.toml"
        site.write_text(SITE.format(main=made.probe_device, backup=DEVICE_B, invitation=invitation))
        site.chmod(0o600)
        watching = made.start(
            "probe", sys.executable, LINEBOOK, "failover", str(site), "--seconds", str(SECONDS), "--json"
        )
        assert watching.stderr is not None
        while "traffic comes from" not in (line := watching.stderr.readline()):
            assert line, "it ended early"
        began_s = time.monotonic()
        route = ("ip", "route", "replace", "default", "via", VIA[4][1], "metric", "5")
        away = ("ip", "route", "del", "default", "metric", "5")
        for name, at_s, work in (
            ("failed", FAILS_S, lambda: fail(made, case)),
            ("moved", MOVES_S, lambda: made.run("probe", *route)),
            ("mended", BACK_S, lambda: mend(made, case)),
            (
                "returned",
                RETURNS_S,
                lambda: made.run("probe", *away),
            ),
        ):
            time.sleep(max(0.0, began_s + at_s - time.monotonic()))  # the fault's own timetable
            from_s = time.monotonic()
            work()
            done_s = time.monotonic()
            truth[name] = (done_s if (name, case) == ("mended", "link down") else from_s), done_s
        out, err = watching.communicate(timeout=60)
        assert watching.returncode == 0, err
    return json.loads(out), truth


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Every case at the same time, each on a line of its own: they wait far more than they work."""
    folders = [tmp_path_factory.mktemp(case.replace(" ", "-")) for case in CASES]
    with ThreadPoolExecutor(len(CASES)) as at_once:
        return dict(zip(CASES, at_once.map(exercise, CASES, folders), strict=True))


def within(record: dict[str, Any], key: str, truth: tuple[float, float]) -> None:
    """The record's moment lies in the time of the command that made it so, and the bound around."""
    at_s = record["started_s"] + record[key] / 1000
    early_ms, late_ms = (truth[0] - at_s) * 1000, (at_s - truth[1]) * 1000
    print(
        f"{key}: {(at_s - truth[0]) * 1000:.0f} ms after its command began, {late_ms:.0f} after it was done"
    )
    assert max(early_ms, late_ms) <= BOUND_MS, (key, early_ms, late_ms)


@pytest.mark.parametrize("case", CASES)
def test_the_failure_is_told_by_its_kind(found: dict[str, Any], case: str) -> None:
    """Each was planted by another means: the device set down, or nftables both ways, up only, down only."""
    record, _ = found[case]
    assert record["failure"] == CASES[case], record["because"]
    assert (record["carrier_lost_ms"] is not None) is (case == "link down")
    if case in ("up dead", "silent"):
        assert record["knocks"] >= 3
        assert (record["knocks_heard"] > 0) is (case == "up dead")


@pytest.mark.parametrize("case", CASES)
def test_the_stopwatch_is_right(found: dict[str, Any], case: str) -> None:
    """Against the moments at which the test's own commands broke, moved, mended and moved back."""
    record, truth = found[case]
    started_s = datetime.fromisoformat(record["started"]).timestamp() - time.time() + time.monotonic()
    record = record | {"started_s": started_s}
    within(record, "failed_ms", truth["failed"])
    within(record, "last_ms", truth["failed"])
    within(record, "first_ms", truth["moved"])
    within(record, "main_back_ms", truth["mended"])
    assert record["switched"] is True
    assert (record["egress_before"], record["egress_after"]) == (OWN_A[4], OWN_B[4])
    gap_ms = (truth["moved"][0] - truth["failed"][0]) * 1000
    assert record["without_ms"] == pytest.approx(gap_ms, abs=2 * BOUND_MS)
    assert record["lost_switching"] == pytest.approx(gap_ms / SPACING_MS, abs=3)
    returned_s = record["started_s"] + record["returned_ms"] / 1000
    assert 0 <= returned_s - truth["returned"][0] <= 1.2  # asked twice a second
    assert record["other"]["breaks"] == []
