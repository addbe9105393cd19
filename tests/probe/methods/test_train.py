"""Trains over real sockets on 127.0.0.1: a real endpoint, and a line before it that misbehaves on demand."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import random
import socket
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from scipy.stats import kstest

from probe import outages, train_samples
from probe.answering import Answering
from probe.control import Control
from probe.endpoint import keys, service
from probe.methods import train
from probe.methods.train import TrainRequest, TrainRun, TrainSession
from probe.reach import Binding, Reach
from probe.train_outcome import Tally
from probe.train_samples import Near, Sampled
from probe.wire import control as wire
from store.clock import Clock
from store.records import Carrier, Direction, Failed, Gap, Owner, Stall, Stamps, Standing, TrainSpan
from store.samples import Sample, sample_json
from store.site import TrainPlan
from store.unfinished import SoFar
from tests.probe.endpoint.far import Far, far_end, free_ports, reach

S = 10**9
LOOPBACK_MTU_BYTES = min(65_535, int(Path("/sys/class/net/lo/mtu").read_text()))  # RFC 791: 16 bits
SENDER_SEQUENCE = slice(48, 52)  # RFC 8762 section 4.3.2: where an authenticated reply carries it


def plan(*, seconds: float = 0.5, per_second: float = 100, waiting_s: float = 0.3) -> TrainRequest:
    return TrainRequest(seconds=seconds, per_second=per_second, packet_bytes=128, waiting_s=waiting_s)


async def ran(asked: TrainRequest, where: Reach, *, clock: Clock | None = None) -> TrainRun:
    found = await train.run(asked, where, clock or Clock())
    assert isinstance(found, TrainRun), found
    return found


class Bent(asyncio.DatagramProtocol):
    """The probe's side of a line. `fate` says of each packet or reply how many copies are carried.

    It is asked with the direction and the sender's sequence number. While `holding` is set, packets of that
    direction wait.
    """

    def __init__(self, port: int) -> None:
        self._port = port
        self._caller: tuple[str, int] | None = None
        self._front: asyncio.DatagramTransport
        self._back: asyncio.DatagramTransport
        self._waiting: list[tuple[asyncio.DatagramTransport, bytes, tuple[str, int] | None]] = []
        self.fate: Callable[[Direction, int], int] = lambda direction, sequence: 1
        self.holding: Direction | None = None

    async def open(self) -> int:
        """Carry from now on; the port that takes the probe's packets."""
        loop = asyncio.get_running_loop()
        self._front, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=("127.0.0.1", 0))
        self._back, _ = await loop.create_datagram_endpoint(
            lambda: _Replies(self), remote_addr=("127.0.0.1", self._port)
        )
        port: int = self._front.get_extra_info("sockname")[1]
        return port

    def close(self) -> None:
        self._front.close()
        self._back.close()

    def release(self) -> None:
        """Let go of what waits, in order."""
        self.holding = None
        for transport, data, address in self._waiting:
            transport.sendto(data, address)
        self._waiting.clear()

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        self._caller = address
        self.carry(Direction.UP, data[:4], self._back, data, None)

    def reply_received(self, data: bytes) -> None:
        self.carry(Direction.DOWN, data[SENDER_SEQUENCE], self._front, data, self._caller)

    def carry(
        self,
        direction: Direction,
        sequence: bytes,
        transport: asyncio.DatagramTransport,
        data: bytes,
        address: tuple[str, int] | None,
    ) -> None:
        for _ in range(self.fate(direction, int.from_bytes(sequence, "big"))):
            if self.holding is direction:
                self._waiting.append((transport, data, address))
            else:
                transport.sendto(data, address)


class _Replies(asyncio.DatagramProtocol):
    """The endpoint's side of the line."""

    def __init__(self, line: Bent) -> None:
        self._line = line

    def datagram_received(self, data: bytes, _address: tuple[str, int]) -> None:
        self._line.reply_received(data)


@contextlib.asynccontextmanager
async def bent(far: Far, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bent]:
    """A line in the way of every train, beside an undisturbed control connection."""
    line = Bent(far.endpoint.doors.train_port)
    port = await line.open()

    class Detour(Control):
        async def open_train(self, request: wire.TrainRequest) -> wire.TrainGrant | Failed:
            grant = await super().open_train(request)
            return grant if isinstance(grant, Failed) else replace(grant, port=port)

    monkeypatch.setattr(train, "Control", Detour)
    try:
        yield line
    finally:
        line.close()


class Fickle(socket.socket):
    """A socket whose host refuses to send some packets, as a firewall of the host does (EPERM)."""

    because: ClassVar[int] = errno.EPERM
    sends: ClassVar[int] = 0
    refused: ClassVar[range] = range(0)

    def sendto(self, *arguments: object) -> int:  # type: ignore[override]
        Fickle.sends += 1
        if Fickle.sends - 1 in Fickle.refused:
            raise OSError(Fickle.because, os.strerror(Fickle.because))
        return super().sendto(*arguments)  # type: ignore[call-overload, no-any-return]


@pytest.fixture
def fickle(monkeypatch: pytest.MonkeyPatch) -> type[Fickle]:
    monkeypatch.setattr(socket, "socket", Fickle)
    Fickle.sends, Fickle.refused, Fickle.because = 0, range(0), errno.EPERM
    return Fickle


def busy(seconds: float) -> None:
    """Keep the event loop from everything else."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        pass


@pytest.mark.asyncio
class TestRun:
    async def test_a_clean_line(self, tmp_path: Path) -> None:
        """Every packet comes back, with the kernel's stamps, as soon as it can."""
        heard: list[Sample] = []
        began, began_unix_ns = time.monotonic(), time.time_ns()
        async with far_end(tmp_path) as far:
            found = await train.run(plan(waiting_s=9), far.reaches["a"], Clock(), on_packet=heard.append)
        assert isinstance(found, TrainRun)
        span = found.span
        assert (span.sent, span.received, span.lost, span.duplicated, span.reordered) == (50, 50, 0, 0, 0)
        assert (span.timestamps, span.standing) == (Stamps.KERNEL, Standing.VALID)
        assert span.rtt.count == span.pdv_up.count == span.pdv_down.count == 50
        assert span.circumstances is not None
        known = span.circumstances
        assert (known.interface, known.carrier, known.egress_address) == ("lo", Carrier.LOOPBACK, "127.0.0.1")
        assert known.path_mtu_up_bytes == LOOPBACK_MTU_BYTES
        assert known.host_cpu_ratio is not None
        assert span.spent_bytes == 100 * span.packet_bytes
        assert 0 < (span.rtt.min or 0) < 5_000
        assert (span.pdv_up.min, span.pdv_down.min) == (0, 0)
        assert span.jitter_up_us is not None
        assert began_unix_ns < span.started_unix_ns < time.time_ns()
        assert [packet.sequence for packet in heard] == list(range(50))
        assert found.stalls == ()
        assert time.monotonic() - began < 6  # it does not wait once all is back

    @pytest.mark.few  # it measures lateness
    async def test_samples(self, tmp_path: Path) -> None:
        """One object a packet: sequence, sent (Unix ns), rtt_ns, lost, held; sent 10 ms apart."""
        async with far_end(tmp_path) as far:
            found = await ran(plan(), far.reaches["a"])
        samples = [sample_json(packet) for packet in found.packets]
        assert [sorted(sample) for sample in samples] == [["held", "lost", "rtt_ns", "sent", "sequence"]] * 50
        assert [sample["sequence"] for sample in samples] == list(range(50))
        assert {(sample["lost"], sample["held"]) for sample in samples} == {(None, False)}
        whole_ns = samples[-1]["sent"] - samples[0]["sent"]
        assert whole_ns == pytest.approx(
            49 * S / 100, abs=S / 100
        )  # absolute slots: lateness does not add up

    async def test_losses_have_their_direction(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """RFC 8762 section 4's stateful reflector: exactly what the line lost, packet by packet."""
        up, down = {3, 11, 12, 49}, {7, 20, 21, 48}
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            line.fate = lambda direction, sequence: int(
                sequence not in (up if direction is Direction.UP else down)
            )
            found = await ran(plan(), far.reaches["a"])
        assert (found.span.lost_up, found.span.lost_down, found.span.lost_unattributed) == (4, 4, 0)
        assert {packet.sequence for packet in found.packets if packet.lost == "up"} == up
        assert {packet.sequence for packet in found.packets if packet.lost == "down"} == down
        assert all((packet.rtt_ns is None) == (packet.lost is not None) for packet in found.packets)

    async def test_copies_have_their_direction(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A copy on the way up is reflected under a number of its own; one on the way down is not."""
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            line.fate = lambda direction, sequence: (
                2 if sequence in ({4, 5} if direction is Direction.UP else {30}) else 1
            )
            found = await ran(plan(), far.reaches["a"])
        assert (found.span.duplicated_up, found.span.duplicated_down, found.span.lost) == (2, 1, 0)

    async def test_forged_replies_count_for_nothing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Somebody on the way sends each reply changed, cut and without its HMAC before it."""
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:

            def forge(data: bytes) -> None:
                for at in (0, 24, 50, 95, 97):
                    changed = bytes((*data[:at], data[at] ^ 1, *data[at + 1 :]))
                    line._front.sendto(changed, line._caller)
                line._front.sendto(data[:111], line._caller)
                line._front.sendto(data[:44], line._caller)  # as long as an unauthenticated one
                line.carry(Direction.DOWN, data[SENDER_SEQUENCE], line._front, data, line._caller)

            monkeypatch.setattr(line, "reply_received", forge)
            found = await ran(plan(), far.reaches["a"])
        span = found.span
        assert (span.sent, span.received, span.lost, span.duplicated, span.reordered) == (50, 50, 0, 0, 0)

    @pytest.mark.few
    @pytest.mark.parametrize("way", [Direction.UP, Direction.DOWN])
    async def test_a_held_stall(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: Direction
    ) -> None:
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            loop = asyncio.get_running_loop()
            loop.call_later(0.5, setattr, line, "holding", way)
            loop.call_later(1.1, line.release)
            found = await ran(plan(seconds=1.4, waiting_s=2), far.reaches["a"])
        [stall] = found.stalls
        assert (stall.direction, stall.how, stall.lost) == (way, "held", 0)
        assert stall.seconds == pytest.approx(0.6, abs=0.1)
        held = found.span.held_up if way is Direction.UP else found.span.held_down
        assert held == stall.held == sum(packet.held for packet in found.packets)
        assert held == pytest.approx(0.6 * 100, abs=10)
        assert found.span.lost == 0

    async def test_an_endpoint_that_goes_away(self, tmp_path: Path) -> None:
        """It is no failure: what came is told, and what was lost since then has no direction."""
        async with contextlib.AsyncExitStack() as closing:
            far = await closing.enter_async_context(far_end(tmp_path))
            asked = plan(seconds=1, per_second=50)
            running = asyncio.create_task(train.run(asked, far.reaches["a"], Clock()), name="train")
            await asyncio.sleep(0.6)
            await closing.aclose()
            found = await running
        assert isinstance(found, TrainRun)
        assert found.span.received > 10
        assert found.span.lost_unattributed == 50 - found.span.received > 0

    async def test_wrong_key(self, tmp_path: Path) -> None:
        async with far_end(tmp_path) as far:
            where = far.reaches["a"]
            wrong = replace(where, invitation=replace(where.invitation, key=bytes(32)))
            found = await train.run(plan(), wrong, Clock())
        assert isinstance(found, Failed)
        assert found.what == "run train"
        assert "key" in found.why

    async def test_no_such_interface(self, tmp_path: Path) -> None:
        async with far_end(tmp_path) as far:
            where = replace(far.reaches["a"], binding=Binding(interface="nosuch0"))
            found = await train.run(plan(), where, Clock())
        assert isinstance(found, Failed)
        assert found.whose is Owner.HOUSE

    async def test_a_cancelled_run_lets_go_of_its_session(self, tmp_path: Path) -> None:
        async with far_end(tmp_path, limits="[caller]\ntrains = 1\n") as far:
            running = asyncio.create_task(
                train.run(plan(seconds=60), far.reaches["a"], Clock()), name="train"
            )
            await asyncio.sleep(0.4)
            running.cancel()
            with pytest.raises(asyncio.CancelledError):
                await running
            found = await train.run(plan(seconds=0.1), far.reaches["a"], Clock())
        assert isinstance(found, TrainRun), found


@pytest.mark.asyncio
class TestThisHost:
    async def test_packets_it_refuses_are_not_on_the_line(self, tmp_path: Path, fickle: type[Fickle]) -> None:
        """Neither sent nor lost, their numbers go to the next; the span says that its schedule suffered."""
        fickle.refused = range(10, 20)
        async with far_end(tmp_path) as far:
            found = await ran(plan(), far.reaches["a"])
        assert (found.span.sent, found.span.received, found.span.lost) == (40, 40, 0)
        assert found.span.timestamps is Stamps.KERNEL  # departures are still matched to their packets
        assert found.span.reasons == ("late_schedule",)
        assert found.span.standing is Standing.EXCLUDED

    async def test_it_refuses_everything(self, tmp_path: Path, fickle: type[Fickle]) -> None:
        fickle.refused = range(1000)
        async with far_end(tmp_path) as far:
            found = await train.run(plan(seconds=0.3), far.reaches["a"], Clock())
        assert isinstance(found, Failed)
        assert found.whose is Owner.HOUSE
        assert "Operation not permitted" in found.why

    @pytest.mark.few
    async def test_a_short_pause_is_caught_up(self, tmp_path: Path) -> None:
        async with far_end(tmp_path) as far:
            asyncio.get_running_loop().call_later(0.3, busy, 0.2)
            found = await ran(plan(), far.reaches["a"])
        assert found.span.sent == 50
        assert found.span.reasons == ()

    async def test_a_long_pause_is_told(self, tmp_path: Path) -> None:
        """Nothing is sent for slots more than a second past, and the span is left out of judgement."""
        async with far_end(tmp_path) as far:
            asyncio.get_running_loop().call_later(0.6, busy, 1.5)
            found = await ran(plan(seconds=2.5, per_second=20), far.reaches["a"])
        assert 20 < found.span.sent < 50
        assert found.span.reasons == ("late_schedule",)

    async def test_without_kernel_stamps(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The clock stands in, and the record says so."""
        async with far_end(tmp_path) as far:
            monkeypatch.setattr(train.timestamps, "prepare", lambda sock, *, transmit: False)
            found = await ran(plan(), far.reaches["a"])
        assert found.span.timestamps is Stamps.CLOCK
        assert found.span.rtt.count == 50

    async def test_its_clock_is_set(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Delays stay what they are, nothing looks held; the span says ``clock_step``."""
        began = time.monotonic()
        stepping = Clock(unix_ns=lambda: time.time_ns() + (2 * S if time.monotonic() - began > 0.6 else 0))
        async with far_end(tmp_path) as far:
            # the kernel's clock cannot be set here, so its stamps stay out
            monkeypatch.setattr(train.timestamps, "prepare", lambda sock, *, transmit: False)
            began = time.monotonic()
            found = await ran(plan(seconds=1), far.reaches["a"], clock=stepping)
        assert found.span.reasons == ("clock_step",)
        assert (found.span.rtt.max or 0) < 200_000
        assert (found.span.lost, found.span.held_up, found.span.held_down, found.stalls) == (0, 0, 0, ())

    async def test_its_host_sleeps(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The train ends there, and its record says that it may not speak."""
        began = time.monotonic()

        def slept_ns() -> int:
            return 9 * S if time.monotonic() - began > 0.6 else 0

        sleeping = Clock(
            unix_ns=lambda: time.time_ns() + slept_ns(),
            boot_ns=lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME) + slept_ns(),
        )
        async with far_end(tmp_path) as far:
            monkeypatch.setattr(train.timestamps, "prepare", lambda sock, *, transmit: False)
            began = time.monotonic()
            found = await ran(plan(seconds=60), far.reaches["a"], clock=sleeping)
        assert found.span.reasons == ("slept",)
        assert found.span.standing is Standing.VOID
        assert 20 < found.span.sent < 75
        assert (found.span.rtt.max or 0) < 200_000

    async def test_trains_start_at_random(self) -> None:
        """RFC 3432 section 3: the start of a periodic stream is drawn anew, uniform over one spacing."""
        random.seed(8762)  # so that the 1 in 1000 never comes
        clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: 0)
        where = reach(NOBODY, port=1)
        offsets = []
        for _ in range(300):
            session = TrainSession(
                Control(where, clock=clock), where, clock, tally=Tally(spacing_ns=S, waiting_ns=S),
                per_second=50, packet_bytes=128,
            )  # fmt: skip
            session.start(packets=0)
            offsets.append(session.heard_ns / (S / 50))
        assert min(offsets) >= 0
        assert max(offsets) < 1
        assert kstest(offsets, "uniform").pvalue > 0.001


def test_the_distance_of_two_clocks() -> None:
    """It moves when the clock is set, not when the program was interrupted between two readings."""
    now = {"awake": 0, "asleep": 0, "ahead": 100 * S, "pause": 0}

    def awake_ns() -> int:
        now["awake"] += 1000 + now["pause"]
        return now["awake"]

    wall = train._WallClock(
        Clock(
            monotonic_ns=awake_ns,
            boot_ns=lambda: awake_ns() + now["asleep"],
            unix_ns=lambda: awake_ns() + now["asleep"] + now["ahead"],
            raw_ns=awake_ns,
        )
    )
    about = pytest.approx(100 * S, abs=5000)
    assert (wall.ahead_ns, wall.stepped_ns, wall.slept_at_ns) == (about, 0, None)
    now["pause"] = S
    wall.read()
    assert (wall.ahead_ns, wall.stepped_ns) == (about, 0)
    now["pause"], now["ahead"] = 0, 97 * S
    set_ns = wall.read()
    assert now["awake"] - 5000 <= set_ns <= now["awake"]
    assert wall.ahead_ns == pytest.approx(97 * S, abs=5000)
    assert wall.stepped_ns == pytest.approx(3 * S, abs=5000)
    # a moment before it was set has the label of then
    assert wall.unix_of(set_ns - 1) == pytest.approx(set_ns + 100 * S, abs=5000)
    assert wall.unix_of(set_ns) == pytest.approx(set_ns + 97 * S, abs=5000)
    now["asleep"] = 3600 * S
    woke_ns = wall.read()
    assert wall.slept_at_ns == woke_ns
    assert wall.stepped_ns == pytest.approx(3 * S, abs=10_000)
    assert wall.unix_of(woke_ns) == pytest.approx(woke_ns + 3697 * S, abs=5000)


@pytest.mark.parametrize("step_s", [0.42, -2.0])
def test_a_stamp_from_before_the_clock_was_set(step_s: float) -> None:
    """Read right after, it means the moment at which it was made, by either clock."""
    now = {"ahead": 100 * S, "at": 10 * S}
    wall = train._WallClock(
        Clock(
            monotonic_ns=lambda: now["at"],
            boot_ns=lambda: now["at"],
            unix_ns=lambda: now["at"] + now["ahead"],
            raw_ns=lambda: now["at"],
        )
    )
    before = now["at"] + now["ahead"] - 30_000_000
    now["ahead"] += round(step_s * S)
    now["at"] += 1_000_000
    wall.read()
    assert wall.monotonic_of(before, now_ns=now["at"]) == 10 * S - 30_000_000
    after = now["at"] + now["ahead"] - 200_000
    assert wall.monotonic_of(after, now_ns=now["at"]) == now["at"] - 200_000
    now["at"] += 60 * S
    assert (
        wall.monotonic_of(now["at"] + now["ahead"] - 700 * 10**6, now_ns=now["at"]) == now["at"] - 7 * 10**8
    )


def test_the_kernels_count_of_stamps_wraps(monkeypatch: pytest.MonkeyPatch) -> None:
    """SOF_TIMESTAMPING_OPT_ID counts in 32 bits (kernel documentation, networking/timestamping, 1.3.4): at
    50 packets/s three years in one session."""
    tally = Tally(spacing_ns=S // 50, waiting_ns=S)
    tally.sent(10 * S)
    where, clock = reach(NOBODY, port=1), Clock()
    control = Control(where, clock=clock)
    session = TrainSession(control, where, clock, tally=tally, per_second=50, packet_bytes=128)
    session.wall.ahead_ns = 0
    session._counted_from = -(1 << 32)
    monkeypatch.setattr(train.timestamps, "transmit_stamps", lambda _: [(0, 10 * S + 5000)])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        session._take_transmit_stamps(sock, 10 * S + 9000)
    assert tally.sent_at(0) == 10 * S + 5000


NOBODY = keys.Invitation(host="127.0.0.1", port=1, flow_port=2, key=bytes(32), pin=bytes(32))


class Kept:
    """A train of the daemon under way, with what it delivers."""

    def __init__(self, where: Reach, *, span_s: int = 1, per_second: float = 50) -> None:
        asked = TrainPlan(handoff="A", endpoint="north", per_second=per_second, span_s=span_s)
        self.records: list[TrainSpan | Stall | Gap] = []
        self.so_far: list[TrainSpan] = []
        self.words: list[Answering] = []
        self.sampled: list[Sampled] = []
        self._more = asyncio.Event()
        self.task = asyncio.create_task(train.keep(asked, where, Clock(), self._take), name="train")

    def _take(self, record: TrainSpan | Stall | Gap | SoFar | Answering | Sampled) -> None:
        if isinstance(record, SoFar):
            self.so_far.append(record.span)
        elif isinstance(record, Answering):
            self.words.append(record)
        elif isinstance(record, Sampled):
            self.sampled.append(record)
        else:
            self.records.append(record)
        self._more.set()

    @property
    def spans(self) -> list[TrainSpan]:
        return [record for record in self.records if isinstance(record, TrainSpan)]

    @property
    def stalls(self) -> list[Stall]:
        return [record for record in self.records if isinstance(record, Stall)]

    async def until(self, enough: Callable[[], bool]) -> None:
        async with asyncio.timeout(20):
            while not enough():
                self._more.clear()
                await self._more.wait()

    async def end(self) -> None:
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task


def silent_ns(word: Answering) -> int:
    """For how long there was no reply when this was said, or a little less."""
    return 0 if word.heard_ns is None else time.monotonic_ns() - word.heard_ns


@pytest.fixture
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seconds where the daemon takes tens of them."""
    monkeypatch.setattr(train, "_BEAT_S", 0.05)
    monkeypatch.setattr(train, "WAITING_S", (1.0, 1.0))
    monkeypatch.setattr(train, "ASK_AFTER_S", 0.6)
    monkeypatch.setattr(train, "ASK_EVERY_S", 0.4)


@pytest.mark.asyncio
@pytest.mark.usefixtures("brisk")
class TestKeep:
    @pytest.mark.few
    async def test_spans_are_aligned_and_whole(self, tmp_path: Path) -> None:
        """They begin at whole multiples of their length, follow one another, and hold every packet once."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"])
            await kept.until(lambda: len(kept.spans) >= 3)
            await kept.end()
        first, *whole, last = kept.spans
        assert all(span.started_unix_ns % S == 0 for span in [*whole, last])
        for before, after in zip(kept.spans, kept.spans[1:], strict=False):
            end_ns = before.started_unix_ns + before.seconds * S
            assert after.started_unix_ns == pytest.approx(end_ns, abs=2_000_000)
        assert all((span.seconds, span.sent) == (1.0, pytest.approx(50, abs=2)) for span in whole)
        assert 0 < last.seconds <= 1
        assert all(span.received == span.sent and span.standing is Standing.VALID for span in kept.spans)
        assert first.handoff == "handoff"
        assert first.timestamps is Stamps.KERNEL

    async def test_what_there_is_of_a_span_is_told_on_the_way(self, tmp_path: Path) -> None:
        """Each time a little more of the span that comes in the end; what may still arrive is not lost."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"], span_s=60)
            await kept.until(lambda: len(kept.so_far) >= 8)
            await kept.end()
        span = kept.spans[-1]
        told = [one for one in kept.so_far if one.started_unix_ns == span.started_unix_ns]
        assert [one.sent for one in told] == sorted(one.sent for one in told)
        assert told[-1].sent <= span.sent
        assert told[-1].sent == pytest.approx(span.sent, abs=15)  # 0.3 s of 50 a second
        assert all(one.lost == 0 and one.received == one.rtt.count == one.sent for one in told)
        assert all(one.seconds == pytest.approx(one.sent / 50, abs=0.1) for one in told)

    async def test_each_span_says_what_else_was_true(self, tmp_path: Path) -> None:
        """Also the last one, which ends early; and what the site's rules say of it is in its reasons."""
        async with far_end(tmp_path) as far:
            strict = replace(far.reaches["a"], assigned=("198.51.100.40/29",))
            kept = Kept(strict)
            await kept.until(lambda: len(kept.spans) >= 2)
            await kept.end()
        known = [span.circumstances for span in kept.spans]
        assert [one and (one.interface, one.egress_address) for one in known] == [("lo", "127.0.0.1")] * len(
            known
        )
        assert {span.reasons for span in kept.spans} == {("elsewhere",)}
        assert {one and one.left_elsewhere for one in known} == {
            "the endpoint saw 127.0.0.1, which is not of 198.51.100.40/29"
        }

    async def test_cancelled_it_ends_within_2_s(self, tmp_path: Path) -> None:
        """And hands over the part of a span that it is in."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"], span_s=60)
            await asyncio.sleep(0.7)
            began = time.monotonic()
            await kept.end()
            assert time.monotonic() - began < 2
        assert sum(span.sent for span in kept.spans) > 10
        assert sum(span.lost for span in kept.spans) == 0  # what was under way is not held against the line

    @pytest.mark.few
    async def test_a_lost_stall_is_told_when_it_is_over(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        dropped: list[int] = []

        def drop(direction: Direction, sequence: int) -> int:
            if direction is Direction.UP:
                dropped.append(sequence)
            return int(direction is Direction.DOWN)

        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(0.5)
            began = time.time_ns()
            line.fate = drop
            await asyncio.sleep(0.7)
            line.fate = lambda direction, sequence: 1
            await kept.until(lambda: bool(kept.stalls))
            [stall] = kept.stalls
            # its last packets count as lost later, in the span in which they were sent
            await kept.until(lambda: sum(span.lost for span in kept.spans) >= len(dropped))
            await kept.end()
        assert kept.stalls == [stall]
        assert (stall.direction, stall.how, stall.held) == (Direction.UP, "lost", 0)
        assert stall.seconds == pytest.approx(0.72, abs=0.1)
        assert abs(stall.started_unix_ns - began) < 0.1 * S
        assert sum(span.lost_up for span in kept.spans) == stall.lost == len(dropped)
        assert sum(span.lost_down + span.lost_unattributed for span in kept.spans) == 0

    async def test_the_packets_around_a_stall_are_told_one_by_one(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With the fates that the line gave them, by its own list, and those on either side."""
        monkeypatch.setattr(train_samples, "SIDE_NS", S // 2)
        monkeypatch.setattr(train_samples, "_SETTLED_NS", S)
        dropped: set[int] = set()

        def drop(direction: Direction, sequence: int) -> int:
            if direction is Direction.UP:
                dropped.add(sequence)
            return int(direction is Direction.DOWN)

        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(1)
            line.fate = drop
            await asyncio.sleep(0.7)
            line.fate = lambda direction, sequence: 1
            await kept.until(lambda: any(one.near is Near.STALL for one in kept.sampled))
            await kept.end()
        near = [packet for one in kept.sampled if one.near is Near.STALL for packet in one.packets]
        assert {packet.sequence for packet in near if packet.lost == "up"} == dropped
        assert {packet.lost for packet in near} == {None, "up"}
        [stall] = kept.stalls
        low_ns, high_ns = near[0].sent_unix_ns, near[-1].sent_unix_ns
        assert low_ns == pytest.approx(stall.started_unix_ns - S // 2, abs=0.05 * S)
        assert high_ns == pytest.approx(stall.started_unix_ns + stall.seconds * S + S // 2, abs=0.05 * S)
        every = [packet.sequence for one in kept.sampled for packet in one.packets]
        assert every == list(range(sum(span.sent for span in kept.spans)))

    async def test_asked_during_a_silence_the_endpoint_tells_the_direction(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Control still works while no reply comes back: its counts place what would have no direction."""
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(0.5)
            line.fate = lambda direction, sequence: 0 if direction is Direction.DOWN else 1
            await kept.until(lambda: any(span.received == 0 for span in kept.spans))
            await kept.end()
        silent = [span for span in kept.spans if span.received == 0]
        assert silent[0].lost_down > 0
        assert sum(span.lost_up for span in silent) == 0
        assert [stall.direction for stall in kept.stalls] == [Direction.DOWN]

    async def test_an_endpoint_that_restarts(self, tmp_path: Path) -> None:
        """A new session, a gap for the time in which nobody could tell, and spans that do not count."""
        port = free_ports()[0]
        invitation = await asyncio.to_thread(keys.invite, tmp_path, address=f"127.0.0.1:{port}")
        listen = f"127.0.0.1:{port}"
        async with service.opened(tmp_path, listen=listen, clock=Clock()):
            kept = Kept(reach(invitation, port=port))
            await asyncio.sleep(0.5)
        async with service.opened(tmp_path, listen=listen, clock=Clock()):
            await kept.until(lambda: any(isinstance(record, Gap) for record in kept.records))
            again = time.time_ns()
            await kept.until(lambda: any(span.started_unix_ns > again for span in kept.spans))
            await kept.end()
        [gap] = [record for record in kept.records if isinstance(record, Gap)]
        assert "restarted" in gap.why
        assert gap.ended_unix_ns <= again
        during = [span for span in kept.spans if "endpoint_restarted" in span.reasons]
        assert during
        assert all(span.standing is Standing.EXCLUDED for span in during)
        assert (kept.spans[-1].reasons, kept.spans[-1].lost) == ((), 0)
        assert kept.stalls == []

    @pytest.mark.parametrize("silent", [False, True])
    async def test_an_endpoint_that_is_away_for_several_spans(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, silent: bool
    ) -> None:
        """A host that starts again takes longer than a minute and its replies' time. None of it counts as
        loss, whether the host refuses connections meanwhile or does not answer at all."""
        for name, value in {"ASK_AFTER_S": 0.3, "ASK_EVERY_S": 0.3, "WAITING_S": (0.2, 10.0)}.items():
            monkeypatch.setattr(train, name, value)
        port, counts, there = free_ports()[0], TrainSession.counts, asyncio.Event()

        async def unheard(self: TrainSession) -> wire.TrainCounts | Failed:
            if there.is_set() or not silent:
                return await counts(self)
            return Failed(what="run train", why="it did not answer in time", whose=Owner.UNKNOWN)

        monkeypatch.setattr(TrainSession, "counts", unheard)
        invitation = await asyncio.to_thread(keys.invite, tmp_path, address=f"127.0.0.1:{port}")
        listen = f"127.0.0.1:{port}"
        async with service.opened(tmp_path, listen=listen, clock=Clock()):
            kept = Kept(reach(invitation, port=port))
            await asyncio.sleep(0.5)
        await asyncio.sleep(3)
        async with service.opened(tmp_path, listen=listen, clock=Clock()):
            there.set()
            await kept.until(lambda: bool(kept.spans) and kept.spans[-1].sent == kept.spans[-1].received)
            await kept.end()
        silence = [span for span in kept.spans if span.received == 0]
        assert len(silence) >= 2
        assert {span.reasons for span in kept.spans if span.lost} == {("endpoint_restarted",)}

    async def test_a_resolver_that_fails_ends_no_train(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Not even where the line is silent as well, so that the endpoint's name is looked up anew."""
        monkeypatch.setattr(train, "ASK_AFTER_S", 0.3)

        def gone(*_: object, **__: object) -> None:
            raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(0.5)
            monkeypatch.setattr(socket, "getaddrinfo", gone)
            line.fate = lambda direction, sequence: 0
            await asyncio.sleep(1.5)
            line.fate = lambda direction, sequence: 1
            mended_ns = time.time_ns()
            await asyncio.sleep(1)
            assert not kept.task.done()
            await kept.end()
        assert sum(span.received for span in kept.spans if span.started_unix_ns > mended_ns) > 0

    async def test_a_silence_is_said_while_it_lasts(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Half a second stands for the ten; the judge makes one outage of the words, as long as the cut."""
        for module in (train, outages):
            monkeypatch.setattr(module, "OUTAGE_NS", S // 2)
        async with far_end(tmp_path) as far, bent(far, monkeypatch) as line:
            kept = Kept(far.reaches["a"])
            path = outages.Path(heard_ns=time.monotonic_ns())
            await asyncio.sleep(0.7)
            cut_ns = time.monotonic_ns()
            line.fate = lambda direction, sequence: 0
            await kept.until(lambda: bool(kept.words) and silent_ns(kept.words[-1]) > S)
            mended_ns = time.monotonic_ns()
            line.fate = lambda direction, sequence: 1
            await kept.until(lambda: silent_ns(kept.words[-1]) < S // 4)
            await kept.end()
        changes = [
            change for word in kept.words for change in path.word(word, now_ns=word.heard_ns or path.heard_ns)
        ]
        silent, back = changes
        assert isinstance(silent, outages.Silent)
        assert isinstance(back, outages.Back)
        assert silent.since_ns == pytest.approx(cut_ns, abs=S // 5)
        assert back.at_ns == pytest.approx(mended_ns, abs=S // 5)

    async def test_an_endpoint_that_is_gone_is_said_while_it_is(self, tmp_path: Path) -> None:
        """Its host answers that nothing listens there: so the line carries packets."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"])
            await kept.until(lambda: bool(kept.spans))
        assert not any(word.why for word in kept.words)
        await kept.until(lambda: bool(kept.words[-1].why))
        await kept.end()
        assert kept.words[-1].whose is Owner.ENDPOINT
        assert "nothing listens" in kept.words[-1].why

    async def test_an_endpoint_that_only_forgot(self, tmp_path: Path) -> None:
        """The same life of the endpoint: its silence is told as one without direction."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(0.5)
            async with far.control() as control:
                await control.stop()
            await kept.until(lambda: bool(kept.stalls))
            await kept.until(lambda: bool(kept.spans) and kept.spans[-1].lost == 0)
            await kept.end()
        assert [stall.direction for stall in kept.stalls] == [Direction.BOTH]
        assert not any(isinstance(record, Gap) for record in kept.records)
        assert {span.reasons for span in kept.spans} == {()}

    @pytest.mark.parametrize(
        ("because", "whose"), [(errno.EPERM, Owner.HOUSE), (errno.ENETUNREACH, Owner.UNKNOWN)]
    )
    async def test_a_host_that_refuses_every_packet(
        self, tmp_path: Path, fickle: type[Fickle], because: int, whose: Owner
    ) -> None:
        """The train fails, after it has delivered what it has. A route that went, with a carrier or a lease,
        may be the line's doing as well as the house's."""
        async with far_end(tmp_path) as far:
            kept = Kept(far.reaches["a"])
            await asyncio.sleep(0.5)
            fickle.because = because
            fickle.refused = range(fickle.sends, 10_000)
            found = await kept.task
        assert isinstance(found, Failed)
        assert found.whose is whose
        assert os.strerror(because) in found.why
        assert sum(span.lost for span in kept.spans) == 0

    async def test_no_endpoint(self) -> None:
        found = await train.keep(
            TrainPlan(handoff="A", endpoint="north", per_second=20),
            reach(NOBODY, port=free_ports()[0]),
            Clock(),
            lambda record: None,
        )
        assert isinstance(found, Failed)
