"""Rate runs held against the kernel's token bucket filter: what it let pass is the truth.

tbf counts the IP packet and 14 bytes of Ethernet header; TCP over IPv4 with timestamps carries 1448
payload bytes in a 1500-byte packet, so payload passes at rate x 1448/1514 (tests/links/namespaces.py).
Its counter is read while a run is under way: on a machine that takes the processor away for a while,
the filter lets less pass than its rate, and the counter knows.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.links.house import House, house
from tests.links.namespaces import Line, ethernet_truth_bps, tcp_truth_bps

pytestmark = [pytest.mark.namespace, pytest.mark.alone]

STARTUP_MS = 2000
GENTLE_BPS = (5_000_000, 20_000_000, 100_000_000)
BOTH_BPS = 50_000_000
BUSY = 0.998  # of its rate: the shaper always had something to send

Measured = tuple[dict[str, Any], float | None]  # a run, and what the shaper let pass where it was asked
Readings = list[tuple[float, int]]  # Unix seconds, bytes that the shaper let pass until then


@contextmanager
def counted(line: Line, *, up: bool) -> Iterator[Readings]:
    """Readings of the shaper's own counter, twenty a second, taken as long as the block runs."""
    readings: Readings = []
    over = threading.Event()

    def watch(passed_bytes: Callable[[], int]) -> None:
        while not over.wait(0.05):
            readings.append((time.time(), passed_bytes()))

    with line.shaper_counter(up=up) as passed_bytes:
        watching = threading.Thread(target=watch, args=(passed_bytes,))
        watching.start()
        try:
            yield readings
        finally:
            over.set()
            watching.join()


def passed_bps(readings: Readings, run: dict[str, Any]) -> float:
    """What the shaper let pass over a run's steady window, in bit/s as it counts."""
    began_s = datetime.fromisoformat(run["started"]).timestamp()
    times, passed = zip(*readings, strict=True)
    edges = [began_s + run[edge] / 1000 for edge in ("steady_from_ms", "steady_to_ms")]
    first, last = np.interp(edges, times, passed)
    return float(last - first) * 8 / (edges[1] - edges[0])


def edges_torn(run: dict[str, Any]) -> bool:
    """Whether the run's own bins are uneven at an edge of its steady window, enough to matter here.

    TCP hands payload over in order (RFC 9293, from memory): what the shaper let pass behind a lost segment
    waits for its repeat. Across an edge the window then has too little or too much, and the shaper's
    counter is no truth for it. Told by the run alone: a bin within 0.2 s of an edge is off the window's
    mean by more than 0.4 % of the window, just under the 0.5 % that is asked.
    """
    edges = run["steady_from_ms"], run["steady_to_ms"]
    inside = [each["bytes"] for each in run["bins"] if edges[0] <= each["start_ms"] < edges[1]]
    near = [
        each["bytes"]
        for each in run["bins"]
        if any(edge - 200 <= each["start_ms"] < edge + 200 for edge in edges)
    ]
    mean = sum(inside) / len(inside)
    return any(abs(count - mean) > 0.004 * sum(inside) for count in near)


def measured(far: House, direction: str, rate_bps: int) -> tuple[dict[str, Any], float]:
    """A run and what the shaper let pass meanwhile; of three at most, the first that can be compared.

    It found the shaper kept busy, and its steady window has even edges.
    """
    seconds = 8 if rate_bps < 10_000_000 else 5  # a few hundred packets a second want more of them
    for _ in range(3):
        with counted(far.line, up=direction == "up") as readings:
            run = far.run("rate", "--direction", direction, "--seconds", str(seconds), "--flows", "2")
        truth_bps = passed_bps(readings, run)
        if truth_bps >= BUSY * rate_bps and not edges_torn(run):
            break
    return run, truth_bps


def judge(run: dict[str, Any], truth_bps: float, *, rate_bps: int) -> None:
    """Goodput and layer-2 rate lie within 0.5 % of what the shaper let pass.

    Kept busy, that is its rate, and the run says that the path was its limit. On a machine that starves
    it three times over, the run still counts what passed, to 3 %.
    """
    busy = truth_bps >= BUSY * rate_bps
    near = 0.005 if busy else 0.03
    assert truth_bps <= rate_bps * 1.002
    assert run["steady_from_ms"] == STARTUP_MS
    assert run["goodput_bps"] == pytest.approx(tcp_truth_bps(truth_bps), rel=near)
    assert run["ethernet_bps"] == pytest.approx(ethernet_truth_bps(truth_bps), rel=near)
    if busy:
        assert (run["standing"], run["limited_by"]) == ("valid", "path"), run["reasons"]


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> Mapping[tuple[int, str], Measured]:
    """Runs at the rates that cost nothing but their time, all at once, each on a line of its own.

    Together they ask for 350 Mb/s, of a machine that has to carry 940 in one run of `test_full_line`; and
    whether a shaper was kept busy all the same is in its own counter.
    """
    keys = tmp_path_factory.mktemp("endpoints")  # which is not for several threads

    def measured_at(case: tuple[int, str]) -> Measured:
        rate_bps, direction = case
        both = direction == "both"
        with house(keys / f"{rate_bps}-{direction}", ip_version=6 if both else 4) as far:
            far.line.shape(rate_bps)
            if both:
                return far.run("rate", "--direction", "both", "--seconds", "6", "--flows", "2"), None
            return measured(far, direction, rate_bps)

    cases = [*product(GENTLE_BPS, ("up", "down")), (BOTH_BPS, "both")]
    with ThreadPoolExecutor(len(cases)) as at_once:
        return dict(zip(cases, at_once.map(measured_at, cases), strict=True))


@pytest.mark.parametrize("direction", ["up", "down"])
@pytest.mark.parametrize("rate_bps", GENTLE_BPS)
def test_gentle_line(together: Mapping[tuple[int, str], Measured], rate_bps: int, direction: str) -> None:
    """What a shaper lets pass is what the run counts, at 5 to 100 Mb/s."""
    run, truth_bps = together[rate_bps, direction]
    assert truth_bps is not None
    judge(run, truth_bps, rate_bps=rate_bps)


@pytest.mark.parametrize(
    ("rate_bps", "direction"),
    [
        (940_000_000, "up"),
        *(
            pytest.param(rate_bps, direction, marks=pytest.mark.long)
            for rate_bps, direction in (
                (300_000_000, "up"),
                (300_000_000, "down"),
                (940_000_000, "down"),
                (8_000_000_000, "up"),
                (8_000_000_000, "down"),
            )
        ),
    ],
)
def test_full_line(tmp_path: Path, rate_bps: int, direction: str) -> None:
    """Likewise at rates that take a good part of this machine: one run and nothing beside it.

    At the highest a receiver takes several blocks a call, and a sender gives as many.
    """
    with house(tmp_path / "endpoint") as far:
        far.line.shape(rate_bps)
        run, truth_bps = measured(far, direction, rate_bps)
    judge(run, truth_bps, rate_bps=rate_bps)


def test_both_directions_and_ipv6(together: Mapping[tuple[int, str], Measured]) -> None:
    """Both at once over IPv6: each side within what the other's acknowledgements may take from it.

    Truth per side is rate x 1428/1514; RFC 9293 3.8.6.3 allows an ACK for every second segment, at
    most 86 of 3028 tbf bytes (72 of IP, 14 of Ethernet), so up to 2.84 % may be missing.
    """
    run, _ = together[BOTH_BPS, "both"]
    truth_bps = tcp_truth_bps(BOTH_BPS, mss_bytes=1428, headers_bytes=72)
    for side in (run["up"], run["down"]):
        assert side["ip_version"] == 6
        assert side["mss_bytes"] == 1428
        assert truth_bps * (1 - 86 / 3028 - 0.005) <= side["goodput_bps"] <= truth_bps * 1.005
