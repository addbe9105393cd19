"""The sending ends of rehearsed streams: an encoder's frames, its send buffer, and what its transport makes
of them.

One thread a stream, all of them from one moment on, so that keyframes leave together. A frame leaves as fast
as this host gives it out: what is slow on the way is to be seen. It stands in the send buffer until TCP's far
end has acknowledged it, or the kernel has taken its last datagram. A datagram stream sends nothing while its
receiver is not heard; those of its frames are lost, as they were on a line that is down. Imports no event
loop.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections import deque
from dataclasses import dataclass, field, replace

from probe.bulk.encoder import Fate, Pattern, SendBuffer
from probe.bulk.flows import GIVE_UP_NS, PAUSE_NS, Spending
from probe.linux import out_queue, segments
from probe.wire import arq, paced, push, rtp
from probe.wire.paced import Word
from probe.wire.rehearsal_control import StreamSent
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.errors import BadPacket

_NAP_S = 0.02  # the longest sleep, so that a halt is heard
_NOISE_BYTES = 1 << 20  # random octets in turn: more than a compressing device looks back (RFC 1951: 32 KiB)
_TAIL_NS = 3 * NS_PER_S  # after the last frame, over the buffer, for what is still under way
_BEHIND_NS = 50 * NS_PER_MS  # a frame made so much too late is this host's doing
_REPEAT_NS = 100 * NS_PER_MS  # of the ceiling's rate may leave in one go
_REPEAT_BYTES_MIN = 6_000
_AROUND_BYTES = arq.HEAD_BYTES + 28  # of a part: its head, UDP and IPv4
_JUST_NS = 30 * NS_PER_MS  # a part that was repeated just now is asked for by a question that crossed it
_OVER_ROOM = 1.1  # so that a moment's delay does not give up what was begun
_UNDER_WAY_NS = 10 * NS_PER_MS  # what sending a repeat takes of the time that is left for it
_BUFFER_BYTES = 4 << 20
_SOURCE_BYTES = 2048

# What the transport adds to picture and sound, by the sums of `store.demand`: framing and TLS; MPEG transport
# packets with stuffing and tables; control and padding. Headers of packets come by themselves.
_GROWN = {"tcp": 1.004, "arq": 188 / 184 * 1.02, "rtp": 1.02}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """A destination as its sender needs it: `window_s` of send buffer, or of ARQ latency."""

    transport: str
    key: bytes
    video_bps: int
    audio_bps: int
    frames_per_second: float
    group: int
    window_s: float
    repeat_bps: int  # what ARQ may repeat, at the IP layer

    @property
    def pattern(self) -> Pattern:
        return Pattern(
            video_bps=self.video_bps,
            audio_bps=self.audio_bps,
            frames_per_second=self.frames_per_second,
            group=self.group,
        )


@dataclass(slots=True, kw_only=True)
class _Source:
    """What both kinds share: the frames as they are due. `why` is None for a stream that ran its time."""

    sock: socket.socket
    stream: Stream
    seconds: float
    halt: threading.Event
    spending: Spending
    clock: Clock
    start_ns: int = 0
    ended_ns: int | None = None
    why: str | None = None
    noise: bytes = field(default=b"", init=False)
    repeats: int = field(default=0, init=False)
    refused: int = field(default=0, init=False)
    paused_ns: int = field(default=0, init=False)
    _sent_bytes: int = field(default=0, init=False)
    _packets: int = field(default=0, init=False)
    _capped: bool = field(default=False, init=False)
    _high_ms: int = field(default=0, init=False)
    _high_bytes: int = field(default=0, init=False)
    _behind: int = field(default=0, init=False)
    _frame: int = field(default=0, init=False)
    _each: dict[Fate, list[int]] = field(default_factory=dict, init=False)
    _high_each: list[int] = field(default_factory=list, init=False)

    def run(self) -> None:
        """Send until the time is over, the receiver stays silent, the cap is reached, or a halt."""
        self.noise = os.urandom(_NOISE_BYTES)
        self.sock.setblocking(False)
        self.prepare()
        segments.come_first()
        self.why = self._send()
        with contextlib.suppress(OSError):
            self.finish()
        self.sock.close()
        self.ended_ns = self.clock.monotonic_ns()

    def report(self) -> StreamSent:
        """What became of the frames so far; lists once it has ended."""
        sent, dropped, waited = (sum(self._each.get(fate, ())) for fate in Fate)
        told = StreamSent(
            ip_version=6 if self.sock.family == socket.AF_INET6 else 4,
            frames=self._frame,
            sent=sent,
            dropped=dropped,
            waited=waited,
            high_ms=self._high_ms,
            high_bytes=self._high_bytes,
            behind=self._behind,
            sent_bytes=self._sent_bytes,
            packets=self._packets,
            repeats=self.repeats,
            refused=self.refused,
            paused_ms=self.paused_ns // NS_PER_MS,
        )
        if self.ended_ns is None or not self._each:
            return told
        return replace(
            told,
            sent_each=tuple(self._each[Fate.SENT]),
            dropped_each=tuple(self._each[Fate.DROPPED]),
            waited_each=tuple(self._each[Fate.WAITED]),
            high_ms_each=tuple(self._high_each),
        )

    def prepare(self) -> None:
        raise NotImplementedError

    def held(self) -> tuple[int, int]:
        """Frames and octets in the send buffer."""
        raise NotImplementedError

    def take(self, frame: int, body_bytes: int, at_ns: int) -> None:
        """A frame that the buffer took, which grew to `body_bytes`."""
        raise NotImplementedError

    def serve(self, at_ns: int) -> str | None:
        """Give the kernel what it takes, hear what came; why it must end, None to go on."""
        raise NotImplementedError

    def pending(self) -> bool:
        """Whether something waits for room in the kernel."""
        raise NotImplementedError

    def done(self, at_ns: int, last_ns: int) -> bool:
        """Whether nothing is left to do after the last frame, which was due at `last_ns`."""
        raise NotImplementedError

    def finish(self) -> None:
        """Let go of the far end in good order, where the transport has one."""

    def _send(self) -> str | None:
        pattern = self.stream.pattern
        frames = pattern.frames_in(self.seconds)
        buffer = SendBuffer(pattern, window_s=self.stream.window_s)
        length = int((frames - 1) / pattern.frames_per_second + 1e-9) + 1
        self._each = {fate: [0] * length for fate in Fate}
        self._high_each = [0] * length
        last_ns = self.start_ns + pattern.due_ns(frames - 1)
        while not self.halt.is_set():
            at_ns = self.clock.monotonic_ns()
            why = self.serve(at_ns)
            if why is not None:
                return why
            while self._frame < frames and self.start_ns + pattern.due_ns(self._frame) <= at_ns:
                self._make(pattern, buffer, at_ns)
            if self._frame >= frames and self.done(at_ns, last_ns):
                return None
            due_ns = self.start_ns + pattern.due_ns(self._frame) if self._frame < frames else at_ns + NS_PER_S
            left_s = (due_ns - self.clock.monotonic_ns()) / NS_PER_S
            writing = [self.sock] if self.pending() else []
            select.select([self.sock], writing, [], max(0.0, min(left_s, _NAP_S)))
            if self._capped:
                return "the run reached its byte cap"
        return "halted"

    def _make(self, pattern: Pattern, buffer: SendBuffer, at_ns: int) -> None:
        """The next frame, which is due."""
        frame, self._frame = self._frame, self._frame + 1
        second = int(frame / pattern.frames_per_second + 1e-9)
        held, _ = self.held()
        fate = buffer.offer(frame, held=held)
        self._each[fate][second] += 1
        self._behind += at_ns - self.start_ns - pattern.due_ns(frame) > _BEHIND_NS
        if fate is Fate.SENT:
            self.take(frame, max(1, round(pattern.size_bytes(frame) * _GROWN[self.stream.transport])), at_ns)
        held, held_bytes = self.held()
        held_ms = buffer.held_ms(held)
        self._high_each[second] = max(self._high_each[second], held_ms)
        self._high_ms = max(self._high_ms, held_ms)
        self._high_bytes = max(self._high_bytes, held_bytes)

    def count(self, octets: int, *, packets: int = 1, repeats: int = 0) -> None:
        """Note what the kernel took."""
        self._sent_bytes += octets
        self._packets += packets
        self.repeats += repeats
        self._capped = not self.spending.take(octets)


@dataclass(slots=True, kw_only=True)
class PushSource(_Source):
    """Pushes frames over TCP. What its far end has not acknowledged stands in the buffer."""

    _waiting: deque[memoryview] = field(default_factory=deque, init=False)
    _ends: deque[int] = field(default_factory=deque, init=False)  # where each frame in the buffer ends
    _taken_bytes: int = field(default=0, init=False)
    _written_bytes: int = field(default=0, init=False)
    _acked_bytes: int = field(default=0, init=False)
    _acked_ns: int = field(default=0, init=False)

    def prepare(self) -> None:
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._acked_ns = self.clock.monotonic_ns()

    def held(self) -> tuple[int, int]:
        with contextlib.suppress(OSError):
            self._acked_bytes = self._written_bytes - out_queue.unacknowledged_bytes(self.sock)
        while self._ends and self._ends[0] <= self._acked_bytes:
            self._ends.popleft()
        return len(self._ends), self._taken_bytes - self._acked_bytes

    def take(self, frame: int, body_bytes: int, at_ns: int) -> None:
        whole = push.head(frame, body_bytes) + _cut(self.noise, frame, body_bytes)
        self._waiting.append(memoryview(whole))
        self._taken_bytes += len(whole)
        self._ends.append(self._taken_bytes)
        self.serve(at_ns)

    def serve(self, at_ns: int) -> str | None:
        before = self._acked_bytes
        held, _ = self.held()
        if self._acked_bytes != before or not held:
            self._acked_ns = at_ns
        elif at_ns - self._acked_ns >= GIVE_UP_NS:
            return "the receiver fell silent"
        try:
            while self._waiting:
                count = self.sock.send(self._waiting[0])
                self._written_bytes += count
                self.count(count, packets=0)
                if count == len(self._waiting[0]):
                    self._waiting.popleft()
                else:
                    self._waiting[0] = self._waiting[0][count:]
            if not self.sock.recv(64, socket.MSG_DONTWAIT):
                return "the receiver ended the stream before its time"
        except BlockingIOError:
            pass
        except OSError as error:
            return f"the receiver broke the stream off: {error.strerror}"
        return None

    def pending(self) -> bool:
        return bool(self._waiting)

    def done(self, at_ns: int, last_ns: int) -> bool:
        held, _ = self.held()
        return not held or at_ns - last_ns >= _TAIL_NS + round(self.stream.window_s * NS_PER_S)

    def finish(self) -> None:
        """End the stream, and wait a moment until the receiver has too: a reset would lose what it has not
        read."""
        if self.why is not None:
            return
        self.sock.shutdown(socket.SHUT_WR)
        self.sock.settimeout(1.0)
        self.sock.recv(1)


@dataclass(slots=True, kw_only=True)
class DatagramSource(_Source):
    """Sends frames in datagrams; as ARQ it repeats what is asked for, up to its ceiling and within its
    latency."""

    _queue: deque[tuple[int, bytes]] = field(default_factory=deque, init=False)  # frame, datagram
    _queued: deque[int] = field(default_factory=deque, init=False)  # frames with datagrams in the queue
    _queued_bytes: int = field(default=0, init=False)
    _kept: dict[int, tuple[int, arq.Part, bytes]] = field(default_factory=dict, init=False)
    _wanted: dict[int, None] = field(default_factory=dict, init=False)
    _repeated_ns: dict[int, int] = field(default_factory=dict, init=False)
    _allowed_bytes: float = field(default=0.0, init=False)
    _allowed_ns: int = field(default=0, init=False)
    _sequence: int = field(default=0, init=False)
    _heard_ns: int = field(default=0, init=False)
    _heard_number: int = field(default=-1, init=False)
    _looked_ns: int = field(default=0, init=False)
    _tag: bytes = field(default=b"", init=False)

    def prepare(self) -> None:
        self._tag = paced.tag_of(self.stream.key)
        segments.never_fragment(self.sock)
        segments.ask_buffer(self.sock, _BUFFER_BYTES, receive=False)
        self._heard_ns = self._allowed_ns = self._looked_ns = self.clock.monotonic_ns()

    def held(self) -> tuple[int, int]:
        return len(self._queued), self._queued_bytes

    def take(self, frame: int, body_bytes: int, at_ns: int) -> None:
        body = _cut(self.noise, frame, body_bytes)
        step = arq.BODY_BYTES if self.stream.transport == "arq" else rtp.BODY_BYTES
        cuts = [body[at : at + step] for at in range(0, body_bytes, step)]
        for place, cut in enumerate(cuts):
            self._queue_one(frame, place, len(cuts), cut, at_ns)
        self._queued.append(frame)
        self.serve(at_ns)

    def serve(self, at_ns: int) -> str | None:
        self._listen(at_ns)
        elapsed_ns, self._looked_ns = at_ns - self._looked_ns, at_ns
        silent_ns = at_ns - self._heard_ns
        if silent_ns >= GIVE_UP_NS:
            return "the receiver fell silent"
        if silent_ns >= PAUSE_NS:
            self.paused_ns += elapsed_ns
            self._queue.clear()
            self._queued.clear()
            self._queued_bytes = 0
            return None
        return self._give(at_ns) or self._repeat(at_ns)

    def pending(self) -> bool:
        return bool(self._queue)

    def done(self, at_ns: int, last_ns: int) -> bool:
        if self._queue:
            return at_ns - last_ns >= _TAIL_NS
        rest_ns = round(self.stream.window_s * NS_PER_S) if self.stream.transport == "arq" else 0
        return at_ns - last_ns >= rest_ns

    def _queue_one(self, frame: int, place: int, count: int, body: bytes, at_ns: int) -> None:
        if self.stream.transport == "arq":
            part = arq.Part(sequence=self._sequence, frame=frame, place=place, parts=count, repeat=False)
            data = arq.pack(self._tag, part) + body
            self._kept[self._sequence] = at_ns, replace(part, repeat=True), body
        else:
            timestamp = round(frame * rtp.CLOCK_HZ / self.stream.frames_per_second)
            packet = rtp.Packet(
                sequence=self._sequence,
                timestamp=timestamp,
                frame=frame,
                place=place,
                last=place == count - 1,
            )
            data = rtp.pack(self.stream.key, self._tag, packet, body)
        self._sequence += 1
        self._queue.append((frame, data))
        self._queued_bytes += len(data)

    def _give(self, at_ns: int) -> str | None:
        """What is queued, as far as the kernel takes it."""
        while self._queue:
            _, data = self._queue[0]
            why = self._passed(data)
            if why is None:
                return None
            if why:
                return why
            self._queue.popleft()
            self._queued_bytes -= len(data)
            while self._queued and (not self._queue or self._queued[0] < self._queue[0][0]):
                self._queued.popleft()
        return None

    def _repeat(self, at_ns: int) -> str | None:
        """What is wanted again and still of use, the oldest first, within the ceiling."""
        if self.stream.transport != "arq":
            return None
        self._forget(at_ns)
        grown = self._allowed_bytes + (at_ns - self._allowed_ns) * self._repeats_per_ns
        most = max(_REPEAT_NS * self._repeats_per_ns, _REPEAT_BYTES_MIN)
        self._allowed_bytes, self._allowed_ns = min(grown, most), at_ns
        while self._wanted and self._allowed_bytes > 0:
            number = next(iter(self._wanted))
            _, part, body = self._kept[number]
            data = arq.pack(self._tag, part) + body
            why = self._passed(data, repeat=True)
            if why is None:
                return None
            if why:
                return why
            self._allowed_bytes -= len(data) - arq.HEAD_BYTES + _AROUND_BYTES
            del self._wanted[number]
            self._repeated_ns[number] = at_ns
        return None

    def _forget(self, at_ns: int) -> None:
        """Let go of what is too old to be of use."""
        while self._kept:
            oldest = next(iter(self._kept))
            if at_ns - self._kept[oldest][0] <= self._useful_ns:
                return
            self._give_up(oldest)

    def _give_up(self, number: int) -> None:
        del self._kept[number]
        self._repeated_ns.pop(number, None)
        if number in self._wanted:
            del self._wanted[number]
            self.refused += 1

    def _give_up_beyond(self, at_ns: int) -> None:
        """Keep as many of the newest as the ceiling can still repeat before the newest is too old.

        Repeats come slower than the stream, so after a long silence those that are asked for grow too old
        faster than they can be sent. Whoever began with the oldest would send each just too late. Frames
        go as a whole, as a part of one is worth nothing.
        """
        if not self._wanted:
            return
        self._wanted = dict.fromkeys(sorted(self._wanted))
        newest = next(reversed(self._wanted))
        left_ns = self._useful_ns - (at_ns - self._kept[newest][0])
        room_bytes = left_ns * self._repeats_per_ns + self._allowed_bytes
        sizes = {number: len(self._kept[number][2]) + _AROUND_BYTES for number in self._wanted}
        if sum(sizes.values()) <= room_bytes * _OVER_ROOM:
            return
        beyond = -1  # the newest frame that has no room
        for number in reversed(self._wanted):
            room_bytes -= sizes[number]
            if room_bytes < 0:
                beyond = self._kept[number][1].frame
                break
        for number in [one for one in self._wanted if self._kept[one][1].frame <= beyond]:
            self._give_up(number)

    @property
    def _repeats_per_ns(self) -> float:
        return self.stream.repeat_bps / 8 / NS_PER_S

    @property
    def _useful_ns(self) -> int:
        """How old a part may be and still be repeated."""
        return round(self.stream.window_s * NS_PER_S) - _UNDER_WAY_NS

    def _passed(self, data: bytes, *, repeat: bool = False) -> str | None:
        """Empty when the datagram is gone, a sentence when it can never go, None when there is no room
        now."""
        try:
            self.sock.send(data)
        except BlockingIOError:
            return None
        except OSError as error:
            if error.errno in segments.PASSING:
                return ""  # the network took it away, as it does on a line that is down
            return f"datagrams of {len(data)} octets do not fit the way there: {error.strerror}"
        self.count(len(data), repeats=repeat)
        return ""

    def _listen(self, at_ns: int) -> None:
        """Read what the receiver says; only a sign of life that is newer than the last one counts."""
        with contextlib.suppress(OSError):  # nothing said, or an error that sending meets as well
            while True:
                data = self.sock.recv(_SOURCE_BYTES)
                with contextlib.suppress(BadPacket):
                    if arq.is_ask(data):
                        if self._want(data, at_ns):
                            self._give_up_beyond(at_ns)
                        self._heard_ns = at_ns
                        continue
                    said = paced.unpack(self.stream.key, data)
                    if said.word is Word.ALIVE and said.number > self._heard_number:
                        self._heard_number, self._heard_ns = said.number, at_ns

    def _want(self, data: bytes, at_ns: int) -> bool:
        """Note what is asked for; whether any of it is new. Raises BadPacket."""
        before = len(self._wanted)
        for numbers in arq.asked(self.stream.key, data):
            for number in numbers[: 1 << 16]:
                if number in self._kept and at_ns - self._repeated_ns.get(number, -_JUST_NS) >= _JUST_NS:
                    self._wanted[number] = None
        return len(self._wanted) > before


def _cut(noise: bytes, frame: int, body_bytes: int) -> bytes:
    """So many random octets, another place of them for each frame."""
    first = frame * 4099 % (len(noise) // 2)  # a prime, so that places come round late
    found = noise[first : first + body_bytes]
    while len(found) < body_bytes:
        found += noise[: body_bytes - len(found)]
    return found
