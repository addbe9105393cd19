"""The sending end of a paced or capacity run: one thread, a connected UDP socket, a rate that is kept.

The rate is fixed, or in a capacity run moves with what the receiver says (`probe.bulk.steering`). Sends
nothing while it does not hear from its receiver, and ends when that lasts. What its own queue or its network
refuses is not sent later: a rate that is made up for would exceed its cap. Imports no event loop.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import threading
import time
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

from probe.bulk.flows import GIVE_UP_NS, PAUSE_NS, Spending, thread_cpu_s
from probe.bulk.pacer import Pacer, packet_bytes, segments_for
from probe.bulk.steering import FEEDBACK_TIMEOUT_NS, Steering
from probe.linux import segments
from probe.load_rate import rate_bps, row_at_most
from probe.wire import paced
from probe.wire.paced import Word
from probe.wire.paced_control import PacedSearch, PacedSent
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.errors import BadPacket

_LISTEN_NS = 20 * NS_PER_MS  # between two looks at what the receiver says
_LISTEN_SEARCH_NS = 5 * NS_PER_MS  # and where the rate follows from it
_BIN_NS = 100 * NS_PER_MS  # what was sent is marked at the end of each, in a search
_NAP_NS = 20 * NS_PER_MS  # the longest sleep, so that a halt is heard
_BLOCK_BYTES = (
    256 * 1024
)  # random octets in turn: more than a compressing device looks back (RFC 1951: 32 KiB)
_BUFFER_NS = 20 * NS_PER_MS  # of the rate may wait in this host's queues
_BUFFER_BYTES_MIN = 256 * 1024
_BURST_BUFFER_BYTES = 512 * 1024  # less than a device's queue of 1000 packets, so that none is dropped there
_BURST_LARGE, _BURST_SEGMENTS = 400, 4  # from so many packets on, so many a call: at most 1 % of the burst


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """What a run sends, and how both ends know it: `offered_bps` at the IP layer, the most of one that
    `searches`.

    With `burst_packets` it sends these as fast as its line takes them, no faster than `offered_bps`.
    """

    key: bytes
    offered_bps: int
    payload_bytes: int
    seconds: float
    searches: bool = False
    burst_packets: int | None = None


@dataclass(slots=True, kw_only=True)
class PacedSource:
    """Sends one run. It begins with `begin`, or with the receiver's first sign of life when `after_alive`.

    `why` is None for a run that ran its time.
    """

    sock: socket.socket
    stream: Stream
    halt: threading.Event
    spending: Spending
    clock: Clock
    after_alive: bool
    started_ns: int | None = None
    ended_ns: int | None = None
    why: str | None = None
    _heard_ns: int = field(default=0, init=False)
    _heard_number: int = field(default=-1, init=False)
    _listened_ns: int = field(default=0, init=False)
    _paused_ns: int = field(default=0, init=False)
    _packets: int = field(default=0, init=False)
    _refused: int = field(default=0, init=False)
    _segments: int = field(default=1, init=False)
    _segments_most: int = field(default=1, init=False)
    _cut: bool = field(default=False, init=False)  # whether the kernel has cut a buffer into packets yet
    _trains: dict[int, _Trains] = field(default_factory=dict, init=False)
    _steering: Steering | None = field(default=None, init=False)
    _rate_bps: int = field(default=0, init=False)
    _packets_at: list[int] = field(default_factory=list, init=False)
    _unsent_at: list[int] = field(default_factory=list, init=False)
    _pacer: Pacer | None = field(default=None, init=False)
    _cpu_s: float = field(default=0.0, init=False)
    _cpu_before_s: float = field(default=0.0, init=False)

    def run(self) -> None:
        """Send until the time is over, the receiver stays silent, the cap is reached, or a halt."""
        self._cpu_before_s = thread_cpu_s()
        self._heard_ns = self.clock.monotonic_ns()
        if self.after_alive and not self._await_alive():
            self.why = "halted" if self.halt.is_set() else "the receiver never asked for payload"
        else:
            segments.come_first()
            self.why = self._send() if self.stream.burst_packets is None else self._send_at_once()
        self.sock.close()
        self.ended_ns = self.clock.monotonic_ns()

    def report(self) -> PacedSent | None:
        """How far it is; None before the first packet."""
        if self.started_ns is None or self._pacer is None:
            return None
        elapsed_ns = min(
            (self.ended_ns or self.clock.monotonic_ns()) - self.started_ns,
            round(self.stream.seconds * NS_PER_S),
        )
        return PacedSent(
            ip_version=self._ip_version,
            packets=self._packets,
            elapsed_us=max(1, elapsed_ns // NS_PER_US),
            burst_us=-(-self._pacer.burst_ns // NS_PER_US),
            segments=self._segments,
            forgone=self._pacer.forgone,
            refused=self._refused,
            paused_us=self._paused_ns // NS_PER_US,
            cpu_ratio=round(min(1.0, self._cpu_s * NS_PER_S / max(1, elapsed_ns)), 4),
            search=self._search_report(self._steering, self._pacer) if self._steering else None,
        )

    def _search_report(self, steering: Steering, pacer: Pacer) -> PacedSearch:
        over = self.ended_ns is not None
        return PacedSearch(
            congested=steering.congested,
            top_bps=steering.top_bps,
            burst_bytes=pacer.burst_bytes,
            steps=tuple(steering.steps) if over else (),
            packets_at=tuple(self._packets_at) if over else (),
            unsent_at=tuple(self._unsent_at) if over else (),
        )

    @property
    def _ip_version(self) -> int:
        return 6 if self.sock.family == socket.AF_INET6 else 4

    def _await_alive(self) -> bool:
        while not self.halt.is_set() and self.clock.monotonic_ns() - self._heard_ns < GIVE_UP_NS:
            self._listen(self.clock.monotonic_ns())
            if self._heard_number >= 0:
                return True
            time.sleep(_NAP_NS / NS_PER_S)
        return False

    def _send(self) -> str | None:
        stream, now_ns = self.stream, self.clock.monotonic_ns
        self._prepare()
        self._fill()  # which takes some milliseconds that are none of the run's
        start_ns = self.started_ns = self._heard_ns = self._listened_ns = now_ns()
        end_ns = start_ns + round(stream.seconds * NS_PER_S)
        pacer = self._begin(start_ns)
        listen_ns = _LISTEN_SEARCH_NS if stream.searches else _LISTEN_NS
        while not self.halt.is_set():
            at_ns = now_ns()
            if at_ns - self._listened_ns >= listen_ns:
                if not self._still_heard(at_ns):
                    return "the receiver fell silent"
                self._follow(pacer, at_ns)
            wait_ns = pacer.wait_ns(at_ns)
            if wait_ns > 0:
                time.sleep(min(wait_ns, listen_ns) / NS_PER_S)
                at_ns = now_ns()
                if pacer.wait_ns(at_ns) > 0:
                    continue
            if at_ns >= end_ns:
                self._mark(pacer, end_ns)
                return None
            pacer.take(at_ns)
            try:
                train = self._trains[self._segments]
                self.sock.send(train.next(self._packets, (at_ns - start_ns) // NS_PER_US))
            except BlockingIOError:
                self._refused += self._segments
                continue
            except OSError as error:
                if error.errno in segments.PASSING:
                    self._refused += self._segments
                    continue
                if self._segments > 1 and not self._cut:  # a device that cannot have it cut (EIO)
                    self._one_by_one(pacer, at_ns)
                    continue
                return _refusal(error, stream)
            self._cut = self._cut or self._segments > 1
            self._packets += self._segments
            pacer.sent(now_ns())
            if not self.spending.take(self._segments * stream.payload_bytes):
                return "the run reached its byte cap"
        return "halted"

    def _send_at_once(self) -> str | None:
        """A burst. What its queue refuses waits until there is room, so all of it is sent."""
        stream, now_ns, count = self.stream, self.clock.monotonic_ns, self.stream.burst_packets or 0
        self._prepare()
        trains = _Trains(stream, self._segments)
        start_ns = self.started_ns = due_ns = self._heard_ns = self._listened_ns = now_ns()
        pacer = self._pacer = Pacer(
            offered_bps=stream.offered_bps,
            packet_bytes=packet_bytes(stream.payload_bytes, self._ip_version),
            segments=self._segments,
            start_ns=start_ns,
        )
        while self._packets < count:
            at_ns = now_ns()
            if self.halt.is_set():
                return "halted"
            if at_ns - self._listened_ns >= _LISTEN_NS:
                self._listen(at_ns)
            if at_ns - self._heard_ns >= PAUSE_NS:
                return "the receiver fell silent"
            if at_ns < due_ns:
                continue  # some microseconds
            try:
                self.sock.send(trains.next(self._packets, (at_ns - start_ns) // NS_PER_US))
            except BlockingIOError:
                select.select((), (self.sock,), (), _NAP_NS / NS_PER_S)
                continue
            except OSError as error:
                return _refusal(error, stream)
            self._packets += self._segments
            due_ns = at_ns + round(pacer.train_ns)
            if not self.spending.take(self._segments * stream.payload_bytes):
                return "the run reached its byte cap"
        return None

    def _prepare(self) -> None:
        stream, sock = self.stream, self.sock
        sock.setblocking(False)
        segments.never_fragment(sock)
        if stream.burst_packets is not None:
            segments.ask_buffer(sock, _BURST_BUFFER_BYTES, receive=False)
            if stream.burst_packets >= _BURST_LARGE and not stream.burst_packets % _BURST_SEGMENTS:
                cut = segments.send_segments(sock, stream.payload_bytes)
                self._segments = _BURST_SEGMENTS if cut else 1
            return
        wanted_bytes = stream.offered_bps * _BUFFER_NS // (8 * NS_PER_S)
        segments.ask_buffer(sock, max(wanted_bytes, _BUFFER_BYTES_MIN), receive=False)
        most = min(segments.SEGMENTS_MAX, segments.SEND_BYTES_MAX // stream.payload_bytes)
        several = self._segments_at(stream.offered_bps, most) > 1
        if several and segments.send_segments(sock, stream.payload_bytes):
            self._segments_most = most

    def _fill(self) -> None:
        """The packets of the rate, and in a search of every rate that it may come to."""
        stream = self.stream
        counts = {self._segments_at(stream.offered_bps)}
        if stream.searches:
            rows = range(row_at_most(stream.offered_bps) + 1)
            counts = {self._segments_at(rate_bps(row)) for row in rows}
        self._trains = {count: _Trains(stream, count) for count in counts | {1}}

    def _begin(self, start_ns: int) -> Pacer:
        """The first rate's pacer, and in a search what steers it."""
        stream = self.stream
        self._rate_bps = stream.offered_bps
        if stream.searches:
            self._steering = Steering(most_bps=stream.offered_bps, start_ns=start_ns)
            self._rate_bps = self._steering.rate_bps
        self._segments = self._segments_at(self._rate_bps)
        self._pacer = Pacer(
            offered_bps=self._rate_bps,
            packet_bytes=packet_bytes(stream.payload_bytes, self._ip_version),
            segments=self._segments,
            start_ns=start_ns,
        )
        return self._pacer

    def _segments_at(self, bps: int, most: int | None = None) -> int:
        return segments_for(
            bps,
            payload_bytes=self.stream.payload_bytes,
            ip_version=self._ip_version,
            most=most or self._segments_most,
        )

    def _follow(self, pacer: Pacer, at_ns: int) -> None:
        """Send on at the rate that the search has come to."""
        if self._steering is None:
            return
        self._steering.look(at_ns)
        self._mark(pacer, at_ns)
        if self._steering.rate_bps != self._rate_bps:
            self._rate_bps = self._steering.rate_bps
            self._segments = self._segments_at(self._rate_bps)
            pacer.change(at_ns, offered_bps=self._rate_bps, segments=self._segments)

    def _mark(self, pacer: Pacer, at_ns: int) -> None:
        """Note how much was sent by the end of every 100 ms that are over."""
        if self._steering is not None and self.started_ns is not None:
            over = (at_ns - self.started_ns) // _BIN_NS - len(self._packets_at)
            self._packets_at += [self._packets] * over
            self._unsent_at += [pacer.forgone + self._refused] * over

    def _one_by_one(self, pacer: Pacer, at_ns: int) -> None:
        self._segments = self._segments_most = 1
        segments.send_segments(self.sock, 0)
        pacer.change(at_ns, offered_bps=self._rate_bps, segments=1)

    def _still_heard(self, at_ns: int) -> bool:
        """Whether to go on; waits here, sending nothing, while the receiver is not heard."""
        self._listen(at_ns)
        pause_ns = PAUSE_NS if self._steering is None else FEEDBACK_TIMEOUT_NS
        while at_ns - self._heard_ns >= pause_ns and not self.halt.is_set():
            if at_ns - self._heard_ns >= GIVE_UP_NS:
                return False
            time.sleep(_NAP_NS / NS_PER_S)
            before_ns, at_ns = at_ns, self.clock.monotonic_ns()
            self._paused_ns += at_ns - before_ns
            self._listen(at_ns)
            if self._pacer is not None:
                self._pacer.resume(at_ns)
        self._cpu_s = thread_cpu_s() - self._cpu_before_s
        return True

    def _listen(self, at_ns: int) -> None:
        """Read what the receiver says; only a sign of life that is newer than the last one counts."""
        self._listened_ns = at_ns
        with contextlib.suppress(OSError):  # nothing said, or an error that sending meets as well
            while True:
                data = self.sock.recv(2048, socket.MSG_DONTWAIT)
                with contextlib.suppress(BadPacket):
                    said = paced.unpack(self.stream.key, data)
                    if said.word in (Word.ALIVE, Word.STATUS) and said.number > self._heard_number:
                        self._heard_number, self._heard_ns = said.number, at_ns
                        if said.word is Word.STATUS and self._steering is not None:
                            self._steering.heard(said.status, at_ns)
                    elif said.word is Word.PROOF:
                        self.sock.send(paced.ready(self.stream.key, said))


class _Trains:
    """Buffers of packets with random payload, in which the heads are written anew each time.

    The numbers of a head are written as words where packets begin on a word, and in halves elsewhere.
    """

    def __init__(self, stream: Stream, count: int) -> None:
        self._count = count
        size = count * stream.payload_bytes
        unit = 2 if stream.payload_bytes % 4 else 4
        step, parts = stream.payload_bytes // unit, 4 // unit
        tags = array("I", [int.from_bytes(paced.tag_of(stream.key))] * count)
        self._buffers = []
        for _ in range(max(1, min(256, _BLOCK_BYTES // size))):
            buffer = bytearray(os.urandom(size))
            words = memoryview(buffer).cast("H" if unit == 2 else "I")
            tag, numbers, moments = (
                [words[field * parts + part :: step] for part in range(parts)] for field in range(3)
            )
            _write(tag, array("I", tags))
            self._buffers.append((buffer, numbers, moments))
        self._place = 0

    def next(self, first: int, sent_us: int) -> bytearray:
        """The next train, its packets numbered from `first`."""
        self._place = (self._place + 1) % len(self._buffers)
        buffer, numbers, moments = self._buffers[self._place]
        _write(numbers, array("I", range(first, first + self._count)))
        _write(moments, array("I", [sent_us]) * self._count)
        return buffer


def _write(places: Sequence[memoryview], numbers: array[int]) -> None:
    """One number for each packet, in network order: where its word stands, or the halves of it."""
    if _SWAP:
        numbers.byteswap()
    found = memoryview(numbers)
    if len(places) == 1:
        places[0][:] = found
        return
    halves = found.cast("B").cast("H")
    for nth, place in enumerate(places):
        place[:] = halves[nth::2]


_SWAP = array("H", [1]).tobytes()[0] == 1


def _refusal(error: OSError, stream: Stream) -> str:
    if error.errno in (errno.EMSGSIZE, errno.EINVAL):
        return (
            f"packets of {stream.payload_bytes} bytes of payload do not fit the way there; "
            "choose a smaller payload"
        )
    return f"sending failed: {error.strerror}"
