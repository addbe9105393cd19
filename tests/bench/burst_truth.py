"""Burst runs on policed and shaped lines: how often they are told apart, how near the bucket is.

``python -m tests.bench.burst_truth [RUNS [AFTER]]``, as root: so many of each, four lines at a time, each
with another rate, bucket, direction and IP version; with AFTER, without the first so many. Prints every run
and a summary; judges nothing.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.links.limits import burst_run

RATES_BPS = (10_000_000, 20_000_000, 50_000_000, 100_000_000, 200_000_000)
BUCKETS_BYTES = (60_000, 150_000, 450_000, 1_200_000)


def _cases(runs: int, after: int) -> list[tuple[str, dict[str, Any]]]:
    grid = itertools.cycle(itertools.product(BUCKETS_BYTES, RATES_BPS))
    found = []
    for nth, (bucket, rate) in zip(range(after + runs), grid, strict=False):
        version = 6 if nth % 5 == 4 else 4
        line = {"rate_bps": rate, "burst_bytes": bucket, "up": nth % 2 == 0, "ip_version": version}
        found += [(limiter, line) for limiter in ("policer", "shaper")]
    return found[2 * after :]


def main(runs: int, after: int) -> None:
    """Run them all and print what they found."""
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(4) as pool:

        def one(case: tuple[int, tuple[str, dict[str, Any]]]) -> tuple[dict[str, Any], int]:
            nth, (limiter, line) = case
            return burst_run(Path(folder) / str(nth), limiter, **line)

        cases = _cases(runs, after)
        right, off = 0, []
        for (limiter, line), (run, truth) in zip(cases, pool.map(one, enumerate(cases)), strict=True):
            found = run["committed_bytes"]
            right += run["limiter"] == limiter
            off.append(1.0 if found is None else abs(found / truth - 1))
            print(
                f"{limiter:8} {line['rate_bps'] / 1e6:5g} Mb/s {truth:8} bytes: {run['limiter']:9} {found} "
                f"+- {run['bound_bytes']}, {off[-1]:.2%} off, {run['standing']} {run['because']}",
                flush=True,
            )
    print(f"told right {right} of {len(cases)}; bucket off by {max(off):.2%} at most")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(*(*numbers, *(20, 0)[len(numbers) :]))
