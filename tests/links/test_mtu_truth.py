"""Path MTU on lines whose limit is known: nftables drops what is longer, or a router's next link takes less.

The truth is the size in nftables' rule and the MTU that `ip link` gave a link.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.house import LINEBOOK, PORT, house
from tests.links.namespaces import ENDPOINT_V4, ENDPOINT_V6, Line, line
from tests.links.routed import ADDRESSES, ADDRESSES_V6, Routed, routed

pytestmark = [pytest.mark.namespace, pytest.mark.few]

HEADERS_BYTES = {4: 28, 6: 48}  # RFC 791 and RFC 8200 without options, and UDP of RFC 768
HOP1 = {4: "198.51.100.41", 6: "2001:db8:a0::41"}  # tests.links.routed


def of(found: dict[str, Any], version: int) -> dict[str, Any]:
    (one,) = found["found"]
    assert one["ip_version"] == version
    return dict(one)


def test_a_silent_limit_up(tmp_path: Path) -> None:
    """What is longer than the rule says is gone without a word; what is not is carried. Here in IPv4."""
    limit = 1_391
    with house(tmp_path / "endpoint") as far:
        far.line.drop(1000, up=True, port=PORT, above_bytes=limit - HEADERS_BYTES[4])
        found = of(far.run("mtu"), 4)
        dropped = far.line.counted("dropped", up=True)
    assert (found["up_bytes"], found["down_bytes"], found["beyond"]) == (limit, limit, "silent")
    assert found["down_at_least"] is True
    assert dropped >= 3  # of each size that failed, three were sent: RFC 8899 section 5.1.2


@pytest.mark.long
def test_a_silent_limit_down(tmp_path: Path) -> None:
    """All the interface sends gets there, and the longer replies are lost. Here in IPv6."""
    limit = 1_333
    with house(tmp_path / "endpoint", ip_version=6) as far:
        far.line.drop(1000, up=False, port=PORT, above_bytes=limit - HEADERS_BYTES[6])
        found = of(far.run("mtu"), 6)
    assert (found["up_bytes"], found["down_bytes"], found["beyond"]) == (1500, limit, "interface")
    assert (found["down_at_least"], found["interface_bytes"]) == (False, 1500)


@contextmanager
def named(made: Line, name: str, *addresses: str) -> Iterator[None]:
    """A name that the probe's namespace resolves to these addresses: ip-netns(8), /etc/netns."""
    folder = Path("/etc/netns") / made.probe
    folder.mkdir(parents=True)
    try:
        (folder / "hosts").write_text("".join(f"{address} {name}\n" for address in addresses))
        yield
    finally:
        shutil.rmtree(folder)


@pytest.mark.long
def test_a_name_with_both_versions(tmp_path: Path) -> None:
    """Both are searched in one command, each against its own limit."""
    limits = {4: 1_391, 6: 1_500}
    invitation = write(keys.invite(tmp_path / "endpoint", address=f"far.example.net:{PORT}"))
    with line() as made, named(made, "far.example.net", ENDPOINT_V4, ENDPOINT_V6):
        process = made.start(
            "endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(tmp_path / "endpoint")
        )
        assert process.stderr is not None
        assert process.stderr.readline()
        rules = f"""
            table netdev truth {{
                chain arrivals {{
                    type filter hook ingress device "{made.endpoint_device}" priority 0;
                    meta protocol ip udp dport {PORT} ip length > {limits[4]} drop
                }}
            }}"""
        made.run("endpoint", "nft", "-f", "-", input=rules)
        done = made.run("probe", sys.executable, LINEBOOK, "run", "mtu", "--endpoint", invitation, "--json")
    found = json.loads(done.stdout)["found"]
    assert {one["ip_version"]: one["up_bytes"] for one in found} == limits


def served(made: Routed, directory: Path, version: int) -> str:
    """An endpoint at north; its invitation."""
    host = ADDRESSES["north"] if version == 4 else ADDRESSES_V6["north"]
    invitation = write(
        keys.invite(directory, address=f"{host}:{PORT}" if version == 4 else f"[{host}]:{PORT}")
    )
    process = made.start("north", sys.executable, LINEBOOK, "endpoint", "serve", str(directory))
    assert process.stderr is not None
    assert process.stderr.readline()
    return invitation


@pytest.mark.parametrize("version", [pytest.param(4, marks=pytest.mark.long), 6])
def test_a_link_that_takes_less(tmp_path: Path, version: int) -> None:
    """A router before a link of 1400 says so (RFC 1191, RFC 8201), and its word is verified."""
    with routed() as made:
        for one, other in (("hop1", "hop2"), ("hop2", "hop1")):
            made.run(one, "ip", "link", "set", "dev", made.device(one, other), "mtu", "1400")
        invitation = served(made, tmp_path / "endpoint", version)
        done = made.run("probe", sys.executable, LINEBOOK, "run", "mtu", "--endpoint", invitation, "--json")
    found = of(json.loads(done.stdout), version)
    assert (found["up_bytes"], found["down_bytes"], found["beyond"]) == (1400, 1400, "icmp")
    assert (found["told_by"], found["told_bytes"]) == (HOP1[version], 1400)
    assert found["probes"] < 20


@pytest.mark.long
def test_a_link_that_takes_less_on_the_way_down(tmp_path: Path) -> None:
    """A router cuts nothing that must not be cut, nor does the endpoint when it is told (RFC 1191).

    The route's locked MTU is the truth: only what goes back is held to it.
    """
    with routed() as made:
        invitation = served(made, tmp_path / "endpoint", 4)
        back = ("192.0.2.128/26", "via", "203.0.113.1")
        made.run("hop2", "ip", "route", "replace", *back, "mtu", "lock", "1400")
        done = made.run("probe", sys.executable, LINEBOOK, "run", "mtu", "--endpoint", invitation, "--json")
    found = of(json.loads(done.stdout), 4)
    assert (found["up_bytes"], found["down_bytes"]) == (1500, 1400)
    assert (found["down_at_least"], found["beyond"]) == (False, "interface")
