"""What hours of measuring leave behind: memory, threads, open files, and minutes that were missed.

    python tests/bench/soak.py FOLDER [MINUTES]

One probe on loopback with three handoffs, two trains each at 20 packets a second, and an hourly run on each
handoff, against two endpoints. Looks at the processes each minute and prints what it saw every ten; at the
end it stops the probe and compares the record with the clock. Prints figures, judges none. Leave the first
twenty minutes out when you read memory: caches fill. FOLDER keeps the site file and the database.
"""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

LINEBOOK = [sys.executable, str(Path(__file__).parents[2] / "linebook.py")]
HANDOFFS, ENDPOINTS = ("old", "A", "B"), ("north", "south")
WARM_MINUTES = 20
MINUTE_NS = 60 * 10**9

SITE = """
name = "Soak"
invented = true
timezone = "UTC"
database = "line.db"
safety = {emergency_calls = "no", alarms = "no", medical_devices = "no"}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A process at one moment."""

    resident_mb: float
    threads: int
    files: int
    children: int


def main() -> None:
    folder, minutes = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 120
    folder.mkdir(parents=True)
    with ExitStack() as stack:
        served = [stack.enter_context(_endpoint(folder, name)) for name in ENDPOINTS]
        (folder / "site.toml").write_text(SITE + "".join(_parts(folder)))
        (folder / "site.toml").chmod(0o600)
        probe = stack.enter_context(_process(["probe", str(folder / "site.toml")], folder / "probe.log"))
        began_ns = time.time_ns()
        seen = [each for each in _watch(probe, served, minutes)]
        ended_ns = time.time_ns()
        probe.send_signal(signal.SIGTERM)
        begun = time.perf_counter()
        code = probe.wait(timeout=30)
        print(f"ended with {code} after {time.perf_counter() - begun:.1f} s; processes left: {_left(folder)}")
    _say(seen)
    _compare(folder / "line.db", began_ns, ended_ns)


def _parts(folder: Path) -> Iterator[str]:
    for endpoint in ENDPOINTS:
        invitation = (folder / endpoint / "told").read_text().strip()
        yield f'[[endpoint]]\nname = "{endpoint}"\nwhere = "outside"\ninvitation = "{invitation}"\n'
    for handoff in HANDOFFS:
        yield f'[[handoff]]\nname = "{handoff}"\ntitle = "Loopback {handoff}"\ninterface = "lo"\n'
        for endpoint in ENDPOINTS:
            yield f'[[train]]\nhandoff = "{handoff}"\nendpoint = "{endpoint}"\nper_second = 20\n'
        yield f'[[run]]\nhandoff = "{handoff}"\nendpoint = "{ENDPOINTS[0]}"\ndirection = "both"\n'
        yield 'seconds = 5\nflows = 2\nevery = "1 h"\n'


@contextmanager
def _endpoint(folder: Path, name: str) -> Iterator[subprocess.Popen[bytes]]:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port = asked.getsockname()[1]
    place, address = str(folder / name), f"127.0.0.1:{port}"
    invite = [*LINEBOOK, "endpoint", "invite", place, "--address", address, "--name", "soak"]
    told = subprocess.run(invite, check=True, capture_output=True, text=True).stdout
    (folder / name / "told").write_text(told)
    with _process(["endpoint", "serve", place, "--listen", "127.0.0.1"], folder / f"{name}.log") as process:
        yield process


@contextmanager
def _process(words: Sequence[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as file:
        process = subprocess.Popen([*LINEBOOK, *words], stdout=file, stderr=file)
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                process.wait(timeout=30)


def _watch(
    probe: subprocess.Popen[bytes], served: Sequence[subprocess.Popen[bytes]], minutes: int
) -> Iterator[Seen]:
    """The probe as it is each minute."""
    begun = time.monotonic()
    for minute in range(1, minutes + 1):
        time.sleep(max(0.0, begun + 60 * minute - time.monotonic()))
        if (code := probe.poll()) is not None:
            raise SystemExit(f"the probe ended by itself with {code} in minute {minute}")
        found = look(probe.pid)
        if minute % 10 == 0:
            far = ", ".join(f"{look(each.pid).resident_mb:.1f}" for each in served)
            print(f"minute {minute}: probe {found}, endpoints {far} MB", flush=True)
        yield found


def look(pid: int) -> Seen:
    place = Path(f"/proc/{pid}")
    status = dict(
        line.split(":\t", 1) for line in (place / "status").read_text().splitlines() if ":\t" in line
    )
    children = [
        child for task in (place / "task").iterdir() for child in (task / "children").read_text().split()
    ]
    return Seen(
        resident_mb=int(status["VmRSS"].split()[0]) / 1024,
        threads=int(status["Threads"]),
        files=len(os.listdir(place / "fd")),
        children=len(children),
    )


def _left(folder: Path) -> int:
    """How many processes still name this folder, the endpoints left out."""
    found = 0
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        found += str(folder / "site.toml").encode() in words and int(place.name) != os.getpid()
    return found


def _say(seen: Sequence[Seen]) -> None:
    warm = seen[WARM_MINUTES:] if len(seen) > 2 * WARM_MINUTES else seen
    sizes = [each.resident_mb for each in warm]
    slope = statistics.linear_regression(range(len(sizes)), sizes).slope * 60 if len(sizes) > 1 else 0.0
    print(f"memory {sizes[0]:.1f} to {sizes[-1]:.1f} MB, at most {max(sizes):.1f}; slope {slope:+.2f} MB/h")
    for name in ("threads", "files", "children"):
        values = [getattr(each, name) for each in warm]
        print(f"{name}: {values[0]} to {values[-1]}, {min(values)} to {max(values)} between")


def _compare(database: Path, began_ns: int, ended_ns: int) -> None:
    """The whole minutes of the clock between start and stop, and those on record."""
    first, after = -(-began_ns // MINUTE_NS), ended_ns // MINUTE_NS
    with closing(sqlite3.connect(database)) as connection:
        for handoff, endpoint, path in connection.execute(
            "SELECT handoff, endpoint, id FROM path"
        ).fetchall():
            rows = connection.execute(
                "SELECT started_unix_ns, sent, received FROM train WHERE path = ?", (path,)
            ).fetchall()
            if not rows:
                continue
            found = {started // MINUTE_NS for started, _, _ in rows}
            missed = [minute for minute in range(first, after) if minute not in found]
            sent, received = sum(row[1] for row in rows), sum(row[2] for row in rows)
            print(
                f"{handoff} - {endpoint}: {after - first - len(missed)} of {after - first} minutes, "
                f"{sent - received} of {sent} packets without a reply"
            )
        runs = connection.execute("SELECT standing, count(*) FROM rate_run GROUP BY 1").fetchall()
        troubles = connection.execute("SELECT kind, why, count(*) FROM trouble GROUP BY 1, 2").fetchall()
    print(f"runs: {dict(runs)}; troubles: {troubles}")


if __name__ == "__main__":
    main()
