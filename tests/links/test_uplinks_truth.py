"""Two uplinks, and the default route points at the wrong one: what is measured leaves by its own handoff.

::

    probe --+-- uplink A (default route) --+-- endpoint
            +-- uplink B ------------------+

The truth of where packets went is what the kernel counted on each device, and nftables at the endpoint.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.house import LINEBOOK, PORT
from tests.links.namespaces import PROBE_V4, PROBE_V6, Line, line

pytestmark = [pytest.mark.namespace, pytest.mark.few]

ROOT = Path(__file__).parents[2]
VERSIONS = (4, 6)
FAR = {4: "203.0.113.66", 6: "2001:db8:e::66"}  # RFC 5737, RFC 3849
VIA = {4: ("192.0.2.2", "198.51.100.2"), 6: ("2001:db8::2", "2001:db8:b::2")}  # the routers of A and of B
OWN_A = {4: PROBE_V4, 6: PROBE_V6}
OWN_B = {4: "198.51.100.1", 6: "2001:db8:b::1"}
ASSIGNED_B = {4: "198.51.100.0/29", 6: "2001:db8:b::/64"}
DEVICE_B = "upb0"

RUN = """
import asyncio, json, sys
from dataclasses import asdict
from probe.methods import paced, rate, train
from probe.methods.paced import PacedPlan
from probe.methods.rate import RatePlan
from probe.methods.train import TrainRequest
from probe.reach import Binding, Reach
from probe.wire.invitation import parse
from store.clock import Clock
from store.records import Direction

line, interface, source, assigned = sys.argv[1:]
where = Reach(
    handoff="B",
    endpoint="far",
    invitation=parse(line),
    binding=Binding(interface=interface or None, source=source or None),
    assigned=(assigned,),
)

async def runs():
    up, clock = Direction.UP, Clock()
    yield await rate.run(RatePlan(direction=up, flows=1, seconds=1, idle_s=0.2), where, clock)
    yield await paced.run(PacedPlan(direction=up, offered_bps=5_000_000, seconds=1), where, clock)
    found = await train.run(TrainRequest(seconds=0.4, per_second=50, packet_bytes=112), where, clock)
    yield getattr(found, "span", found)

async def main():
    told = []
    async for one in runs():
        known = getattr(one, "circumstances", None)
        told.append({
            "kind": one.kind, "why": getattr(one, "why", None), "standing": getattr(one, "standing", None),
            "reasons": getattr(one, "reasons", None), "known": known and asdict(known),
        })
    print(json.dumps(told))

asyncio.run(main())
"""


@contextmanager
def two_uplinks() -> Iterator[Line]:
    """A line that is uplink A, and a second pair beside it that is B; the endpoint is behind both."""
    with line() as made:
        made.run(
            "probe", "ip", "link", "add", DEVICE_B, "type", "veth",
            "peer", "name", "farb0", "netns", made.endpoint,
        )  # fmt: skip
        for where, device, last in (("probe", DEVICE_B, 1), ("endpoint", "farb0", 2)):
            made.run(where, "ip", "address", "add", f"198.51.100.{last}/24", "dev", device)
            made.run(where, "ip", "address", "add", f"2001:db8:b::{last}/64", "dev", device, "nodad")
            made.run(where, "ip", "link", "set", device, "up")
        for version in VERSIONS:
            length = 32 if version == 4 else 128
            made.run("endpoint", "ip", "address", "add", f"{FAR[version]}/{length}", "dev", "lo")
            for metric, via in zip(("10", "20"), VIA[version], strict=True):
                made.run(
                    "probe", "ip", f"-{version}", "route", "add", "default", "via", via, "metric", metric
                )
        yield made


def sent_bytes(made: Line, device: str) -> int:
    shown = made.run("probe", "ip", "-j", "-s", "link", "show", "dev", device)
    found: int = json.loads(shown.stdout)[0]["stats64"]["tx"]["bytes"]
    return found


@pytest.mark.parametrize("version", [pytest.param(4, marks=pytest.mark.long), 6])
def test_a_measurement_leaves_by_its_handoff(tmp_path: Path, version: int) -> None:
    """By the interface (here in IPv4), or by the one that holds the source address (in IPv6); without either
    it says that it did not.

    A run, a paced run and a train each time. What goes the right way moves nothing on the other device but
    what keeps neighbours known; what goes the wrong way is no evidence for handoff B.
    """
    far = FAR[version]
    address = f"{far}:{PORT}" if version == 4 else f"[{far}]:{PORT}"
    invitation = write(keys.invite(tmp_path / "endpoint", address=address))
    with two_uplinks() as made:
        served = made.start(
            "endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(tmp_path / "endpoint")
        )
        assert served.stderr is not None
        assert served.stderr.readline()
        made.shape(20_000_000, down=False)
        made.run("probe", "tc", "qdisc", "add", "dev", DEVICE_B, "root", "tbf",
                 "rate", "20mbit", "burst", "5000", "limit", "150000")  # fmt: skip

        def measured(interface: str, source: str) -> tuple[list[dict[str, Any]], int, int]:
            before = [sent_bytes(made, device) for device in (made.probe_device, DEVICE_B)]
            words = (invitation, interface, source, ASSIGNED_B[version])
            done = made.run("probe", sys.executable, "-c", RUN, *words, cwd=ROOT, check=False)
            assert done.returncode == 0, done.stderr
            after = [sent_bytes(made, device) for device in (made.probe_device, DEVICE_B)]
            return json.loads(done.stdout), after[0] - before[0], after[1] - before[1]

        bound = measured(DEVICE_B, "") if version == 4 else measured("", OWN_B[version])
        by_route = measured("", "")
    found, by_a, by_b = bound
    assert [one["kind"] for one in found] == ["rate", "paced", "train"], found
    for one in found:
        assert (one["known"]["interface"], one["known"]["source_address"]) == (DEVICE_B, OWN_B[version])
        assert one["known"]["egress_address"] == OWN_B[version]
        assert one["known"]["left_elsewhere"] is None
        assert "elsewhere" not in one["reasons"]
    assert by_b > 2_000_000  # a second at 20 Mb/s, and one at 5
    assert by_a < 5_000
    found, by_a, by_b = by_route
    assert by_a > 2_000_000
    assert by_b < 5_000
    for one in found:
        assert one["known"]["egress_address"] == OWN_A[version]
        assert one["known"]["left_elsewhere"] == (
            f"the endpoint saw {OWN_A[version]}, which is not of {ASSIGNED_B[version]}"
        )
        assert "elsewhere" in one["reasons"]
        assert one["standing"] in ("excluded", "void")
