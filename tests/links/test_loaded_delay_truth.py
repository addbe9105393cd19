"""Loaded-delay runs where the queue is known: the kernel's own, in one direction, and the practice relay's.

A token bucket (tc tbf) in a router between the ends lets bytes wait up to its `limit`; a full queue adds
limit x 8 / rate to whatever comes behind it (tc-tbf(8): `limit` is what "can be queued waiting for tokens").
How many wait at a moment is the qdisc's own backlog counter, so not only the most that a load can add is
known, but what it does add. It stands in a router, as a sender's kernel keeps its own device's queue short.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.practice.line import fixed_line
from probe.practice.record import Packet
from probe.wire.invitation import write
from store.histogram import Delays, delays_of
from store.records import Direction
from tests.links.house import LINEBOOK, PORT
from tests.links.routed import ADDRESSES, Routed, routed
from tests.links.test_relay_truth import SENDER_SEQUENCE, passage

pytestmark = [pytest.mark.namespace, pytest.mark.few, pytest.mark.long]

RATE_BPS = 50_000_000
BURST_BYTES = 6_250  # a thousandth of a second; tbf parts what is larger, so that its limit counts packets
QUEUES_MS = (20, 100)
SHAPED = {"up": ("router", "hop1"), "down": ("hop1", "router")}
STARTUP_S = 2  # of a load, which its figures leave out
WAKE_MS = 5  # how late this machine's busy processors take a packet in hand at p95
BASE_MS = 0.5  # more than the idle line adds to anything, less than any queue here


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A run with its one load, and the bytes that waited at the shaper, by Unix time."""

    run: dict[str, Any]
    waiting: list[tuple[float, int]]

    @property
    def load(self) -> dict[str, Any]:
        (load,) = self.run["loads"]
        return dict(load)

    def queue_ms(self, queue_ms: float) -> tuple[float, float]:
        """p50 and p95 of the delay in the shaper's queue over the steady part of the load."""
        began_s = datetime.fromisoformat(self.run["started"]).timestamp() + self.load["started_ms"] / 1000
        seconds = self.run["seconds"]
        part = [count for at, count in self.waiting if began_s + STARTUP_S <= at < began_s + seconds]
        found = delays_of(count * 8 * 1_000_000 // RATE_BPS for count in part)
        assert found is not None
        assert found.max <= queue_ms * 1000  # what tc was told
        return found.p50 / 1000, found.p95 / 1000


@contextmanager
def waiting(made: Routed, where: str, towards: str) -> Iterator[list[tuple[float, int]]]:
    """What the shaper there holds, read every 10 ms as long as the body lasts."""
    found: list[tuple[float, int]] = []
    over = threading.Event()
    asked = ["ip", "netns", "exec", made.name(where), "stdbuf", "-oL", "tc", "-s", "-j", "-batch", "-"]
    with subprocess.Popen(
        asked, text=True, bufsize=1, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as counting:
        question, answers = counting.stdin, counting.stdout
        assert question is not None
        assert answers is not None

        def watch() -> None:
            while not over.wait(0.01):
                question.write(f"qdisc show dev {made.device(where, towards)}\n")
                found.append((time.time(), json.loads(answers.readline())[0]["backlog"]))

        watching = threading.Thread(target=watch)
        watching.start()
        try:
            yield found
        finally:
            over.set()
            watching.join()
            question.close()


def shape(made: Routed, direction: str, queue_ms: int) -> None:
    where, towards = SHAPED[direction]
    made.run(
        where, "tc", "qdisc", "replace", "dev", made.device(where, towards), "root", "tbf",
        "rate", f"{RATE_BPS}bit", "burst", str(BURST_BYTES), "limit", str(RATE_BPS * queue_ms // 8000),
    )  # fmt: skip


def measured(directory: Path, direction: str, queue_ms: int) -> Measured:
    """A run with one load in the direction that is shaped: of three, the first that no end of
    this machine held back, by its own account.
    """
    invitation = write(keys.invite(directory, address=f"{ADDRESSES['north']}:{PORT}"))
    with routed() as made:
        served = made.start("north", sys.executable, LINEBOOK, "endpoint", "serve", str(directory))
        assert served.stderr is not None
        assert served.stderr.readline(), "the endpoint said nothing before it ended"
        shape(made, direction, queue_ms)
        for _ in range(3):
            with waiting(made, *SHAPED[direction]) as found:
                done = made.run(
                    "probe", sys.executable, LINEBOOK, "run", "loaded-delay", "--endpoint", invitation,
                    "--direction", direction, "--seconds", "5", "--json", check=False,
                )  # fmt: skip
            assert done.returncode == 0, (done.stdout, done.stderr)
            run = Measured(run=json.loads(done.stdout), waiting=found)
            if run.run["standing"] == "valid":
                break
    return run


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> Mapping[tuple[str, int], Measured]:
    """All four at once, each on a line of its own; together they carry 200 Mb/s."""
    folder = tmp_path_factory.mktemp("endpoints")
    cases = list(product(SHAPED, QUEUES_MS))
    with ThreadPoolExecutor(len(cases)) as at_once:
        found = at_once.map(lambda case: measured(folder / f"{case[0]}-{case[1]}", *case), cases)
        return dict(zip(cases, found, strict=True))


@pytest.mark.parametrize("queue_ms", QUEUES_MS)
@pytest.mark.parametrize("direction", SHAPED)
def test_what_a_load_adds_is_the_queue(
    together: Mapping[tuple[str, int], Measured], direction: str, queue_ms: int
) -> None:
    """In the shaped direction limit x 8 / rate, which four flows of TCP all but fill; in the other nothing.

    Against the kernel's own backlog, p50 and p95 are right to 5 % and half a millisecond.
    """
    found = together[direction, queue_ms]
    load, other = found.load, "down" if direction == "up" else "up"
    assert (found.run["standing"], load[f"{direction}_limited_by"]) == ("valid", "path"), found.run["reasons"]
    added_ms = {name: load[f"added_{direction}"][f"{name}_us"] / 1000 for name in ("p50", "p95")}
    for name, truth_ms in zip(("p50", "p95"), found.queue_ms(queue_ms), strict=True):
        assert added_ms[name] == pytest.approx(truth_ms, rel=0.05, abs=BASE_MS)
    assert 0.85 * queue_ms <= added_ms["p95"] <= queue_ms + BASE_MS
    assert abs(load[f"added_{other}"]["p50_us"]) / 1000 <= BASE_MS
    assert load[f"added_{other}"]["p95_us"] / 1000 <= WAKE_MS
    # what stood in the queue at the end drains in its own length; then half a second of calm is asked for
    assert load["back_ms"] is not None
    assert load["back_ms"] <= queue_ms + 100


@pytest.mark.parametrize("queue_ms", QUEUES_MS)
@pytest.mark.parametrize("direction", SHAPED)
def test_a_new_connection_waits_as_long(
    together: Mapping[tuple[str, int], Measured], direction: str, queue_ms: int
) -> None:
    """Each of its three steps is one round trip, so none is shorter than the queue's p50 less its spread.

    60000 ms / RTT (draft-ietf-ippm-responsiveness-09) is what the queue alone would give; what the hosts
    themselves take only makes it less.
    """
    found = together[direction, queue_ms]
    p50_ms, _ = found.queue_ms(queue_ms)
    foreign, idle = found.load["delay"]["foreign"], found.run["idle"]["foreign"]
    assert foreign["failed"] == 0
    assert min(foreign[f"{step}_us"] for step in ("tcp", "tls", "http")) / 1000 >= 0.85 * p50_ms
    assert foreign["foreign_rpm"] <= 60_000 / (0.85 * p50_ms)
    assert foreign["tcp_us"] / 1000 <= 1.1 * queue_ms + 5
    assert idle["foreign_rpm"] > 2 * foreign["foreign_rpm"]
    assert "draft-ietf-ippm-responsiveness-09" in found.run["responsiveness"]


@pytest.mark.long
def test_added_to_a_base_delay(tmp_path: Path) -> None:
    """Through the relay, 20 ms each way and 40 ms of queue up: what was added is what its book has.

    The relay notes when each packet of the train came and left.
    """
    behaviour = fixed_line(
        delay_ms=20, rate_up_bps=20_000_000, rate_down_bps=100_000_000, queue_bytes=100_000
    )
    with passage(behaviour, tmp_path / "endpoint") as way:
        run = way.run("loaded-delay", "--direction", "up", "--seconds", "5")
        packets = [entry for entry in way.relay.record() if isinstance(entry, Packet)]
    (load,) = run["loads"]
    began_ns = round(datetime.fromisoformat(run["started"]).timestamp() * 1e9)
    load_ns = began_ns + load["started_ms"] * 1_000_000
    down_us = {p.head[SENDER_SEQUENCE]: p.held_ns // 1000 for p in packets if p.direction is Direction.DOWN}
    ups = [p for p in packets if p.direction is Direction.UP]

    def held(from_ns: int, to_ns: int) -> dict[str, Delays | None]:
        part = [p for p in ups if from_ns <= p.arrived_unix_ns < to_ns]
        up_us = [p.held_ns // 1000 for p in part]
        back_us = [down_us[p.head[:4]] for p in part]
        rtt_us = [up + down for up, down in zip(up_us, back_us, strict=True)]
        return {"up": delays_of(up_us), "down": delays_of(back_us), "rtt": delays_of(rtt_us)}

    idle, steady = held(began_ns, load_ns), held(load_ns + STARTUP_S * 1_000_000_000, load_ns + 5_000_000_000)
    for way_name in ("up", "down", "rtt"):
        before, under = idle[way_name], steady[way_name]
        assert before is not None
        assert under is not None
        assert load[f"added_{way_name}"]["p50_us"] == pytest.approx(under.p50 - before.p50, rel=0.02, abs=500)
        assert load[f"added_{way_name}"]["p95_us"] == pytest.approx(
            under.p95 - before.p95, rel=0.02, abs=1000
        )
    # queue_bytes x 8 / rate is the most; how full the relay's TCP keeps it depends on its processor
    assert 10_000 <= load["added_up"]["p95_us"] <= 41_000
    assert run["idle"]["rtt_us"]["min"] == pytest.approx(40_000, abs=1_000)
    # RFC 6349 section 4.3 over the whole load, whose first seconds may be lower than its steady part
    steady_ratio = load["added_rtt"]["p50_us"] / 40_000
    assert 0.5 * steady_ratio <= load["buffer_delay_ratio"] <= 1.1 * steady_ratio
