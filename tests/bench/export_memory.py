"""What an export costs: time and the most memory it had, for few rows and for many.

    python -m tests.bench.export_memory [ROWS]

Prints figures, judges none. Each export is a process of its own, which says at its end what the kernel
counted as its peak (VmHWM; ru_maxrss would count this process's memory too). The rows are minutes of one
train at a packet a second, with histograms.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from store.clock import Clock
from store.records import TrainSpan
from store.writer import Writer
from tests.bench.many_sites import measured

HOUSE = Path(__file__).parents[2]
EXPORT = """
import re, sys, linebook
code = linebook.main(["export", *sys.argv[1:]])
print(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())[1])
sys.exit(code)
"""
MINUTE_NS = 60 * 10**9


def database(path: Path, rows: int) -> None:
    spans = [each for each in measured(random.Random(1), days=1, every_s=60) if isinstance(each, TrainSpan)]
    with closing(Writer.open(path, clock=Clock())) as writer:
        for nth in range(rows):
            like = spans[nth % len(spans)]
            writer.append(replace(like, handoff="A", started_unix_ns=nth * MINUTE_NS))
            if nth % 10_000 == 9_999:
                writer.flush_blocking()


def exported(path: Path, to: Path, format_: str) -> tuple[float, int, int]:
    """(seconds, peak memory in MB, MB written) of one export."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", EXPORT, str(path), str(to), "--format", format_, "--json"],
        cwd=HOUSE,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    peak_kb = int(done.stdout.split()[-1])
    took = time.perf_counter() - began
    files = [to] if to.is_file() else [each for each in to.rglob("*") if each.is_file()]
    size = sum(each.stat().st_size for each in files)
    return took, peak_kb // 1024, size // 1_000_000


def main(most: int) -> None:
    with tempfile.TemporaryDirectory() as directory:
        for rows in (most // 10, most):
            path = Path(directory) / f"{rows}.db"
            database(path, rows)
            print(f"{rows} rows, database of {path.stat().st_size // 1_000_000} MB")
            for format_ in ("csv", "jsonl", "parquet", "sqlite"):
                took, peak, size = exported(path, Path(directory) / f"{rows}.{format_}", format_)
                print(f"  {format_:8} {took:6.1f} s, peak {peak} MB of memory, {size} MB written")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
