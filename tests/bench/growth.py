"""What each operation of a probe and its endpoint leaves in memory, done far more often than life does.

    python -m tests.bench.growth FOLDER [LEAK [OPERATION ...]]

A soak of hours sees each thing happen some dozens of times; here one probe and one endpoint on loopback do
one thing after the other, each in fourteen rounds after four that do not count, since much is made but once.
Before all of them a train goes for twelve minutes: a path's level consists of ten (probe/path_steps.py).
Their books are read between rounds (tests/bench/books.py), while all tests are stopped. Prints for each
operation and process what an operation leaves, judged by tests/bench/levels.py, and ends with 1 if anything
grows. With LEAK so many octets are leaked with each record of the probe and each answer of the endpoint, and
the bench has to find it: 100 by `spans`, 1,000 by each. Some forty minutes.
"""

from __future__ import annotations

import asyncio
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from probe.endpoint import keys
from probe.wire import invitation
from store import door
from store.door import Act
from tests.bench import books
from tests.bench.levels import at_rest, level

FIRST_S, WARM, ROUNDS = 12 * 60, 4, 14
SETTLE_S = 1.0
LEAST_BYTES = 2000.0  # with an operation: some 500 octets with each record, or an object or two
LEAST_SPAN_BYTES = {"probe": 200.0, "endpoint": 30.0}  # 100 octets with each record, and with each answer

SITE = """
name = "Growth"
invented = true
timezone = "UTC"
database = "{database}"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "A"
interface = "lo"
[[endpoint]]
name = "south"
where = "outside"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "south"
per_second = 10
span = "1 s"
"""


@dataclass(kw_only=True)
class Pair:
    """A probe and its endpoint, each under watch."""

    folder: Path
    leak_bytes: int
    port: int = 0
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def database(self) -> Path:
        return self.folder / "line.db"

    def begin(self, name: str) -> None:
        program = {
            "probe": ("probe", str(self.folder / "site.toml")),
            "endpoint": ("endpoint", "serve", str(self.folder / "place"), "--listen", "127.0.0.1"),
        }[name]
        command = books.words(self._told(name), *program, leak_bytes=self.leak_bytes)
        with (self.folder / f"{name}.log").open("ab") as log:
            self.running[name] = subprocess.Popen(command, stdout=log, stderr=log)

    def end(self) -> None:
        for process in self.running.values():
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
            process.wait(timeout=30)

    def books(self, name: str) -> dict[str, int]:
        if (code := self.running[name].poll()) is not None:
            raise SystemExit(f"the {name} ended by itself with {code}; see {self.folder / name}.log")
        return books.ask(self.running[name].pid, self._told(name))

    def ask(self, act: Act, asked: dict[str, object] | None = None) -> dict[str, object]:
        return asyncio.run(door.ask(self.database, act, asked, within_s=10))

    def _told(self, name: str) -> Path:
        return self.folder / f"{name}.told"


def spans(pair: Pair) -> int:
    """Spans of a second, of ten packets each, with the notes beside the database."""
    time.sleep(15)
    return 15


def status(pair: Pair) -> int:
    for _ in range(20):
        pair.ask(Act.STATUS)
    return 20


def reload(pair: Pair) -> int:
    for _ in range(10):
        pair.ask(Act.RELOAD, {})
    return 10


def stops(pair: Pair) -> int:
    """All test traffic stopped at both ends and begun again: a gap, two windows, another train."""
    for _ in range(3):
        pair.ask(Act.STOP, {"minutes": 5})
        pair.ask(Act.RESUME, {})
        _goes(pair)
    return 3


def runs(pair: Pair) -> int:
    asked = [
        {"handoff": "A", "endpoint": "south", "method": "rate", "direction": way, "seconds": 1, "flows": 2}
        for way in ("up", "down")
    ]
    pair.ask(Act.RUN, {"runs": asked, "confirmed": True})
    _quiet(pair)
    return 2


def ended_runs(pair: Pair) -> int:
    """Runs that are ended in their middle: a failure on record, and the endpoint told."""
    asked = {
        "handoff": "A",
        "endpoint": "south",
        "method": "rate",
        "direction": "up",
        "seconds": 10,
        "flows": 2,
    }
    pair.ask(Act.RUN, {"runs": [asked], "confirmed": True})
    time.sleep(0.7)
    pair.ask(Act.END, {"handoff": "A"})
    _quiet(pair)
    return 1


def silences(pair: Pair) -> int:
    """An endpoint that stands still for 0.8 s: a stall, lost or held packets, late ones."""
    for _ in range(3):
        pair.running["endpoint"].send_signal(signal.SIGSTOP)
        time.sleep(0.8)
        pair.running["endpoint"].send_signal(signal.SIGCONT)
        time.sleep(0.4)
    return 3


def shut_doors(pair: Pair) -> int:
    """Callers that open the endpoint's control and say nothing, or nonsense."""
    for number in range(30):
        with socket.create_connection(("127.0.0.1", pair.port), timeout=5) as connection:
            if number % 2:
                connection.sendall(b"\x16\x03\x01nonsense" * 3)
    return 30


def lives(pair: Pair) -> int:
    """The endpoint killed and begun again, to the probe a failure, a gap and an outage."""
    pair.running["endpoint"].kill()
    pair.running["endpoint"].wait()
    pair.begin("endpoint")
    _goes(pair)
    return 1


OPERATIONS: tuple[Callable[[Pair], int], ...] = (
    spans, status, reload, stops, runs, ended_runs, silences, shut_doors, lives,
)  # fmt: skip


def main() -> None:
    folder, leak_bytes = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    wanted = sys.argv[3:] or [one.__name__ for one in OPERATIONS]
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    with ExitStack() as stack:
        pair = _pair(folder, leak_bytes)
        stack.callback(pair.end)
        for name in ("endpoint", "probe"):
            pair.begin(name)
        _goes(pair)
        time.sleep(FIRST_S)
        grows = [said for one in OPERATIONS if one.__name__ in wanted for said in _grows(pair, one)]
    print(f"grows: {'; '.join(grows) or 'nothing'}")
    sys.exit(bool(grows))


def _grows(pair: Pair, operation: Callable[[Pair], int]) -> list[str]:
    """Which processes an operation makes larger."""
    done, seen = 0, dict[str, list[tuple[int, int, int]]]()  # operations, under way, octets
    watched = ("probe",) if operation is lives else ("probe", "endpoint")
    for number in range(WARM + ROUNDS):
        done += operation(pair)
        pair.ask(
            Act.STOP, {"minutes": 5}
        )  # what a train keeps of its last minute goes up and down with the clock
        time.sleep(SETTLE_S)
        if number >= WARM:
            for name in watched:
                found = pair.books(name)
                seen.setdefault(name, []).append(
                    (done, found["tasks"] + found["connections"], found["held_bytes"])
                )
        pair.ask(Act.RESUME, {})
        _goes(pair)
    grown = []
    for name, looks in seen.items():
        at, held = zip(*at_rest(looks), strict=True)
        least = LEAST_SPAN_BYTES[name] if operation is spans else LEAST_BYTES
        found = level(at, held, least=least)
        print(
            f"{operation.__name__:11} {name:9} {found.said('an operation')}; {held[0]:,} to {held[-1]:,}",
            flush=True,
        )
        grown += [f"{name} with {operation.__name__}"] if found.word == "grows" else []
    return grown


def _pair(folder: Path, leak_bytes: int) -> Pair:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    pair = Pair(folder=folder, leak_bytes=leak_bytes, port=port)
    told = keys.invite(folder / "place", address=f"127.0.0.1:{port}", name="growth")
    site = folder / "site.toml"
    site.write_text(SITE.format(database=pair.database, invitation=invitation.write(told)))
    site.chmod(0o600)
    return pair


def _goes(pair: Pair) -> None:
    """Once a train goes."""
    _until(pair, lambda status: any(one["state"] == "going" for one in status["trains"]))


def _quiet(pair: Pair) -> None:
    """Once no run goes or waits."""
    _until(pair, lambda status: not status["running"] and not status["asked"])


def _until(pair: Pair, so: Callable[[dict], bool]) -> None:
    until = time.monotonic() + 90
    while time.monotonic() < until:
        try:
            if so(pair.ask(Act.STATUS)):
                return
        except Exception:  # not there yet
            time.sleep(0.2)
        time.sleep(0.1)
    raise SystemExit(f"90 s were not enough; see {pair.folder}")


if __name__ == "__main__":
    main()
