"""The relay as a process: what comes out of it, by kernel stamps of the far socket and by its own record.

Independent of the project's own packet code: plain sockets, SO_TIMESTAMPNS as the kernel's documentation
(networking/timestamping) has it, and Linux' own TCP.
"""

from __future__ import annotations

import contextlib
import select
import socket
import statistics
import struct
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from scipy import stats

from probe.practice import line, record, relay
from probe.practice.lane import Fate
from probe.practice.line import How, LineBehaviour
from store.clock import NS_PER_MS, NS_PER_S
from store.records import Direction

HOST = "127.0.0.1"
SO_TIMESTAMPNS = 35  # asm-generic/socket.h
TRAIN_BYTES = 128


@dataclass
class Seen:
    """One numbered datagram in Unix nanoseconds: sent, then (kernel stamps) at the far end and back."""

    sent_ns: int
    far_ns: list[int] = field(default_factory=list)
    back_ns: list[int] = field(default_factory=list)


@contextlib.contextmanager
def stamped_socket(port: int = 0) -> Iterator[socket.socket]:
    """A UDP socket on loopback whose arrivals the kernel stamps."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        sock.bind((HOST, port))
        sock.setblocking(False)
        yield sock


def arrivals(sock: socket.socket) -> Iterator[tuple[bytes, int, tuple[str, int]]]:
    """(data, kernel stamp, sender) of everything that waits."""
    while True:
        try:
            data, ancillary, _, sender = sock.recvmsg(2048, 512)
        except BlockingIOError:
            return
        (stamp,) = (bytes_ for level, kind, bytes_ in ancillary if kind == SO_TIMESTAMPNS)
        seconds, rest_ns = struct.unpack("@ll", stamp)
        yield data, seconds * NS_PER_S + rest_ns, sender


def echo_train(
    relay_port: int, far_port: int, *, count: int, per_second: float, patience_s: float = 0.3
) -> list[Seen]:
    """Send numbered datagrams at an even pace through the relay to an echo; what became of each."""
    seen: list[Seen] = []
    with stamped_socket() as near, stamped_socket(far_port) as far:
        near.connect((HOST, relay_port))
        began = time.monotonic()
        while (left_s := began + (count - 1) / per_second + patience_s - time.monotonic()) > 0:
            due_s = began + len(seen) / per_second - time.monotonic()
            if len(seen) < count and due_s <= 0:
                seen.append(Seen(sent_ns=time.time_ns()))
                near.send((len(seen) - 1).to_bytes(8, "big") + bytes(TRAIN_BYTES - 8))
                continue
            select.select([near, far], [], [], min(left_s, due_s) if len(seen) < count else left_s)
            for data, stamp_ns, sender in arrivals(far):
                seen[int.from_bytes(data[:8], "big")].far_ns.append(stamp_ns)
                far.sendto(data, sender)
            for data, stamp_ns, _ in arrivals(near):
                seen[int.from_bytes(data[:8], "big")].back_ns.append(stamp_ns)
    return seen


def packets(entries: list[record.Entry], direction: Direction) -> dict[int, record.Packet]:
    """The relay's datagrams of one direction by their number."""
    found = (entry for entry in entries if isinstance(entry, record.Packet))
    return {int.from_bytes(entry.head[:8], "big"): entry for entry in found if entry.direction is direction}


@pytest.mark.parametrize(
    "delay_ms", [pytest.param(1, marks=pytest.mark.long), 10, pytest.param(50, marks=pytest.mark.long)]
)
@pytest.mark.alone
def test_delays_hold(delay_ms: int) -> None:
    """Each way takes the set delay to 0.3 ms at the median; the record agrees with the kernel's stamps."""
    far_port = relay.free_pair()
    with relay.running_relay(line.fixed_line(delay_ms=delay_ms), upstream_port=far_port) as running:
        seen = echo_train(running.port, far_port, count=300, per_second=250)
        entries = running.record()
    up, down = packets(entries, Direction.UP), packets(entries, Direction.DOWN)
    assert len(up) == len(down) == 300
    for held in (up, down):
        error_ms = statistics.median(packet.held_ns / NS_PER_MS for packet in held.values()) - delay_ms
        assert 0 <= error_ms < 0.3
    one_way_ms = statistics.median((one.far_ns[0] - one.sent_ns) / NS_PER_MS for one in seen)
    assert one_way_ms == pytest.approx(delay_ms, abs=0.3)
    differences_ms = [
        (one.far_ns[0] - one.sent_ns - up[number].held_ns) / NS_PER_MS for number, one in enumerate(seen)
    ]
    assert statistics.median(differences_ms) == pytest.approx(0, abs=0.1)


@pytest.mark.few
def test_the_next_port_goes_through_the_same_line() -> None:
    """Datagrams of paced runs and rehearsals: all there, with the line's delay each way."""
    far_port = relay.free_pair()
    with relay.running_relay(line.fixed_line(delay_ms=5), upstream_port=far_port) as running:
        seen = echo_train(running.port + 1, far_port + 1, count=50, per_second=250)
    assert all(len(one.far_ns) == len(one.back_ns) == 1 for one in seen)
    least_ms = 4.7  # the relay goes by the monotonic clock, and stamps by one that may be slewed meanwhile
    assert all(one.far_ns[0] - one.sent_ns >= least_ms * NS_PER_MS for one in seen)
    assert all(one.back_ns[0] - one.far_ns[0] >= least_ms * NS_PER_MS for one in seen)


@pytest.mark.alone
def test_order_and_copies_follow_the_record() -> None:
    """What arrives late or twice at the far end is what the record says left late or twice."""
    behaviour = line.fixed_line(delay_ms=2, duplicate=0.1, reorder=0.1, reorder_by_ms=12)
    far_port = relay.free_pair()
    with relay.running_relay(behaviour, upstream_port=far_port) as running:
        seen = echo_train(running.port, far_port, count=400, per_second=200)
        up = packets(running.record(), Direction.UP)
    assert [len(one.far_ns) for one in seen] == [len(up[number].left_unix_ns) for number in range(400)]
    by_kernel = sorted(range(400), key=lambda number: seen[number].far_ns[0])
    by_record = sorted(range(400), key=lambda number: up[number].left_unix_ns[0])
    assert by_kernel == by_record
    assert by_kernel != sorted(by_kernel)
    late = sum(packet.late for packet in up.values())
    assert stats.binomtest(late, 400, 0.1).pvalue > 0.001


@pytest.mark.alone
def test_losses_and_stalls_follow_the_record() -> None:
    """Random loss keeps its binomial bounds; planted stalls lose, or hold and bunch, where they should."""
    behaviour = line.fixed_line(
        delay_ms=5,
        loss_up=0.03,
        stalls_up=[line.stall_at(1.0, 0.6, how=How.LOST)],
        stalls_down=[line.stall_at(1.9, 0.6, how=How.HELD)],
    )
    far_port = relay.free_pair()
    with relay.running_relay(behaviour, upstream_port=far_port) as running:
        seen = echo_train(running.port, far_port, count=640, per_second=200, patience_s=0.5)
        entries = running.record()
        began_ns = running.started_unix_ns
    up, down = packets(entries, Direction.UP), packets(entries, Direction.DOWN)
    arrived = {number for number, one in enumerate(seen) if one.far_ns}
    assert arrived == {number for number, packet in up.items() if packet.fate is Fate.CARRIED}
    stalled = [packet for packet in up.values() if packet.fate is Fate.STALL]
    assert len(stalled) == pytest.approx(120, abs=2)  # 0.6 s at 200 a second
    assert all(1e9 <= packet.arrived_unix_ns - began_ns <= 1.6e9 for packet in stalled)
    lost = sum(packet.fate is Fate.LOSS for packet in up.values())
    assert stats.binomtest(lost, 640 - len(stalled), 0.03).pvalue > 0.001
    held = [packet for packet in down.values() if 1.9e9 <= packet.arrived_unix_ns - began_ns < 2.5e9]
    assert len(held) > 100
    assert all(2.5e9 <= packet.left_unix_ns[0] - began_ns <= 2.52e9 for packet in held)
    told = {entry.direction: entry for entry in entries if isinstance(entry, record.StallPast)}
    assert told[Direction.UP].how is How.LOST
    assert told[Direction.DOWN].ended_unix_ns - told[Direction.DOWN].started_unix_ns == 600_000_000


# TCP


@dataclass
class Receiver:
    """Counts what its connections bring, with the moment of each piece; ends them when told to."""

    pieces: list[tuple[float, int]] = field(default_factory=list)
    connections: list[socket.socket] = field(default_factory=list)

    def take(self, door: socket.socket) -> None:
        """Serve every connection of a listening socket until that is shut down."""
        with contextlib.suppress(OSError):
            while True:
                connection, _ = door.accept()
                self.connections.append(connection)
                threading.Thread(target=self._count, args=(connection,), daemon=True).start()

    def _count(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while size := len(connection.recv(65_536)):
                self.pieces.append((time.monotonic(), size))

    def rate_bps(self, *, from_s: float, to_s: float) -> float:
        """Payload rate from the first to the last piece of a window that counts from the first byte.

        So a thread that got no turn at the end of the window moves no rate.
        """
        began = self.pieces[0][0]
        first, *rest = [(at, size) for at, size in self.pieces if from_s <= at - began < to_s]
        return sum(size for _, size in rest) * 8 / (rest[-1][0] - first[0])


@contextlib.contextmanager
def receiving(port: int) -> Iterator[Receiver]:
    """A receiver at a TCP port."""
    receiver = Receiver()
    with socket.create_server((HOST, port)) as door:
        taker = threading.Thread(target=receiver.take, args=(door,), daemon=True)
        taker.start()
        yield receiver
        door.shutdown(socket.SHUT_RDWR)
        taker.join()
        for connection in receiver.connections:
            connection.close()


def send_for(seconds: float, port: int) -> None:
    """Send as fast as TCP takes it, then reset."""
    with socket.create_connection((HOST, port)) as sender:
        ends = time.monotonic() + seconds
        with contextlib.suppress(TimeoutError):
            while (left_s := ends - time.monotonic()) > 0:
                sender.settimeout(left_s)
                sender.send(bytes(65_536))
        sender.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def sending(seconds: float, port: int, *, flows: int) -> list[threading.Thread]:
    """`send_for` in that many threads, started."""
    threads = [threading.Thread(target=send_for, args=(seconds, port)) for _ in range(flows)]
    for thread in threads:
        thread.start()
    return threads


@pytest.mark.parametrize(
    ("rate_bps", "flows"),
    [
        (5_000_000, 1),
        pytest.param(18_000_000, 4, marks=pytest.mark.long),
        pytest.param(300_000_000, 4, marks=pytest.mark.long),
    ],
)
@pytest.mark.alone
def test_tcp_gets_the_rate(rate_bps: int, flows: int) -> None:
    """TCP payload arrives at the set rate to 1 %, counted where it arrives from 0.5 s on."""
    behaviour = line.fixed_line(delay_ms=10, rate_up_bps=rate_bps)
    upstream_port = relay.free_pair()
    with (
        receiving(upstream_port + 1) as receiver,
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
    ):
        for thread in sending(2.7, running.port + 1, flows=flows):
            thread.join()
    assert receiver.rate_bps(from_s=0.5, to_s=2.5) == pytest.approx(rate_bps, rel=0.01)


@pytest.mark.alone
def test_flows_share_the_rate() -> None:
    """No flow starves: the least of four gets at least half of an even share."""
    behaviour = line.fixed_line(delay_ms=5, rate_up_bps=40_000_000)
    upstream_port = relay.free_pair()
    receivers = [Receiver() for _ in range(4)]
    with (
        socket.create_server((HOST, upstream_port + 1)) as door,
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
    ):
        senders = sending(1.5, running.port + 1, flows=4)
        for receiver in receivers:
            receiver.connections.append(door.accept()[0])
        counters = [
            threading.Thread(target=receiver._count, args=receiver.connections) for receiver in receivers
        ]
        for thread in counters:
            thread.start()
        for thread in (*senders, *counters):
            thread.join()
    for receiver in receivers:
        receiver.connections[0].close()
    totals = [sum(size for _, size in receiver.pieces) for receiver in receivers]
    assert min(totals) > sum(totals) / 8


@pytest.mark.alone
def test_a_full_upload_delays_the_train_by_its_queue() -> None:
    """1.4 MB at 18 Mb/s are 622 ms [1 400 000 x 8 / 18 000 000]; what TCP leaves free of it is 1 %."""
    behaviour = line.fixed_line(delay_ms=10, rate_up_bps=18_000_000, queue_bytes=1_400_000)
    upstream_port = relay.free_pair()
    with (
        receiving(upstream_port + 1),
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
    ):
        threads = sending(2.5, running.port + 1, flows=1)
        seen = echo_train(running.port, upstream_port, count=100, per_second=40, patience_s=1)
        for thread in threads:
            thread.join()
        up = packets(running.record(), Direction.UP)
    assert all(packet.fate is Fate.CARRIED for packet in up.values())
    loaded_ms = [(one.back_ns[0] - one.sent_ns) / NS_PER_MS - 20 for one in seen[60:100]]
    assert statistics.median(loaded_ms) == pytest.approx(622, rel=0.03)


@pytest.mark.few
def test_an_end_passes_behind_all_bytes() -> None:
    """Half a connection closed at one side is closed at the other once every byte has come."""
    behaviour = line.fixed_line(delay_ms=5, rate_up_bps=8_000_000)
    upstream_port = relay.free_pair()
    sent = bytes(range(256)) * 1000
    with (
        socket.create_server((HOST, upstream_port)) as door,
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
        socket.create_connection((HOST, running.port)) as near,
    ):
        near.sendall(sent)
        near.shutdown(socket.SHUT_WR)
        far, _ = door.accept()
        with far:
            found = b"".join(iter(lambda: far.recv(65_536), b""))
            far.sendall(b"and back")
            assert found == sent
        assert near.recv(100) == b"and back"
        assert near.recv(100) == b""


@pytest.mark.few
def test_a_reset_passes_and_takes_the_queue_with_it() -> None:
    """A reader that goes away resets the sender, though seconds of queue were still on their way."""
    behaviour = line.fixed_line(delay_ms=20, rate_up_bps=1_000_000, queue_bytes=1_000_000)
    upstream_port = relay.free_pair()
    with (
        socket.create_server((HOST, upstream_port + 1)) as door,
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
        socket.create_connection((HOST, running.port + 1)) as near,
    ):
        near.sendall(bytes(200_000))
        far, _ = door.accept()
        far.recv(1)
        far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        far.close()
        began = time.monotonic()
        near.settimeout(1)
        with pytest.raises(ConnectionResetError):
            near.recv(1)
        assert 0.019 < time.monotonic() - began < 0.5


@pytest.mark.few
def test_an_endpoint_that_is_not_there_is_a_reset() -> None:
    """A connection that leads nowhere ends at once, and the relay goes on."""
    with relay.running_relay(line.fixed_line(delay_ms=1), upstream_port=relay.free_pair()) as running:
        for _ in range(2):
            with socket.create_connection((HOST, running.port)) as near:
                near.settimeout(1)
                with pytest.raises(ConnectionResetError):
                    near.recv(1)
        assert running.process.poll() is None


@pytest.mark.alone
def test_both_directions_share_nothing() -> None:
    """A full upload leaves the rate of a download alone."""
    behaviour: LineBehaviour = line.fixed_line(delay_ms=5, rate_up_bps=5_000_000, rate_down_bps=50_000_000)
    upstream_port = relay.free_pair()
    taken = Receiver()
    with (
        socket.create_server((HOST, upstream_port)) as source_door,
        receiving(upstream_port + 1) as receiver,
        relay.running_relay(behaviour, upstream_port=upstream_port) as running,
        socket.create_connection((HOST, running.port)) as near,
    ):
        threads = sending(2, running.port + 1, flows=1)
        far, _ = source_door.accept()
        counter = threading.Thread(target=taken._count, args=(near,))
        counter.start()
        with far, contextlib.suppress(OSError):
            ends = time.monotonic() + 2
            while time.monotonic() < ends:
                far.send(bytes(65_536))
            far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        for thread in (*threads, counter):
            thread.join()
    assert taken.rate_bps(from_s=0.5, to_s=1.8) == pytest.approx(50e6, rel=0.05)
    assert receiver.rate_bps(from_s=0.5, to_s=1.8) == pytest.approx(5e6, rel=0.05)
