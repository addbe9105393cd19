"""The receiving ends of rehearsed streams: one thread each, every frame noted at the moment it is whole.

`PushSink` reads a TCP stream until its sender ends it, `DatagramSink` the parts of frames, which it tells
that it is there; of an ARQ stream it asks for what it lacks. Octets are read and thrown away. Imports no
event loop.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from dataclasses import dataclass, field, replace

from probe.bulk.flows import GIVE_UP_NS, Spending, set_look_up
from probe.bulk.frame_book import FrameBook, Told
from probe.bulk.missing import Missing
from probe.bulk.paced_sink import SIGN_NS
from probe.linux import segments
from probe.wire import arq, paced, rtp
from probe.wire.paced import Word
from probe.wire.push import Frames
from probe.wire.rehearsal_control import StreamReceived, StreamRequest
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.errors import BadPacket

_LOOK_UP_S = 0.01
_BLOCK_BYTES = 256 * 1024
_TAIL_NS = 500 * NS_PER_MS  # without an arrival after the stream's time: nothing is under way any more
_TAIL_MOST_NS = 5 * NS_PER_S
_BUFFER_BYTES = 4 << 20  # keyframes of all destinations come at once
_UNFINISHED_MOST = 4096  # frames of which parts are there; older ones will never be whole
_DATAGRAM_BYTES = 2048
_ASK_NS = 5 * NS_PER_MS  # between two looks at what is missing


@dataclass(slots=True, kw_only=True)
class _Sink:
    """What both kinds share. `why` is None for a stream that ran its time."""

    sock: socket.socket
    key: bytes
    asked: StreamRequest
    seconds: float
    halt: threading.Event
    spending: Spending
    clock: Clock
    ended_ns: int | None = None
    why: str | None = None
    book: FrameBook = field(init=False)
    received_bytes: int = field(default=0, init=False)
    first_ns: int | None = field(default=None, init=False)
    heard_ns: int = field(default=0, init=False)
    _told: Told | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self.book = FrameBook(
            frames_per_second=self.asked.frames_per_second,
            group=self.asked.group,
            frames=max(1, round(self.seconds * self.asked.frames_per_second)),
            late_s=self.asked.buffer_s,
            in_time=self.asked.transport == "arq",
        )

    def run(self) -> None:
        """Receive until the stream has ended, its sender stays silent, the cap is reached, or a halt."""
        self.heard_ns = self.clock.monotonic_ns()
        self.sock.setblocking(True)
        set_look_up(self.sock, _LOOK_UP_S)
        self.why = self.receive()
        self.look()
        self._told = self.book.told()  # in this thread and once: an hour of frames takes half a second
        self.sock.close()
        self.ended_ns = self.clock.monotonic_ns()

    def receive(self) -> str | None:
        raise NotImplementedError

    def look(self) -> None:
        """Read what the socket knows, before it closes."""

    def report(self) -> StreamReceived:
        """What arrived so far; lists once it has ended."""
        counts = StreamReceived(
            ip_version=6 if self.sock.family == socket.AF_INET6 else 4,
            frames=self.book.arrived,
            received_bytes=self.received_bytes,
        )
        if self.ended_ns is None or self._told is None:
            return counts
        told = self._told
        return replace(
            counts,
            late=sum(told.late),
            shown=sum(told.shown),
            arrived_each=told.arrived,
            late_each=told.late,
            shown_each=told.shown,
            worst_ms_each=told.worst_ms,
            delay=told.delay_us.pack(),
        )

    def arrived(self, count: int, at_ns: int) -> bool:
        """Note octets; False once the cap is reached."""
        self.heard_ns = at_ns
        if self.first_ns is None:
            self.first_ns = at_ns
        self.received_bytes += count
        return self.spending.take(count)

    def silent(self, at_ns: int) -> bool:
        return at_ns - self.heard_ns >= GIVE_UP_NS

    def after_its_time(self, at_ns: int) -> int | None:
        """How long ago the last frame was due, None before that."""
        if self.first_ns is None:
            return None
        after_ns = at_ns - self.first_ns - round(self.seconds * NS_PER_S)
        return after_ns if after_ns >= 0 else None


@dataclass(slots=True, kw_only=True)
class PushSink(_Sink):
    """Receives a pushed stream, which its sender ends."""

    def receive(self) -> str | None:
        buffer, frames = bytearray(_BLOCK_BYTES), Frames()
        view = memoryview(buffer)
        while not self.halt.is_set():
            count = -1
            try:
                count = self.sock.recv_into(buffer)
            except BlockingIOError:
                pass  # nothing within the time that it may sleep
            except OSError as error:
                return f"the sender broke the stream off: {error.strerror}"
            at_ns = self.clock.monotonic_ns()
            if count == 0:
                return None if self.after_its_time(at_ns + NS_PER_S) is not None else "the sender ended early"
            if count > 0:
                try:
                    for frame in frames.feed(view[:count]):
                        self.book.note(frame, at_ns=at_ns)
                except BadPacket as error:
                    return f"the stream could not be read: {error}"
                if not self.arrived(count, at_ns):
                    return "the run reached its byte cap"
            if self.silent(at_ns):
                return "the sender fell silent"
        return "halted"


@dataclass(slots=True, kw_only=True)
class DatagramSink(_Sink):
    """Receives the parts of frames, and of an ARQ stream asks for those it lacks."""

    repeats: bool = field(init=False)
    missing: Missing = field(init=False)
    _parts: dict[int, set[int]] = field(default_factory=dict, init=False)
    _counts: dict[int, int] = field(default_factory=dict, init=False)
    _repeated: int = field(default=0, init=False)
    _signed: int = field(default=0, init=False)
    _signed_ns: int = field(default=0, init=False)
    _asked_ns: int = field(default=0, init=False)
    _dropped: int = field(default=0, init=False)
    _wraps: int = field(default=0, init=False)
    _last16: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        _Sink.__post_init__(self)
        self.repeats = self.asked.transport == "arq"
        self.missing = Missing(latency_ns=round(self.asked.buffer_s * NS_PER_S))
        segments.ask_buffer(self.sock, _BUFFER_BYTES, receive=True)

    def report(self) -> StreamReceived:
        return replace(
            _Sink.report(self),
            packets=self.missing.received,
            repeats=self._repeated,
            duplicated=self.missing.duplicated,
            dropped_socket=self._dropped,
        )

    def look(self) -> None:
        self._dropped = segments.dropped_here(self.sock)

    def receive(self) -> str | None:
        tag = paced.tag_of(self.key)
        while not self.halt.is_set():
            data = b""
            try:
                data = self.sock.recv(_DATAGRAM_BYTES)
            except BlockingIOError:
                pass  # nothing within the time that it may sleep
            except OSError as error:
                if error.errno not in segments.PASSING:
                    return f"receiving failed: {error.strerror}"
            at_ns = self.clock.monotonic_ns()
            if len(data) == paced.CONTROL_BYTES and self._answered(data):
                self.heard_ns = at_ns
            elif data:
                with_room = True
                with contextlib.suppress(BadPacket):
                    self._take(tag, data, at_ns)
                    with_room = self.arrived(len(data), at_ns)
                if not with_room:
                    return "the run reached its byte cap"
            self._tell(at_ns)
            if self._over(at_ns):
                return None
            if self.silent(at_ns):
                return None if self.after_its_time(at_ns) is not None else "the sender fell silent"
        return "halted"

    def _take(self, tag: bytes, data: bytes, at_ns: int) -> None:
        """Note a part, and its frame where it is whole with it. Raises BadPacket."""
        if self.repeats:
            part = arq.unpack(tag, data)
            if not self.missing.note(part.sequence, at_ns=at_ns):
                return
            self._repeated += part.repeat
            frame, place, count = part.frame, part.place, part.parts
        else:
            packet = rtp.unpack(self.key, tag, data)
            if not self.missing.note(self._extended(packet.sequence), at_ns=at_ns):
                return
            frame, place, count = packet.frame, packet.place, packet.place + 1 if packet.last else 0
        if self.book.settled(frame):
            return
        there = self._parts.setdefault(frame, set())
        there.add(place)
        if count:
            self._counts[frame] = count
        if len(there) == self._counts.get(frame):
            self.book.note(frame, at_ns=at_ns)
            del self._parts[frame], self._counts[frame]
        while len(self._parts) > _UNFINISHED_MOST:
            oldest = next(iter(self._parts))
            del self._parts[oldest]
            self._counts.pop(oldest, None)

    def _extended(self, sequence: int) -> int:
        """A sequence number of 16 bits as one that goes on (RFC 3550 appendix A.1, without its probation)."""
        step = (sequence - self._last16) & 0xFFFF
        if step < 0x8000:
            if sequence < self._last16:
                self._wraps += 1
            self._last16 = sequence
            return self._wraps << 16 | sequence
        wraps = self._wraps - (1 if sequence > self._last16 else 0)
        return wraps << 16 | sequence

    def _answered(self, data: bytes) -> bool:
        """Answer a PROOF that is repeated as its answer was lost; whether it was one."""
        with contextlib.suppress(BadPacket, OSError):
            said = paced.unpack(self.key, data)
            if said.word is Word.PROOF:
                self.sock.send(paced.ready(self.key, said), socket.MSG_DONTWAIT)
                return True
        return False

    def _tell(self, at_ns: int) -> None:
        """Say that we are here, and what we lack; a full queue or no network loses it, and the next one
        comes."""
        if at_ns - self._signed_ns >= SIGN_NS:
            self._signed_ns = at_ns
            self.look()
            with contextlib.suppress(OSError):
                self.sock.send(paced.alive(self.key, self._signed), socket.MSG_DONTWAIT)
            self._signed += 1
        if at_ns - self._asked_ns < _ASK_NS:
            return
        self._asked_ns = at_ns
        if not self.repeats:
            self.missing.forget(at_ns)
        elif wanted := self.missing.due(at_ns):
            with contextlib.suppress(OSError):
                self.sock.send(arq.ask(self.key, wanted), socket.MSG_DONTWAIT)

    def _over(self, at_ns: int) -> bool:
        """Whether the stream's time has passed and nothing is under way any more."""
        after_ns = self.after_its_time(at_ns)
        if after_ns is None:
            return False
        rest_ns = round(self.asked.buffer_s * NS_PER_S) if self.repeats else 0
        quiet_ns = min(after_ns, at_ns - self.heard_ns)
        return quiet_ns >= _TAIL_NS + rest_ns or after_ns >= _TAIL_MOST_NS + rest_ns
