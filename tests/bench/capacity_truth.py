"""Capacity runs on shaped lines: what was found of what the shaper lets pass, and what it cost.

``python -m tests.bench.capacity_truth [SECONDS [MBPS...]]``, as root. Each rate goes up and down once, with a
queue of 60 ms; judges nothing. The first line says how busy the machine is with other things.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from tests.links.house import house
from tests.links.namespaces import udp_truth_bps

RATES_MBPS = (20, 100, 500, 940, 2000)
HEADINGS = (
    *("shaper, Mb/s", "way", "found, of it", "lost in that second", "standing", "limited by"),
    *("searched up to, Mb/s", "not sent, of it", "dropped here", "CPU sender", "CPU receiver"),
)


def main() -> None:
    """Print a table, one row a run."""
    seconds = sys.argv[1] if len(sys.argv) > 1 else "10"
    rates_mbps = [int(word) for word in sys.argv[2:]] or RATES_MBPS
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors, {seconds} s a run\n")
    print("| " + " | ".join(HEADINGS) + " |")
    print("| " + " | ".join("---" for _ in HEADINGS) + " |")
    with tempfile.TemporaryDirectory() as folder, house(Path(folder) / "endpoint") as far:
        for mbps in rates_mbps:
            for way in ("up", "down"):
                far.line.shape(mbps * 1_000_000)
                run = far.run("capacity", "--direction", way, "--seconds", seconds)
                ip_bytes = run["payload_bytes"] + 28
                around = run["circumstances"]
                ends = around["probe_cpu_ratio"], around["endpoint_cpu_ratio"]
                sender, receiver = ends if way == "up" else reversed(ends)
                figures = (
                    *(mbps, way),
                    f"{run['ip_capacity_bps'] / udp_truth_bps(mbps * 1e6, ip_packet_bytes=ip_bytes):.2%}",
                    f"{run['maximum_loss_ratio']:.1%}",
                    *(" ".join((run["standing"], *run["reasons"])), run["limited_by"]),
                    f"{run['top_bps'] / 1e6:g}",
                    f"{run['unsent'] / (run['unsent'] + run['sent']):.2%}",
                    run["dropped_socket"],
                    *(f"{each:.2f}" for each in (sender, receiver)),
                )
                print("| " + " | ".join(map(str, figures)) + " |", flush=True)


if __name__ == "__main__":
    main()
