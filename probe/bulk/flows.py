"""What one thread does with one connected flow: receive and count, or send until told to stop.

A receiver counts what arrives and ends the flow when its time is over; a sender pushes
random bytes (RFC 7312 section 3.1.2: payload that no device on the way can compress). Both use
plain blocking calls, which release the interpreter's lock, with the kernel's own time-outs, so that
a thread looks up every few hundredths of a second. Every flow resets on closing (SO_LINGER 0), also when
its process is killed: what is still queued never reaches the line. Buffer sizes are left to the
kernel, since setting one switches its automatic window off. Imports no event loop.
"""

from __future__ import annotations

import contextlib
import os
import resource
import socket
import struct
import threading
from dataclasses import dataclass, field

from probe.bulk.tally import BIN_NS, Series, Tally
from probe.linux import pacing, tcp_info
from probe.linux.tcp_info import TcpInfo
from probe.wire.control import GO
from store.clock import NS_PER_MS, NS_PER_S, Clock

LOOK_UP_S = 0.05  # how long a sender's call may sleep before its thread looks whether to stop
SINK_LOOK_UP_S = 0.01  # and a receiver's, which also follows what arrives behind a hole
LIFE_SIGN_NS = NS_PER_S // 2  # a receiver of a down flow repeats GO this often: it is still there
PAUSE_NS = 1_500 * NS_PER_MS  # a sender hears nothing this long and sends nothing new
GIVE_UP_NS = 10 * NS_PER_S  # and ends the flow after this; stalls of some seconds are survived
OVERTIME_NS = 3 * NS_PER_S  # a sender ends by itself this long after its time if the receiver did not end it
_TAIL_NS = 2 * NS_PER_S  # how long a receiver goes on until what had arrived by the end is known
EARLY_NS = NS_PER_S // 4  # an end this close to the planned one is the planned one

# A receiver is woken about this often, not for each packet: at 1 Gb/s that is a tenth of the work, and
# half a millisecond is a hundredth of a per cent of the shortest window that is judged.
_WAKE_NS = NS_PER_MS // 2
_SAMPLE_NS = NS_PER_MS  # between two readings of TCP_INFO by a receiver that is kept busy

_BLOCK_BYTES = 256 * 1024
# A call carries this much time's worth of bytes where that is more than a block, so that the steps of the
# interpreter between two calls, of which all flows share one at a time, cost the same at any rate.
_CALL_NS = NS_PER_MS
_CALL_BLOCKS_MAX = 16
# A sender keeps about this much time's worth of bytes in its kernel, so that a late wake-up does not let
# the line run dry, and still stops soon; the floor is for slow lines, where a block is much time.
_UNSENT_NS = 20 * NS_PER_MS
_UNSENT_BYTES_MIN = 64 * 1024
# A flow that is held to a rate goes out in pieces of this much time, as the kernel would else send 64 KB at
# once where the far end is near (tcp_tso_rtt_log, from memory). What waits in the kernel meanwhile is enough
# for a late wake-up, and little beside what the run moves.
_PIECE_NS = 2 * NS_PER_MS
_PIECE_SEGMENTS = 2, 44
_SEGMENT_BYTES_MAX = 8_960  # of a packet of 9000; loopback's segments of 64 KB are none that a line has
_HELD_UNSENT_NS = 100 * NS_PER_MS
_HELD_UNSENT_PIECES_MIN = 4
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class Spending:
    """The byte cap of a run, shared by its flows."""

    def __init__(self, bytes_max: int | None) -> None:
        self._left = bytes_max
        self._lock = threading.Lock()
        self.bytes = 0

    def take(self, count: int) -> bool:
        """Note `count` more bytes; False once the cap is reached."""
        with self._lock:
            self.bytes += count
            return self._left is None or self.bytes < self._left


@dataclass(slots=True, kw_only=True)
class Flow:
    """One connected flow and what became of it.

    `why` is None for a flow that ran its time, `silent` marks a far end that was no longer heard,
    `cpu_s` is what the flow's thread used, `info` the newest reading of TCP_INFO.
    """

    sock: socket.socket
    halt: threading.Event
    spending: Spending
    clock: Clock
    ended_ns: int | None = None
    why: str | None = None
    silent: bool = False
    cpu_s: float = 0.0
    info: TcpInfo | None = None
    _cpu_before_s: float = field(default=0.0, init=False)

    def begin(self, *, look_up_s: float) -> None:
        """Prepare the socket, whose calls sleep `look_up_s` at most; called in the flow's own thread."""
        self._cpu_before_s = thread_cpu_s()
        self.sock.setblocking(True)
        self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        set_look_up(self.sock, look_up_s)

    def look(self) -> TcpInfo | None:
        """Read TCP_INFO; None once the socket is closed, when the last reading stands."""
        try:
            self.info = tcp_info.read(self.sock)
        except OSError:
            return None
        return self.info

    def end(self, why: str | None) -> None:
        self.look()
        self.sock.close()
        self.why = why
        self.cpu_s = thread_cpu_s() - self._cpu_before_s
        self.ended_ns = self.clock.monotonic_ns()


@dataclass(slots=True, kw_only=True)
class Sink(Flow):
    """A flow that receives. With `life_signs` it repeats GO, so that the sender knows it is there."""

    tally: Tally
    life_signs: bool = False
    _delivered_bytes: int = field(default=0, init=False)
    _heard: int = field(default=0, init=False)  # data segments, or bytes where they are not counted
    _heard_ns: int = field(default=0, init=False)
    _looked_ns: int = field(default=0, init=False)
    _tuned: tuple[int, int] = field(default=(0, 0), init=False)  # time and bytes delivered then
    _call_bytes: int = field(default=_BLOCK_BYTES, init=False)
    _flags: int = field(default=socket.MSG_TRUNC, init=False)
    _signed_ns: int = field(default=0, init=False)
    _settled: tuple[int, int, int] = field(default=(0, 0, 0), init=False)  # time, segments, bytes

    def run(self) -> None:
        """Receive until the run's time is over, the far end falls silent, or a halt."""
        self.begin(look_up_s=SINK_LOOK_UP_S)
        self.end(self._receive(self.tally.series()))

    def _receive(self, series: Series) -> str | None:
        buffer = bytearray(_BLOCK_BYTES * _CALL_BLOCKS_MAX)  # never touched, so it takes no memory
        now_ns = self._heard_ns = self._signed_ns = self.clock.monotonic_ns()
        self._tuned = now_ns, 0
        while not self.halt.is_set():
            count = -1
            try:
                # on TCP: count and discard; a kernel that does not know it copies into the buffer
                count = self.sock.recv_into(buffer, self._call_bytes, self._flags)
            except BlockingIOError:
                pass  # nothing in order within SINK_LOOK_UP_S
            except ConnectionError:
                return self._ended("the sender broke the flow off")
            except OSError as error:
                return self._ended(f"receiving failed: {error.strerror}")
            now_ns = self.clock.monotonic_ns()
            if count == 0:
                return self._ended("the sender ended the flow before its time")
            if count > 0:
                self._delivered_bytes += count
                if not self.spending.take(count):
                    return "the run reached its byte cap"
            if now_ns - self._looked_ns >= _SAMPLE_NS or count < 0:
                self._sample(series, now_ns)
            if now_ns - self._heard_ns >= GIVE_UP_NS:
                self.silent = True
                return "the sender fell silent"
            if self._over(now_ns):
                return None
            self._keep_awake(now_ns)
        return "halted"

    def _sample(self, series: Series, now_ns: int) -> None:
        """Note what the kernel says of this flow, from the run's first byte on."""
        info = self.look()
        self._looked_ns = now_ns
        segments = info.data_segs_in if info else 0
        if (heard := segments or self._delivered_bytes) != self._heard:
            self._heard, self._heard_ns = heard, now_ns
        origin_ns = self.tally.begin(now_ns) if self._delivered_bytes else self.tally.origin_ns
        if origin_ns is not None and info is not None:
            series.note(
                max(0, now_ns - origin_ns),
                segments=segments,
                delivered_bytes=self._delivered_bytes,
                mss_bytes=info.rcv_mss,
            )

    def _over(self, now_ns: int) -> bool:
        """Whether the run's time has passed, and no data waits any more for a repeat.

        What had arrived by the end shows only when the holes of that time have closed. That is so when,
        over a bin's length, about as much was delivered for each segment that arrived as in the whole run.
        """
        end_ns, info = self.tally.end_ns, self.info
        if end_ns is None or now_ns < end_ns or info is None:
            return False
        since_ns, segments, delivered_bytes = self._settled
        if now_ns - since_ns < BIN_NS:
            return False
        self._settled = now_ns, info.data_segs_in, self._delivered_bytes
        if not since_ns:
            return False
        usual_bytes = (info.data_segs_in - segments) * self._delivered_bytes // max(1, info.data_segs_in)
        lacking_bytes = usual_bytes - (self._delivered_bytes - delivered_bytes)
        return lacking_bytes <= max(info.rcv_mss, usual_bytes // 10) or now_ns - end_ns >= _TAIL_NS

    def _ended(self, why: str) -> str | None:
        """`why`, unless the run's time had passed anyway."""
        end_ns = self.tally.end_ns
        return None if end_ns is not None and self.clock.monotonic_ns() >= end_ns else why

    def _keep_awake(self, now_ns: int) -> None:
        """Say that we are here, and how much data is worth waking up for."""
        tuned_ns, tuned_bytes = self._tuned
        if now_ns - tuned_ns >= BIN_NS:
            moved_bytes, took_ns = self._delivered_bytes - tuned_bytes, now_ns - tuned_ns
            lowest = max(1, min(moved_bytes * _WAKE_NS // took_ns, _BLOCK_BYTES // 2))
            self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, lowest)
            blocks = _call_blocks(moved_bytes, took_ns)
            self._call_bytes = blocks * _BLOCK_BYTES
            self._flags = socket.MSG_TRUNC | (socket.MSG_WAITALL if blocks > 1 else 0)
            self._tuned = now_ns, self._delivered_bytes
        if self.life_signs and now_ns - self._signed_ns >= LIFE_SIGN_NS:
            self._signed_ns = now_ns
            with contextlib.suppress(OSError):  # a full or broken way back: receiving finds out
                self.sock.send(GO, socket.MSG_DONTWAIT)


@dataclass(slots=True, kw_only=True)
class Source(Flow):
    """A flow that sends. `watch` must be called about ten times a second from another thread.

    With `after_go` it begins when the receiver says GO and expects GO again and again; without,
    acknowledgements alone say that somebody is there. `at_most_bps` of payload is what it sends, None for
    all that goes.
    """

    seconds: float
    block: bytes
    after_go: bool = False
    at_most_bps: int | None = None
    started_ns: int | None = None
    paused: bool = False
    congestion: str = ""
    _acked: int = field(default=0, init=False)
    _acked_ns: int = field(default=0, init=False)
    _heard_ns: int = field(default=0, init=False)
    _piece_bytes: int | None = field(default=None, init=False)  # what goes out at once when held to a rate
    _held_unsent_bytes: int = field(default=0, init=False)  # and what waits then
    _pieces: list[bytes] = field(default_factory=list, init=False)  # what one call sends

    def run(self) -> None:
        """Send until the run's time is over, the far end falls silent, or a halt."""
        self.begin(look_up_s=LOOK_UP_S)
        self.end("the receiver never said GO" if self.after_go and not self._await_go() else self._send())

    def watch(self, now_ns: int) -> None:
        """Sample TCP_INFO and decide whether the far end is still heard."""
        if self.started_ns is None or self.ended_ns is not None:
            return
        info = self.look()
        if info is None:
            return
        idle = not info.unacked and not info.notsent_bytes
        if info.bytes_acked != self._acked or idle:
            moved_bytes, took_ns = info.bytes_acked - self._acked, max(1, now_ns - self._acked_ns)
            self._keep_unsent(moved_bytes * _UNSENT_NS // took_ns)
            if self._piece_bytes is None:
                self._pieces = [self.block] * _call_blocks(moved_bytes, took_ns)
            self._acked, self._acked_ns = info.bytes_acked, now_ns
        if self.after_go:
            self._hear(now_ns)
        silence_ns = now_ns - min(self._acked_ns, self._heard_ns if self.after_go else now_ns)
        self.silent = silence_ns >= GIVE_UP_NS
        self.paused = silence_ns >= PAUSE_NS

    def _await_go(self) -> bool:
        asked_ns = self.clock.monotonic_ns()
        while not self.halt.is_set() and self.clock.monotonic_ns() - asked_ns < GIVE_UP_NS:
            try:
                return self.sock.recv(1) == GO
            except BlockingIOError:
                continue
            except OSError:
                break
        return False

    def _send(self) -> str | None:
        try:
            self._hold_back()
        except OSError as error:
            return f"this host cannot hold a flow to a rate: {error.strerror}"
        self._pieces, flags = [self.block[: self._piece_bytes]], socket.MSG_EOR if self._piece_bytes else 0
        self._keep_unsent(_BLOCK_BYTES)
        self.congestion = tcp_info.congestion(self.sock)
        now_ns = self._acked_ns = self._heard_ns = self.started_ns = self.clock.monotonic_ns()
        end_ns = now_ns + round(self.seconds * NS_PER_S)
        while not self.halt.is_set():
            now_ns = self.clock.monotonic_ns()
            if now_ns >= end_ns + OVERTIME_NS:
                return None
            if self.silent:
                return "the receiver fell silent"
            if self.paused:
                self.halt.wait(LOOK_UP_S)
                continue
            try:
                count = self.sock.sendmsg(self._pieces, (), flags)
            except BlockingIOError:
                continue  # no room within LOOK_UP_S
            except OSError as error:
                ended = isinstance(error, ConnectionError) and now_ns >= end_ns - EARLY_NS
                return None if ended else f"the receiver broke the flow off: {error.strerror}"
            if not self.spending.take(count):
                return "the run reached its byte cap"
        return "halted"

    def _hold_back(self) -> None:
        """Have the kernel keep to `at_most_bps`, in pieces of whole segments, so that packets stay full."""
        if self.at_most_bps is None:
            return
        pacing.hold(self.sock, self.at_most_bps)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # where a piece is no whole segment
        segment_bytes = min(tcp_info.read(self.sock).snd_mss, _SEGMENT_BYTES_MAX)
        least, most = _PIECE_SEGMENTS
        segments = self.at_most_bps * _PIECE_NS // (8 * NS_PER_S * segment_bytes)
        self._piece_bytes = min(max(segments, least), most) * segment_bytes
        self._held_unsent_bytes = max(
            self.at_most_bps * _HELD_UNSENT_NS // (8 * NS_PER_S), _HELD_UNSENT_PIECES_MIN * self._piece_bytes
        )

    def _keep_unsent(self, count: int) -> None:
        with contextlib.suppress(OSError):  # closed meanwhile
            lowest = self._held_unsent_bytes or max(count, _UNSENT_BYTES_MIN)
            self.sock.setsockopt(socket.IPPROTO_TCP, tcp_info.TCP_NOTSENT_LOWAT, lowest)

    def _hear(self, now_ns: int) -> None:
        with contextlib.suppress(OSError):  # nothing said, or broken: sending finds out
            if self.sock.recv(64, socket.MSG_DONTWAIT):
                self._heard_ns = now_ns


def _call_blocks(moved_bytes: int, took_ns: int) -> int:
    """How many blocks a call carries at this rate."""
    return max(1, min(moved_bytes * _CALL_NS // (took_ns * _BLOCK_BYTES), _CALL_BLOCKS_MAX))


def random_block() -> bytes:
    """What every source of a process sends, again and again."""
    return os.urandom(_BLOCK_BYTES)


def set_look_up(sock: socket.socket, look_up_s: float) -> None:
    """Have the socket's calls sleep no longer than this, less than a second."""
    for option in (socket.SO_RCVTIMEO, socket.SO_SNDTIMEO):
        sock.setsockopt(socket.SOL_SOCKET, option, struct.pack("ll", 0, round(look_up_s * 1e6)))


def thread_cpu_s() -> float:
    """What the calling thread has used of a processor so far."""
    used = resource.getrusage(resource.RUSAGE_THREAD)
    return used.ru_utime + used.ru_stime
