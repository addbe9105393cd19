"""Light runs on a shaped line: what arrives is what was asked, in even steps, and nobody notices.

The truth of what passed is the kernel's token bucket filter; of what was asked, the command line.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.links.house import House, house
from tests.links.namespaces import tcp_truth_bps
from tests.links.test_rate_truth import counted, passed_bps

pytestmark = [pytest.mark.namespace, pytest.mark.few]

LINE_BPS, PACE_BPS = 100_000_000, 10_000_000
MOST_IN_A_STEP = 1.25  # of the mean: seen are 1.05, and 1.3 where the kernel chooses how much goes at once
MOST_AT_FIRST = 2.0  # of the mean: the kernel lets ten segments of each flow go at once


def light(far: House, *words: str) -> tuple[dict[str, Any], float]:
    """A light run both ways at a tenth of the line, and what the shaper let pass up meanwhile.

    Of three at most the first for which no end of this machine came late: by the run's own account of its
    senders, and as a receiver that wakes up late finds two steps' worth in one.
    """
    for _ in range(3):
        with counted(far.line, up=True) as readings:
            run = far.run("rate", "--direction", "both", "--seconds", "4", "--at-most", "10 Mb/s", *words)
        sides = run["up"], run["down"]
        even = max(max(steps_bps(side, from_ms=side["steady_from_ms"])) for side in sides)
        if all(side["limited_by"] == "pace" for side in sides) and even <= MOST_IN_A_STEP * PACE_BPS:
            break
    up = run["up"]
    edges = {name: up[name] for name in ("steady_from_ms", "steady_to_ms")}
    return run, passed_bps(readings, {"started": run["started"], **edges})


def steps_bps(side: dict[str, Any], *, from_ms: int = 0) -> Sequence[float]:
    """The rate of each 100 ms."""
    return [each["bytes"] * 80 for each in side["bins"] if each["start_ms"] >= from_ms]


def test_a_tenth_of_the_line(tmp_path: Path) -> None:
    """98 to 100 % of what was asked, no step far above, and a delay like that of the idle line.

    A full run on the same line fills the shaper's queue, which is 60 ms deep: what it adds to the delay is
    what a light run must not.
    """
    with house(tmp_path / "endpoint") as far:
        far.line.shape(LINE_BPS)
        full = far.run("rate", "--direction", "up", "--seconds", "4")
        run, truth_bps = light(far)
    assert (run["standing"], run["reasons"]) == ("valid", ["light", "short", "ceiling_unknown"])
    for way in ("up", "down"):
        side = run[way]
        assert (side["at_most_goodput_bps"], side["limited_by"]) == (PACE_BPS, "pace")
        assert 0.98 * PACE_BPS <= side["goodput_bps"] <= 1.002 * PACE_BPS
        assert max(steps_bps(side, from_ms=side["steady_from_ms"])) <= MOST_IN_A_STEP * PACE_BPS
        assert max(steps_bps(side)) <= MOST_AT_FIRST * PACE_BPS
    # beside the payload the shaper saw the acknowledgements of the other way, at most one for two segments
    # (RFC 9293 3.8.6.3: 66 of 3028 of its bytes), and a train of ten small packets a second
    beside_bps = tcp_truth_bps(PACE_BPS * 1514 / 1448 * 66 / 3028 + 10 * 154 * 8)
    assert -0.005 * PACE_BPS <= tcp_truth_bps(truth_bps) - run["up"]["goodput_bps"] <= beside_bps + 50_000
    assert "at_most_goodput_bps" in full
    assert full["at_most_goodput_bps"] is None
    added_us, full_added_us = (
        found["rtt_loaded_us"]["p50"] - found["rtt_idle_us"]["p50"] for found in (run, full)
    )
    assert full_added_us >= 2_000
    assert added_us <= full_added_us / 10


def test_what_is_held_is_payload(tmp_path: Path) -> None:
    """With packets of 600 bytes, headers are a tenth: payload comes as fast as with packets of 1500.

    Were it packets that the kernel counts, 548 of 600 bytes would be payload, and 8.7 % less would arrive.
    """
    with house(tmp_path / "endpoint") as far:
        for where, device in (("probe", far.line.probe_device), ("endpoint", far.line.endpoint_device)):
            far.line.run(where, "ip", "link", "set", device, "mtu", "600")
        far.line.shape(LINE_BPS)
        run, _ = light(far, "--flows", "1")
    for way in ("up", "down"):
        assert run[way]["mss_bytes"] == 548
        assert 0.98 * PACE_BPS <= run[way]["goodput_bps"] <= 1.002 * PACE_BPS
