"""Round trips of a train against captures at both ends of the line, packet by packet.

    python -m tests.bench.rtt_capture [SECONDS]

As root, on a veth pair between two namespaces, 100 packets a second: once idle, once with a thread that
fills the line over TCP and another that only computes, both in the train's own process. A capture has the
kernel's stamps of both ends on one clock, and what the path took is (T4 - T1) - (T3 - T2) of it. Prints the
error of the train's figures against that in microseconds, and judges none. A capture stamps what leaves in
the course of its own work, some microseconds from the packet's own stamp.
"""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import statistics
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from scapy.layers.inet import UDP
from scapy.layers.l2 import Ether
from scapy.utils import PcapNgReader

from probe.methods import train
from probe.methods.train import PACKET_BYTES, TrainRequest, TrainRun
from probe.reach import Binding, Reach
from probe.wire import invitation
from store.clock import Clock
from tests.links.house import PORT, House, house
from tests.links.namespaces import ENDPOINT_V4

ROOT = Path(__file__).parents[2]
PER_SECOND = 100
SINK_PORT = 9009
SINK = f"""
import socket
with socket.create_server(("{ENDPOINT_V4}", {SINK_PORT})) as server:
    taken, _ = server.accept()
    while taken.recv(1 << 20, socket.MSG_TRUNC):
        pass
"""
SENDER_SEQUENCE = slice(48, 52)  # of a reply, RFC 8762 figure 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A train held against the captures: each packet's error, and what the train said of itself."""

    errors_us: tuple[float, ...]
    answered: int  # packets of the train that came back, whether or not the captures have them
    timestamps: str
    reflector_timestamps: str
    moved_gbps: float

    def size_us(self, share: float) -> float:
        """The size of error within which this share of the packets lies."""
        sizes = sorted(abs(each) for each in self.errors_us)
        return sizes[round(share * (len(sizes) - 1))]


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    with tempfile.TemporaryDirectory() as folder, house(Path(folder) / "endpoint") as far:
        for load in ("idle", "busy"):
            found = measured(far, Path(folder), load, seconds)
            median_us = statistics.median(found.errors_us)
            sizes = ", ".join(
                f"{name} {found.size_us(share):.1f}"
                for name, share in (("median", 0.5), ("p99", 0.99), ("max", 1))
            )
            print(
                f"{load}: {len(found.errors_us)} packets, error {median_us:+.1f} us at the median, its size "
                f"{sizes}; stamps {found.timestamps}, of the endpoint {found.reflector_timestamps}; "
                f"{found.moved_gbps:.1f} Gb/s beside it",
                flush=True,
            )


def measured(far: House, folder: Path, load: str, seconds: float) -> Held:
    """A train of some seconds, ``idle`` or ``busy``, on this line."""
    files = {where: folder / f"{load}-{where}.pcapng" for where in ("probe", "endpoint")}
    samples = folder / f"{load}.json"
    with _capturing(far, files):
        sink = far.line.start("endpoint", sys.executable, "-c", SINK) if load == "busy" else None
        words = [load, far.invitation, str(seconds), str(samples)]
        far.line.run("probe", sys.executable, "-m", "tests.bench.rtt_capture", "inside", *words, cwd=ROOT)
        if sink is not None:
            sink.wait(timeout=10)
    found = json.loads(samples.read_text())
    near, distant = _times(files["probe"]), _times(files["endpoint"])
    errors_us = []
    rtts_ns = found.pop("rtt_ns")
    for sequence, rtt_ns in enumerate(rtts_ns):
        times = (*near.get(sequence, (0, 0)), *distant.get(sequence, (0, 0)))
        if rtt_ns is not None and all(times):
            t1, t4, t2, t3 = times
            errors_us.append((rtt_ns - (t4 - t1) + (t3 - t2)) / 1000)
    answered = sum(rtt_ns is not None for rtt_ns in rtts_ns)
    return Held(errors_us=tuple(errors_us), answered=answered, **found)


@contextmanager
def _capturing(far: House, files: dict[str, Path]) -> Iterator[None]:
    devices = {"probe": far.line.probe_device, "endpoint": far.line.endpoint_device}
    running = []
    for where, path in files.items():
        words = ["dumpcap", "-q", "-i", devices[where], "-f", f"udp port {PORT}", "-w", str(path)]
        capture = far.line.start(where, *words)
        assert capture.stderr is not None
        assert any(line.startswith("File:") for line in capture.stderr), "the capture did not start"
        running.append(capture)
    yield
    for capture in running:
        capture.send_signal(signal.SIGINT)
        capture.wait(timeout=10)


def _times(path: Path) -> dict[int, tuple[int, int]]:
    """By sequence number: when the packet and its reply passed, Unix ns."""
    there: dict[int, int] = {}
    back: dict[int, int] = {}
    with PcapNgReader(str(path)) as packets:
        for packet in packets:
            udp = Ether(bytes(packet))[UDP]
            data, at_ns = bytes(udp.payload), int(packet.time * 10**9)
            if udp.dport == PORT:
                there.setdefault(int.from_bytes(data[:4]), at_ns)
            else:
                back.setdefault(int.from_bytes(data[SENDER_SEQUENCE]), at_ns)
    return {sequence: (at_ns, back.get(sequence, 0)) for sequence, at_ns in there.items()}


# In the probe's namespace


def inside(load: str, invited: str, seconds: float, file: Path) -> None:
    """The train, beside its load in the same process; writes what it found to `file`."""
    over, moved = threading.Event(), [0]
    loads = [_fill, _compute] if load == "busy" else []
    threads = [threading.Thread(target=each, args=(over, moved)) for each in loads]
    for each in threads:
        each.start()
    where = Reach(
        handoff="",
        endpoint="",
        invitation=invitation.parse(invited),
        binding=Binding(interface=None, source=None),
    )
    request = TrainRequest(seconds=seconds, per_second=PER_SECOND, packet_bytes=PACKET_BYTES)
    try:
        found = asyncio.run(train.run(request, where, Clock()))
    finally:
        over.set()
        for each in threads:
            each.join()
    assert isinstance(found, TrainRun), found
    told = {
        "rtt_ns": [each.rtt_ns for each in found.packets],
        "timestamps": found.span.timestamps,
        "reflector_timestamps": found.span.reflector_timestamps,
        "moved_gbps": moved[0] * 8 / seconds / 1e9,
    }
    file.write_text(json.dumps(told))


def _fill(over: threading.Event, moved: list[int]) -> None:
    block = bytes(1 << 18)
    with socket.create_connection((ENDPOINT_V4, SINK_PORT)) as sock:
        while not over.is_set():
            sock.sendall(block)
            moved[0] += len(block)


def _compute(over: threading.Event, moved: list[int]) -> None:
    while not over.is_set():
        sum(range(1000))


if __name__ == "__main__":
    if sys.argv[1:2] == ["inside"]:
        inside(sys.argv[2], sys.argv[3], float(sys.argv[4]), Path(sys.argv[5]))
    else:
        main()
