"""Rate runs held against the kernel's token bucket filter, whose rate is the truth.

tbf counts the IP packet and 14 bytes of Ethernet header; TCP over IPv4 with timestamps carries 1448
payload bytes in a 1500-byte packet, so payload passes at rate x 1448/1514 (tests/links/namespaces.py).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.links.house import house
from tests.links.namespaces import ethernet_truth_bps, tcp_truth_bps

pytestmark = pytest.mark.namespace


@pytest.mark.parametrize("rate_bps", [5_000_000, 20_000_000, 100_000_000, 300_000_000, 940_000_000])
def test_shaped_line(tmp_path: Path, rate_bps: int) -> None:
    """Goodput and layer-2 rate lie within 0.5 % of what the shaper passes, up and down."""
    with house(tmp_path / "endpoint") as far:
        far.line.shape(rate_bps)
        for direction in ("up", "down"):
            run = far.run("rate", "--direction", direction, "--seconds", "8", "--flows", "2")
            assert run["standing"] == "valid", run["reasons"]
            assert run["goodput_bps"] == pytest.approx(tcp_truth_bps(rate_bps), rel=0.005)
            assert run["ethernet_bps"] == pytest.approx(ethernet_truth_bps(rate_bps), rel=0.005)
            assert run["limited_by"] == "path"


def test_both_directions_and_ipv6(tmp_path: Path) -> None:
    """Both at once over IPv6: each side within what the other's acknowledgements may take from it.

    Truth per side is rate x 1428/1514; RFC 9293 3.8.6.3 allows an ACK for every second segment, at
    most 86 of 3028 tbf bytes (72 of IP, 14 of Ethernet), so up to 2.84 % may be missing.
    """
    rate_bps = 50_000_000
    with house(tmp_path / "endpoint", ip_version=6) as far:
        far.line.shape(rate_bps)
        run = far.run("rate", "--direction", "both", "--seconds", "8", "--flows", "2")
        truth_bps = tcp_truth_bps(rate_bps, mss_bytes=1428, headers_bytes=72)
        for side in (run["up"], run["down"]):
            assert side["ip_version"] == 6
            assert side["mss_bytes"] == 1428
            assert truth_bps * (1 - 86 / 3028 - 0.005) <= side["goodput_bps"] <= truth_bps * 1.005
