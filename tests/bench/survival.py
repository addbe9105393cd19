"""What a kill costs, what a minute's records cost, and what a year of them weighs.

    python tests/bench/survival.py [KILLS]

Prints figures, judges none. A child writes as a daemon does, only faster: each second what a train's span
has so far, every ten the span itself, and now and then a run, begun before it ends. It is killed with
SIGKILL at a random moment, KILLS times (200), on one database, which after each kill is opened as a probe's
next start does, and verified. Then: how long one minute's records of all handoffs take to be stored and
sealed with a full synchronous commit.
"""

from __future__ import annotations

import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

from store import verify  # noqa: E402 - found by the line above
from store.clock import Clock  # noqa: E402
from store.reader import Reader  # noqa: E402
from store.records import Gap  # noqa: E402
from store.writer import Writer  # noqa: E402
from tests.store import samples  # noqa: E402

SECOND_NS = 10**9
TICK_S = 0.01  # how long a second of the train takes here

CHILD = f"""
import sys, time
from dataclasses import replace
sys.path.insert(0, {str(HOUSE)!r})
from pathlib import Path
from store.clock import Clock
from store.writer import Writer
from tests.store import samples
writer = Writer.open(Path(sys.argv[1]), clock=Clock())
first = int(sys.argv[2])
print("open", flush=True)
number, began = None, first
for second in range(first, first + 10**9):
    due = time.monotonic() + {TICK_S}
    at = second * {SECOND_NS}
    span = replace(samples.span(began * {SECOND_NS}), seconds=float(second + 1 - began))
    if second % 10 == 9:
        writer.append(span)
        began = second + 1
    else:
        writer.so_far(span)
    print("second", second, flush=True)
    if second % 5 == 0:
        number = writer.begin("run rate", handoff="old", endpoint="north", started_unix_ns=at)
        writer.flush_blocking()
        print("begun", second, flush=True)
    if second % 5 == 3 and number is not None:
        writer.append(samples.run(at), ends=number)
        writer.flush_blocking()
        print("ended", second, flush=True)
        number = None
    time.sleep(max(0, due - time.monotonic()))
"""


@dataclass(kw_only=True)
class Tally:
    """What the kills did so far. `lost` holds the seconds of train that each of them cost."""

    kills: int = 0
    lost: list[int]
    runs_ended: int = 0
    runs_lost: int = 0
    aborted: int = 0
    unsound: int = 0


def kill_once(path: Path, first: int, after_s: float, tally: Tally) -> int:
    """Let a child write, kill it, look at what is left; the first second of the next child."""
    command = [sys.executable, "-c", CHILD, str(path), str(first)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        time.sleep(after_s)
        child.send_signal(signal.SIGKILL)
        said = [line.split() for line in child.stdout.read().splitlines() if line.count(" ") == 1]
    told: dict[str, list[int]] = {"second": [], "begun": [], "ended": []}
    for word, second in said:
        told[word].append(int(second))
    Writer.open(path, clock=Clock()).close()
    since = first * SECOND_NS
    with closing(Reader.open(path)) as reader:
        spans = {
            one.started_unix_ns // SECOND_NS + nth
            for one in reader.train_spans(since_ns=since)
            for nth in range(round(one.seconds))
        }
        runs = {one.started_unix_ns // SECOND_NS for one in reader.rate_runs(since_ns=since)}
        troubles = [one for one in reader.troubles(since_ns=since) if not isinstance(one, Gap)]
    tally.kills += 1
    tally.lost.append(len(set(told["second"]) - spans))
    tally.runs_ended += len(told["ended"])
    tally.runs_lost += len(set(told["ended"]) - runs)
    open_runs = len(told["begun"]) - len([one for one in told["begun"] if one + 3 in runs])
    tally.aborted += len(troubles)
    tally.unsound += not verify.database(path).verified or len(troubles) < open_runs
    return max([first, *told["second"], *spans]) + 1


def survive(path: Path, kills: int, chance: random.Random) -> Tally:
    """Kill a writer that many times on one database."""
    tally = Tally(lost=[])
    first = 1
    for _ in range(kills):
        first = kill_once(path, first, chance.uniform(0, 0.4), tally)
    return tally


def minute_ms(path: Path, minutes: int = 100) -> list[float]:
    """How long each minute's records of six trains take until they are on the disk, in milliseconds."""
    chance = random.Random(1)
    kinds = {"old": samples.cable_delays, "A": samples.fibre_delays, "B": samples.fibre_delays}
    spans = [
        samples.span(handoff=handoff, endpoint=endpoint, delays_us=kinds[handoff](chance, 1200))
        for handoff, endpoint in product(kinds, ("north", "south"))
    ]
    took = []
    with closing(Writer.open(path, clock=Clock())) as writer:
        for minute in range(minutes):
            begun = time.perf_counter()
            for span in spans:
                writer.append(replace(span, started_unix_ns=minute * samples.MINUTE_NS))
            writer.flush_blocking()
            took.append((time.perf_counter() - begun) * 1000)
    return took


def main() -> None:
    """Measure and print."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    folder = Path(tempfile.mkdtemp())
    try:
        begun = time.monotonic()
        tally = survive(folder / "line.db", kills, random.Random(4))
        print(
            f"{tally.kills} kills in {time.monotonic() - begun:.0f} s: {tally.runs_lost} of "
            f"{tally.runs_ended} ended runs lost, {tally.aborted} running ones recorded as failed, "
            f"{tally.unsound} times unsound"
        )
        wall_s = [count * TICK_S for count in tally.lost]
        print(
            f"seconds of a train that a kill cost: {max(tally.lost)} at most, "
            f"{statistics.mean(tally.lost):.1f} on average, at one every {TICK_S * 1000:.0f} ms: "
            f"{max(wall_s):.2f} s of what was handed over"
        )
        took = sorted(minute_ms(folder / "minute.db"))
        print(
            f"one minute's records of six trains stored and sealed: median {statistics.median(took):.1f} ms, "
            f"95 % within {took[int(len(took) * 0.95)]:.1f} ms, longest {took[-1]:.1f} ms"
        )
        begun = time.perf_counter()
        result = verify.database(folder / "minute.db")
        each_us = (time.perf_counter() - begun) / result.checked_seq * 1e6
        years_min = each_us * 15.8 / 60
        print(f"verify: {each_us:.0f} us a record, {years_min:.0f} min for five years of minutes")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
