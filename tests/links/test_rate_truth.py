"""Rate runs held against the kernel's token bucket filter: what it let pass is the truth.

tbf counts the IP packet and 14 bytes of Ethernet header; TCP over IPv4 with timestamps carries 1448
payload bytes in a 1500-byte packet, so payload passes at rate x 1448/1514 (tests/links/namespaces.py).
Its counter is read while a run is under way: on a machine that takes the processor away for a while,
the filter lets less pass than its rate, and the counter knows.
"""

from __future__ import annotations

import threading
import time
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.links.house import house
from tests.links.namespaces import Line, ethernet_truth_bps, tcp_truth_bps

pytestmark = pytest.mark.namespace

STARTUP_MS = 2000


class Counter:
    """Readings of a shaper's own byte counter, four a second, while a run is under way."""

    def __init__(self, line: Line, *, up: bool) -> None:
        self._line, self._up = line, up
        self._read: list[tuple[float, int]] = []
        self._over = threading.Event()

    def watch(self) -> None:
        while not self._over.is_set():
            self._read.append((time.time(), self._line.passed_bytes(up=self._up)))
            self._over.wait(0.25)

    def end(self) -> None:
        self._over.set()

    def rate_bps(self, run: dict[str, Any]) -> float:
        """What the shaper let pass, in bit/s as it counts, over the steady window of a run."""
        started = datetime.fromisoformat(run["started"]).timestamp()
        first = bisect_left(self._read, (started + run["steady_from_ms"] / 1000, 0))
        last = bisect_left(self._read, (started + run["steady_to_ms"] / 1000, 0)) - 1
        (from_s, from_bytes), (to_s, to_bytes) = self._read[first], self._read[last]
        return (to_bytes - from_bytes) * 8 / (to_s - from_s)


@contextmanager
def counted(line: Line, *, up: bool) -> Iterator[Counter]:
    """The shaper's counter, watched as long as the block runs."""
    counter = Counter(line, up=up)
    watching = threading.Thread(target=counter.watch)
    watching.start()
    try:
        yield counter
    finally:
        counter.end()
        watching.join()


@pytest.mark.parametrize("rate_bps", [5_000_000, 20_000_000, 100_000_000, 300_000_000, 940_000_000])
def test_shaped_line(tmp_path: Path, rate_bps: int) -> None:
    """Goodput and layer-2 rate lie within 0.5 % of what the shaper let pass, up and down.

    Where it was kept busy, that is its rate, and the run says that the path was its limit.
    """
    with house(tmp_path / "endpoint") as far:
        far.line.shape(rate_bps)
        for direction in ("up", "down"):
            seconds = 8 if rate_bps < 10_000_000 else 5  # a few hundred packets a second want more of them
            asked = ["--direction", direction, "--seconds", str(seconds), "--flows", "2"]
            with counted(far.line, up=direction == "up") as counter:
                run = far.run("rate", *asked)
            truth_bps = counter.rate_bps(run)
            assert truth_bps <= rate_bps * 1.002
            assert run["steady_from_ms"] == STARTUP_MS
            assert run["goodput_bps"] == pytest.approx(tcp_truth_bps(truth_bps), rel=0.005)
            assert run["ethernet_bps"] == pytest.approx(ethernet_truth_bps(truth_bps), rel=0.005)
            if truth_bps >= rate_bps * 0.998:
                assert (run["standing"], run["limited_by"]) == ("valid", "path"), run["reasons"]


def test_both_directions_and_ipv6(tmp_path: Path) -> None:
    """Both at once over IPv6: each side within what the other's acknowledgements may take from it.

    Truth per side is rate x 1428/1514; RFC 9293 3.8.6.3 allows an ACK for every second segment, at
    most 86 of 3028 tbf bytes (72 of IP, 14 of Ethernet), so up to 2.84 % may be missing.
    """
    rate_bps = 50_000_000
    with house(tmp_path / "endpoint", ip_version=6) as far:
        far.line.shape(rate_bps)
        run = far.run("rate", "--direction", "both", "--seconds", "6", "--flows", "2")
        truth_bps = tcp_truth_bps(rate_bps, mss_bytes=1428, headers_bytes=72)
        for side in (run["up"], run["down"]):
            assert side["ip_version"] == 6
            assert side["mss_bytes"] == 1428
            assert truth_bps * (1 - 86 / 3028 - 0.005) <= side["goodput_bps"] <= truth_bps * 1.005
