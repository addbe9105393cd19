"""Burst runs held against buckets that the kernel keeps: nftables' limit as a policer, tc's tbf as a shaper.

The bucket of an nftables limit in packets is its burst (net/netfilter/nft_limit.c of Linux), that of tbf its
burst, which counts the IP packet and 14 bytes of Ethernet header. tests/bench/burst_truth.py does many.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.links.house import house
from tests.links.limits import burst_run

pytestmark = [pytest.mark.namespace, pytest.mark.few]

LINES = {  # what limits it, which way, rate and bucket
    "policer up": ("policer", True, 20_000_000, 150_000),
    "policer down": ("policer", False, 100_000_000, 600_000),
    "shaper up": ("shaper", True, 50_000_000, 300_000),
    "shaper down": ("shaper", False, 20_000_000, 100_000),
}


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[dict[str, Any], int]]:
    """One run on each line. They are silent nearly all the time, so they go together."""

    folder = tmp_path_factory.mktemp("bursts")

    def one(name: str) -> tuple[dict[str, Any], int]:
        limiter, up, rate_bps, burst_bytes = LINES[name]
        return burst_run(folder / name, limiter, up=up, rate_bps=rate_bps, burst_bytes=burst_bytes)

    with ThreadPoolExecutor(len(LINES)) as pool:
        return dict(zip(LINES, pool.map(one, LINES), strict=True))


@pytest.mark.parametrize("name", LINES)
def test_policer_or_shaper_and_its_bucket(found: dict[str, tuple[dict[str, Any], int]], name: str) -> None:
    """The committed burst within 10 %, the rate of the excess within 5 %."""
    run, truth_bytes = found[name]
    limiter, _, rate_bps, _ = LINES[name]
    assert (run["limiter"], run["standing"]) == (limiter, "valid"), run["because"]
    assert run["committed_bytes"] == pytest.approx(truth_bytes, rel=0.1)
    assert run["rate_bps"] == pytest.approx(rate_bps, rel=0.05)
    assert run["dropped_socket"] == 0


@pytest.mark.long
def test_a_line_without_a_limit(tmp_path: Path) -> None:
    with house(tmp_path / "endpoint") as far:
        run = far.run("burst", "--direction", "up", "--most", "100 kB")
    assert (run["limiter"], run["committed_bytes"]) == ("none", None)
    assert run["undisturbed_bytes"] == 66 * 1500
