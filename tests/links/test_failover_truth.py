"""Two uplinks, and a router that moves the house's traffic from one to the other at a moment the test knows.

::

    probe --+-- main ---- router ----+-- endpoint
            +-- backup -- router ----+      (one namespace: the endpoint has an address behind both)

The probe's default route goes by the main uplink; the test takes it to the backup, as a router that has found
out would. Faults: the endpoint's end of the main pair set down (clean), nftables dropping all that comes both
ways (silent), or one way (half-dead). The truth is when the test's own commands had been carried out, by the
same monotonic clock, and nftables' counters.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.house import LINEBOOK, PORT
from tests.links.namespaces import Line
from tests.links.test_uplinks_truth import DEVICE_B, FAR, VIA, two_uplinks

pytestmark = [pytest.mark.namespace, pytest.mark.alone]

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
    return (
        'table netdev fault { chain arrivals { type filter hook ingress device "' + device + '" priority 0; '
        "ip protocol { udp, tcp } counter drop } }"
    )


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
        route = ("ip", "route", "change" if False else "replace", "default", "via", VIA[4][1], "metric", "5")
        for name, at_s, work in (
            ("failed", FAILS_S, lambda: fail(made, case)),
            ("moved", MOVES_S, lambda: made.run("probe", *route)),
            ("mended", BACK_S, lambda: mend(made, case)),
            (
                "returned",
                RETURNS_S,
                lambda: made.run("probe", "ip", "route", "del", "default", "metric", "5"),
            ),
        ):
            time.sleep(max(0.0, began_s + at_s - time.monotonic()))  # the fault's own timetable
            from_s = time.monotonic()
            work()
            truth[name] = from_s, time.monotonic()
        out, err = watching.communicate(timeout=60)
        assert watching.returncode == 0, err
    return json.loads(out), truth
