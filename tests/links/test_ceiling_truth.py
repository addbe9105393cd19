"""What a host says that it carries at most, held against a shaper on its own loopback.

tbf counts the IP packet and 14 bytes of Ethernet header (tests/links/namespaces.py). Loopback's packets
have 65536 bytes, 52 of them headers; acknowledgements pass the same shaper, one of 66 bytes for two full
packets at least and for each at most (RFC 9293 section 3.8.6.3), 0.1 % together.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.links.namespaces import line

HOUSE = Path(__file__).parents[2]
RATE_BPS = 800_000_000
MEASURE = """
import asyncio
from probe.bulk import own_rate
from store.clock import Clock
print(asyncio.run(own_rate.measure(2, clock=Clock())))
"""


@pytest.mark.namespace
@pytest.mark.alone
def test_a_ceiling_is_what_the_loopback_lets_pass() -> None:
    with line() as way:
        way.run(
            "probe", "tc", "qdisc", "replace", "dev", "lo", "root", "tbf",
            "rate", f"{RATE_BPS}bit", "burst", "200000", "limit", "6000000",
        )  # fmt: skip
        found_bps = int(way.run("probe", sys.executable, "-c", MEASURE, cwd=HOUSE).stdout)
    truth_bps = RATE_BPS * 65_484 / 65_550
    assert 0.99 * truth_bps <= found_bps <= 1.005 * truth_bps
