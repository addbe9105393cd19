"""Paced runs over a pair of virtual Ethernet devices: what was sent, what arrived, what it cost.

``python -m tests.bench.paced_ceiling [SECONDS]``, as root. Each rate goes up and down once; judges nothing.
The first line says how busy the machine is with other things.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from tests.links.house import house

RATES = ("0.1 Gb/s", "1 Gb/s", "2.5 Gb/s", "5 Gb/s", "10 Gb/s")
HEADINGS = (
    *("offered", "way", "sent, of it", "arrived, of it", "lost", "dropped here"),
    *("burst, us", "a call", "CPU sender", "CPU receiver"),
)


def main() -> None:
    """Print a table, one row a run."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors, {seconds:g} s a run\n")
    print("| " + " | ".join(HEADINGS) + " |")
    print("| " + " | ".join("---" for _ in HEADINGS) + " |")
    with tempfile.TemporaryDirectory() as folder, house(Path(folder) / "endpoint") as far:
        for offered in RATES:
            for way in ("up", "down"):
                run = far.run("paced", "--direction", way, "--offered", offered, "--seconds", f"{seconds:g}")
                around = run["circumstances"]
                ends = around["probe_cpu_ratio"], around["endpoint_cpu_ratio"]
                sender, receiver = ends if way == "up" else reversed(ends)
                figures = (
                    *(offered, way),
                    *(f"{run[each] / run['offered_bps']:.3%}" for each in ("sent_bps", "ip_bps")),
                    *(run["lost"], run["dropped_socket"], run["burst_us"], run["segments"]),
                    *(f"{each:.2f}" for each in (sender, receiver)),
                )
                print("| " + " | ".join(map(str, figures)) + " |", flush=True)


if __name__ == "__main__":
    main()
