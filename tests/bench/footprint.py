"""What the program costs when it idles: start-up of the command, memory and CPU of the daemon.

    python tests/bench/footprint.py [SECONDS]

Prints figures, judges none. The daemon is the whole process with one handoff and two trains at 20
packets a second against an endpoint on loopback; CPU is its user and system time over the wall time.
"""

from __future__ import annotations

import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LINEBOOK = [sys.executable, str(Path(__file__).parents[2] / "linebook.py")]
TICKS = os.sysconf("SC_CLK_TCK")

SITE = """
name = "Footprint"
invented = true
timezone = "UTC"
database = "line.db"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "old"
title = "Loopback"
[[endpoint]]
name = "one"
where = "outside"
invitation = "{first}"
[[endpoint]]
name = "two"
where = "outside"
invitation = "{second}"
[[train]]
handoff = "old"
endpoint = "one"
per_second = 20
[[train]]
handoff = "old"
endpoint = "two"
per_second = 20
[[run]]
handoff = "old"
endpoint = "one"
direction = "up"
seconds = 5
flows = 1
every = "24 h"
"""


def seconds_of(command: list[str], runs: int = 7) -> float:
    """Median wall time of a command."""
    found = []
    for _ in range(runs):
        begun = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        found.append(time.perf_counter() - begun)
    return statistics.median(found)


def usage(pid: int) -> tuple[float, float]:
    """(CPU seconds so far, resident MB) of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    resident = int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return (int(fields[11]) + int(fields[12])) / TICKS, resident / 1e6


def main() -> None:
    """Measure and print."""
    measured_s = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    bare, command_help = seconds_of([sys.executable, "-c", "pass"]), seconds_of([*LINEBOOK, "--help"])
    print(f"linebook --help: {command_help:.3f} s (bare interpreter {bare:.3f} s)")
    with tempfile.TemporaryDirectory() as folder, socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        place = Path(folder)
        invite = [*LINEBOOK, "endpoint", "invite", folder + "/e", "--address", f"127.0.0.1:{port}", "--name"]
        invitations = [
            subprocess.run([*invite, name], check=True, capture_output=True, text=True).stdout.strip()
            for name in ("first", "second")
        ]
        (place / "site.toml").write_text(SITE.format(first=invitations[0], second=invitations[1]))
        (place / "site.toml").chmod(0o600)
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        served = subprocess.Popen(
            [*LINEBOOK, "endpoint", "serve", folder + "/e", "--listen", "127.0.0.1"], **quiet
        )
        daemon = subprocess.Popen([*LINEBOOK, "probe", str(place / "site.toml")], **quiet)
        try:
            time.sleep(10)  # start-up is not idling
            before = {process.pid: usage(process.pid)[0] for process in (daemon, served)}
            begun = time.perf_counter()
            time.sleep(measured_s)
            elapsed = time.perf_counter() - begun
            for name, process in (("daemon", daemon), ("endpoint", served)):
                cpu_s, resident_mb = usage(process.pid)
                share = (cpu_s - before[process.pid]) / elapsed
                print(f"idle {name}: {resident_mb:.1f} MB, {share:.2%} of one core over {elapsed:.0f} s")
        finally:
            for process in (daemon, served):
                process.send_signal(signal.SIGTERM)
                process.wait(timeout=10)


if __name__ == "__main__":
    main()
