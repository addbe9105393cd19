"""Trains through the practice relay, held against the relay's own book and against a packet capture."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from scapy.layers.inet import UDP
from scapy.layers.l2 import Ether
from scapy.utils import PcapNgReader

from probe.endpoint import keys
from probe.methods import train
from probe.path_steps import Levels
from probe.practice.line import How, LineBehaviour, fixed_line, stall_at
from probe.practice.record import Entry, Packet, StallPast
from probe.practice.relay import RelayProcess, free_pair, running_relay
from probe.reach import Binding, Reach
from probe.wire import invitation
from probe.wire.invitation import write
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.histogram import RELATIVE_ERROR
from store.records import Direction, TrainSpan
from store.site import TrainPlan

pytestmark = pytest.mark.few

LINEBOOK = [sys.executable, str(Path(__file__).parents[2] / "linebook.py")]
DELAYS_MS = (1, 10, 50)
STALLS = (stall_at(7, 1.3), stall_at(11, 0.9, how=How.LOST))  # of line time; the train has begun by then
TRAINS = {  # name: (the line, seconds, packets a second)
    **{f"{delay_ms} ms": (fixed_line(delay_ms=delay_ms), 6, 100) for delay_ms in DELAYS_MS},
    "stalls": (fixed_line(delay_ms=10, stalls_up=STALLS), 12, 20),
    "order": (fixed_line(delay_ms=5, reorder=0.02, duplicate=0.02, seed=7), 8, 100),
}
SENDER_SEQUENCE = slice(48, 52)  # RFC 8762 section 4.3.2: where an authenticated reply carries it


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """A train, its packets one by one, and what the relay noted of them."""

    train: dict[str, Any]
    samples: list[dict[str, Any]]
    entries: list[Entry]


class Passage:
    """An endpoint behind a relay, and trains through both."""

    def __init__(self, relay: RelayProcess, endpoint_port: int, invitation: str) -> None:
        self.relay = relay
        self.endpoint_port = endpoint_port
        self.invitation = invitation

    def train(self, *words: str) -> dict[str, Any]:
        return self.run("train", *words)

    def run(self, method: str, *words: str) -> dict[str, Any]:
        """``linebook run METHOD`` through the relay."""
        asked = [*LINEBOOK, "run", method, "--endpoint", self.invitation, "--json", *words]
        done = subprocess.run(asked, capture_output=True, text=True, check=False, timeout=90)
        assert done.returncode == 0, done
        found: dict[str, Any] = json.loads(done.stdout)
        return found


@contextmanager
def passage(behaviour: LineBehaviour, directory: Path) -> Iterator[Passage]:
    """Endpoint and relay on loopback, each a process; ended afterwards."""
    port = free_pair()
    with running_relay(behaviour, upstream_port=port) as relay:
        invited = keys.invite(directory, address=f"127.0.0.1:{relay.port}")
        serve = [*LINEBOOK, "endpoint", "serve", str(directory), "--listen", f"127.0.0.1:{port}"]
        with subprocess.Popen(serve, stderr=subprocess.PIPE, text=True) as served:
            assert served.stderr is not None
            assert served.stderr.readline()
            try:
                yield Passage(relay, port, write(invited))
            finally:
                served.send_signal(signal.SIGTERM)


@contextmanager
def capture(path: Path, *ports: int, packets: int) -> Iterator[None]:
    """That many datagrams of these ports on loopback go to `path`, with the kernel's time stamps."""
    expression = " or ".join(f"udp port {port}" for port in ports)
    dump = ["dumpcap", "-q", "-i", "lo", "-f", expression, "-c", str(packets), "-w", str(path)]
    with subprocess.Popen(dump, stderr=subprocess.PIPE, text=True) as running:
        assert running.stderr is not None
        assert any(line.startswith("File:") for line in running.stderr), "the capture did not start"
        try:
            yield
            running.communicate(timeout=10)  # it ends by itself once it has them all
        finally:
            running.kill()


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Passed]:
    """A train for each of `TRAINS`, at the same time, each through a relay of its own.

    The one that is to meet stalls goes first: line time begins with the relay, and the programs of the
    others would keep its train from starting.
    """
    directories = tmp_path_factory.mktemp("endpoints")  # which is not for several threads

    def measured(name: str, way: Passage) -> Passed:
        _, seconds, per_second = TRAINS[name]
        file = directories / f"{name}.jsonl"
        asked = ("--seconds", str(seconds), "--per-second", str(per_second), "--samples", str(file))
        train = way.train(*asked)
        samples = [json.loads(line) for line in file.read_text().splitlines()]
        return Passed(train=train, samples=samples, entries=way.relay.record())

    def through(name: str) -> Passed:
        with passage(TRAINS[name][0], directories / name) as way:
            return measured(name, way)

    with (
        passage(TRAINS["stalls"][0], directories / "stalls") as way,
        ThreadPoolExecutor(len(TRAINS)) as at_once,
    ):
        first = at_once.submit(measured, "stalls", way)
        while not first.done() and not any(isinstance(each, Packet) for each in way.relay.record()):
            time.sleep(0.1)
        others = {name: at_once.submit(through, name) for name in TRAINS if name != "stalls"}
        return {"stalls": first.result(), **{name: other.result() for name, other in others.items()}}


@pytest.mark.parametrize("delay_ms", DELAYS_MS)
def test_median_rtt_is_what_the_relay_held(passed: Mapping[str, Passed], delay_ms: int) -> None:
    """Packet by packet, the median of RTT less the relay's own holding times is 0.3 ms at most.

    The printed median is read from a histogram, whose stated error is its own and not the line's.
    """
    found = passed[f"{delay_ms} ms"]
    packets = [entry for entry in found.entries if isinstance(entry, Packet)]
    up = {p.head[:4]: p.held_ns for p in packets if p.direction is Direction.UP}
    down = {p.head[SENDER_SEQUENCE]: p.held_ns for p in packets if p.direction is Direction.DOWN}
    held_ns = [up[number] + down[number] for number in sorted(up)]
    rtt_ns = [sample["rtt_ns"] for sample in found.samples]
    train = found.train
    assert train["lost_up"] == train["lost_down"] == train["lost_unattributed"] == 0
    assert statistics.median(held_ns) >= 2_000_000 * delay_ms
    differences_ns = [rtt - held for rtt, held in zip(rtt_ns, held_ns, strict=True)]
    assert statistics.median(differences_ns) == pytest.approx(0, abs=300_000)
    assert statistics.median(rtt_ns) == pytest.approx(statistics.median(held_ns), abs=300_000)
    assert train["rtt_us"]["p50"] * 1000 == pytest.approx(statistics.median(rtt_ns), rel=RELATIVE_ERROR)


@pytest.mark.capture
def test_jitter_is_that_of_a_capture(tmp_path: Path) -> None:
    """RFC 3550 jitter of both directions equals the one computed from captured times, to 1 %."""
    path = tmp_path / "train.pcapng"
    with passage(fixed_line(delay_ms=10, jitter_ms=5), tmp_path / "endpoint") as way:
        stages = 4  # each packet is seen before and behind the relay, on its way there and back
        with capture(path, way.relay.port, way.endpoint_port, packets=stages * 500):
            train = way.train("--seconds", "5", "--per-second", "100")
        near, far = way.relay.port, way.endpoint_port
    seen: dict[str, list[tuple[bytes, float]]] = {"up sent": [], "up": [], "down sent": [], "down": []}
    with PcapNgReader(str(path)) as packets:
        for packet in packets:
            udp = Ether(bytes(packet))[UDP]
            stage = {
                (True, near): "up sent",
                (True, far): "up",
                (False, far): "down sent",
                (False, near): "down",
            }[udp.dport in (near, far), udp.dport if udp.dport in (near, far) else udp.sport]
            data = bytes(udp.payload)
            sequence = data[:4] if stage.startswith("up") else data[SENDER_SEQUENCE]
            seen[stage].append((sequence, float(packet.time % 100_000) * 1e6))
    for direction in ("up", "down"):
        sent = dict(seen[f"{direction} sent"])
        assert len(seen[direction]) == train["sent"], "the capture missed packets"
        expected_us = rfc3550_jitter((sent[sequence], arrived) for sequence, arrived in seen[direction])
        assert train[f"jitter_{direction}_us"] == pytest.approx(expected_us, rel=0.01)


def rfc3550_jitter(times: Iterator[tuple[float, float]]) -> float:
    """RFC 3550 section 6.4.1, from (sent, arrived) in arrival order."""
    jitter, last = 0.0, None
    for sent, arrived in times:
        transit = arrived - sent
        if last is not None:
            jitter += (abs(transit - last) - jitter) / 16
        last = transit
    return jitter


def test_stalls_are_those_that_were_planted(passed: Mapping[str, Passed]) -> None:
    """A held and a lost stall upward are found, with kind, length and packets as the relay notes them."""
    train, entries = passed["stalls"].train, passed["stalls"].entries
    planted = [entry for entry in entries if isinstance(entry, StallPast)]
    found = train["stalls"]
    assert [(stall["direction"], stall["how"]) for stall in found] == [
        ("up", str(past.how)) for past in planted
    ]
    for stall, past in zip(found, planted, strict=True):
        length_s = (past.ended_unix_ns - past.started_unix_ns) / 1e9
        # a silence runs from one delivery to the next, so up to two packet spacings more
        assert length_s - 0.02 <= stall["seconds"] <= length_s + 0.12
    lost = sum(not p.left_unix_ns for p in entries if isinstance(p, Packet) and p.direction is Direction.UP)
    assert train["lost_up"] == lost > 0
    assert train["lost_down"] == 0
    assert train["held_up"] == pytest.approx(1.3 * 20, abs=2)


def test_reordering_and_duplication_are_those_that_were_planted(passed: Mapping[str, Passed]) -> None:
    """Every packet that the relay sent late or twice is counted so."""
    train, entries = passed["order"].train, passed["order"].entries
    packets = [entry for entry in entries if isinstance(entry, Packet)]
    twice = sum(len(p.left_unix_ns) == 2 for p in packets)
    late = sum(p.late for p in packets)
    assert twice > 5
    assert late > 5
    # a duplicate upward is reflected twice, and each of its replies may be doubled on the way back
    assert train["duplicated"] == pytest.approx(twice, abs=2)
    assert train["reordered"] == pytest.approx(late, abs=2)
    assert train["lost_up"] == train["lost_down"] == 0


@pytest.mark.long
def test_a_delay_that_moves_and_stays_is_one_step_by_as_much(tmp_path: Path) -> None:
    """The relay holds packets 10 ms each way, from its fourth second on 16 ms: the step is 12 ms.

    Three seconds stand for the ten minutes that a level must last.
    """
    steady = fixed_line(delay_ms=10)
    first = steady.up.spells[0]
    spells = (first, replace(first, start_ns=4 * NS_PER_S, delay_ns=16 * NS_PER_MS))
    moving = replace(steady, up=replace(steady.up, spells=spells), down=replace(steady.down, spells=spells))
    with passage(moving, tmp_path / "endpoint") as way:
        spans = asyncio.run(_spans(way.invitation, until_s=8.5))
    levels = Levels(stay_s=2.0, stay_spans=2)
    steps = [
        step
        for span in spans
        if (least_us := span.rtt.min) is not None
        and (
            step := levels.take(started_unix_ns=span.started_unix_ns, seconds=span.seconds, least_us=least_us)
        )
    ]
    assert [one.after_us - one.before_us for one in steps] == [pytest.approx(12_000, abs=600)]


async def _spans(line: str, *, until_s: float) -> list[TrainSpan]:
    """What a train of the daemon, cut into seconds, delivers in that time."""
    spans: list[TrainSpan] = []
    where = Reach(handoff="A", endpoint="north", invitation=invitation.parse(line), binding=Binding())
    plan = TrainPlan(handoff="A", endpoint="north", per_second=50, span_s=1)

    def deliver(record: object) -> None:
        if isinstance(record, TrainSpan):
            spans.append(record)

    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(until_s):
            await train.keep(plan, where, Clock(), deliver)
    return spans
