"""A rate run against a C program of the same calls, over the same pair of virtual interfaces, by turns.

    python -m tests.bench.rate_ceiling [PAIRS [FLOWS [up|down]]]

Needs root, ip and a C compiler; without FLOWS and a direction it compares 1 and 4 flows both ways.
Each pair is one run of `tcp_ceiling.c` and one of ``linebook run rate`` (a
whole run: control, tokens, bins, its train beside it), in an order that changes; both are counted where they
arrive, from 2 s to 6 s. Prints the median rates and the median of the pairs' ratios; judges none.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from itertools import product
from pathlib import Path

from tests.links.house import House, house
from tests.links.namespaces import ENDPOINT_V4

SOURCE = Path(__file__).with_name("tcp_ceiling.c")
PORT, SECONDS, STARTUP_BINS = 47_999, 6, 20


def main() -> None:
    words = sys.argv[1:]
    pairs = int(words[0]) if words else 7
    counts = [int(words[1])] if len(words) > 1 else [1, 4]
    directions = [words[2]] if len(words) > 2 else ["up", "down"]
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "tcp_ceiling"
        subprocess.run(["cc", "-O2", "-pthread", "-o", str(program), str(SOURCE)], check=True)
        with house(Path(folder) / "endpoint") as far:
            for flows, direction in product(counts, directions):
                compare(far, program, flows=flows, direction=direction, pairs=pairs)


def compare(far: House, program: Path, *, flows: int, direction: str, pairs: int) -> None:
    ours: list[float] = []
    ceilings: list[float] = []
    for pair in range(pairs):
        for which in (0, 1) if pair % 2 else (1, 0):
            if which:
                ceilings.append(ceiling_bps(far, program, flows))
            else:
                ours.append(run_bps(far, flows=flows, direction=direction))
    ratios = [one / other for one, other in zip(ours, ceilings, strict=True)]
    print(
        f"{flows} flows {direction:4}  C {statistics.median(ceilings) / 1e9:5.1f} Gb/s  "
        f"rate run {statistics.median(ours) / 1e9:5.1f} Gb/s  ratio {statistics.median(ratios):.2f} "
        f"({min(ratios):.2f} to {max(ratios):.2f})",
        flush=True,
    )


def ceiling_bps(far: House, program: Path, flows: int) -> float:
    receiving = far.line.start("endpoint", str(program), "receive", str(PORT), str(flows), str(SECONDS))
    far.line.run("probe", str(program), "send", ENDPOINT_V4, str(PORT), str(flows), str(SECONDS))
    printed, _ = receiving.communicate(timeout=30)
    bins = [int(line) for line in printed.split()][STARTUP_BINS:]
    return sum(bins) * 80 / len(bins)


def run_bps(far: House, *, flows: int, direction: str) -> float:
    words = ("--direction", direction, "--seconds", str(SECONDS), "--flows", str(flows))
    return float(far.run("rate", *words)["goodput_bps"])


if __name__ == "__main__":
    main()
