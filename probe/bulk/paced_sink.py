"""The receiving end of a paced or capacity run: one thread, a connected UDP socket, every packet counted.

The kernel hands over what arrived together in one call and the octets are copied, since each packet has its
number at its front. Moments are the kernel's, so a thread that comes late does not move them; of packets that
a receive offload had merged they are the first one's, which makes the others look some 10 us early. What
found the buffer full is counted apart: it is no loss of the line. A sender that searches for its rate is told
every 50 ms what came. Imports no event loop.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from probe.bulk.arrivals import Arrivals
from probe.bulk.flows import GIVE_UP_NS, Spending, set_look_up, thread_cpu_s
from probe.bulk.paced_source import Stream
from probe.linux import segments
from probe.load_rate import FEEDBACK_NS
from probe.wire import arrival_log, paced
from probe.wire.arrival_log import Together
from probe.wire.paced import BURST_PACKETS_MAX, Word
from probe.wire.paced_control import PacedReceived
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.errors import BadPacket

SIGN_NS = 250 * NS_PER_MS  # so that five in a row may be lost before a sender pauses
_LOOK_UP_S = 0.02
_LOOK_UP_SEARCH_S = 0.005  # so that reports go out on time
_TAIL_NS = 300 * NS_PER_MS  # without an arrival after the run's time: nothing is under way any more
_TAIL_MOST_NS = 3 * NS_PER_S
_BUFFER_NS = 100 * NS_PER_MS  # of the rate; what a busy host needs to come back to this
_BUFFER_BYTES = (1 << 20, 64 << 20)  # smallest and largest that is asked for, payload and its frames
_AGE_NS_MOST = NS_PER_S  # a stamp that is older was made before the clock was set


@dataclass(slots=True, kw_only=True)
class PacedSink:
    """Receives one run, and tells the sender that it is there. `why` is None for one that ran its time."""

    sock: socket.socket
    stream: Stream
    halt: threading.Event
    spending: Spending
    clock: Clock
    ended_ns: int | None = None
    why: str | None = None
    arrivals: Arrivals = field(init=False)
    _log: list[Together] = field(default_factory=list, init=False)  # of a burst
    _buffer_bytes: int = field(default=0, init=False)
    _kernel_stamps: bool = field(default=False, init=False)
    _dropped_before: int = field(default=0, init=False)
    _dropped_here: int = field(default=0, init=False)
    _dropped_by_host: int = field(default=0, init=False)
    _signed: int = field(default=0, init=False)
    _signed_ns: int = field(default=0, init=False)
    _looked_ns: int = field(default=0, init=False)
    _heard_ns: int = field(default=0, init=False)
    _cpu_s: float = field(default=0.0, init=False)
    _cpu_before_s: float = field(default=0.0, init=False)
    _layouts: dict[int, struct.Struct] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self.arrivals = Arrivals(seconds=self.stream.seconds)

    def prepare(self) -> None:
        """Make the socket ready; from now on nothing that comes is missed."""
        per_second = self.stream.offered_bps // 8
        # a packet takes about twice its payload in a buffer (net.core.rmem_max counts frames as well)
        wanted = max(_BUFFER_BYTES[0], min(_BUFFER_BYTES[1], per_second * _BUFFER_NS // NS_PER_S * 2))
        self._buffer_bytes = segments.ask_buffer(self.sock, wanted, receive=True)
        self._kernel_stamps = segments.receive_merged(self.sock)
        self._dropped_before = segments.dropped_by_host()
        set_look_up(self.sock, _LOOK_UP_SEARCH_S if self.stream.searches else _LOOK_UP_S)
        self.sock.setblocking(True)

    def run(self) -> None:
        """Receive until the run's time is over, the sender stays silent, the cap is reached, or a halt."""
        self._cpu_before_s = thread_cpu_s()
        segments.come_first()
        self._heard_ns = self.clock.monotonic_ns()
        self.why = self._receive()
        self._look()
        self.sock.close()
        self.ended_ns = self.clock.monotonic_ns()

    def report(self) -> PacedReceived | None:
        """What was counted so far, bins and delays once it has ended; None before the first packet."""
        found = self.arrivals
        if found.origin_ns is None:
            return None
        found.settle(all_of_them=self.ended_ns is not None)
        now_ns = self.ended_ns or self.clock.monotonic_ns()
        elapsed_ns = max(1, min(now_ns, found.end_ns or now_ns) - found.origin_ns)
        told = PacedReceived(
            ip_version=6 if self.sock.family == socket.AF_INET6 else 4,
            packets=found.received,
            expected=found.expected,
            duplicated=found.duplicated,
            reordered=found.reordered,
            late=found.late,
            dropped_socket=self._dropped_here,
            dropped_host=self._dropped_by_host,
            buffer_bytes=self._buffer_bytes,
            kernel_stamps=self._kernel_stamps,
            cpu_ratio=round(min(1.0, self._cpu_s * NS_PER_S / elapsed_ns), 4),
        )
        if self.ended_ns is None:
            return told
        bins = found.counts(now_ns)
        p99s_us, maxima_us = found.pdv_us()
        return replace(
            told,
            bins=bins,
            bases_us=found.bases_us()[: len(bins)],
            pdv_p99_us=p99s_us[: len(bins)],
            pdv_max_us=maxima_us[: len(bins)],
            pdv=found.pdv.pack(),
            expected_at=found.expected_at()[: len(bins)],
            log=None if self.stream.burst_packets is None else arrival_log.pack(self._log),
        )

    def _receive(self) -> str | None:
        buffer = bytearray(segments.RECEIVE_BYTES)
        buffers, size = [buffer], self.stream.payload_bytes
        now_ns, unix_ns = self.clock.monotonic_ns, self.clock.unix_ns
        tag = int.from_bytes(paced.tag_of(self.stream.key))
        every_ns = FEEDBACK_NS if self.stream.searches else SIGN_NS
        while not self.halt.is_set():
            count = 0
            try:
                count, each_bytes, stamp_ns = segments.receive_into(self.sock, buffers)
            except BlockingIOError:
                pass  # nothing within _LOOK_UP_S
            except OSError as error:
                if error.errno not in segments.PASSING:
                    return f"receiving failed: {error.strerror}"
            at_ns = now_ns()
            if count >= size and each_bytes == size:
                age_ns = unix_ns() - stamp_ns
                packets = count // size
                words = self._layout(packets).unpack_from(buffer)
                if words[::3].count(tag) == packets:
                    self._heard_ns = at_ns
                    arrived_ns = at_ns - age_ns if 0 <= age_ns < _AGE_NS_MOST else at_ns
                    self.arrivals.note(words[1::3], words[2::3], at_ns=arrived_ns)
                    if self.stream.burst_packets is not None:
                        self._note_each(words[1::3], words[2::3], arrived_ns)
                    if not self.spending.take(packets * size):
                        return "the run reached its byte cap"
            elif count == paced.CONTROL_BYTES:
                self._answer(bytes(buffer[:count]))
            if at_ns - self._signed_ns >= every_ns:
                self._sign(at_ns, every_ns)
            if at_ns - self._heard_ns >= GIVE_UP_NS:
                return self._ended("the sender fell silent")
            if self._over(at_ns):
                return None
        return "halted"

    def _note_each(self, numbers: Sequence[int], sent_us: Sequence[int], arrived_ns: int) -> None:
        at_us = (arrived_ns - (self.arrivals.origin_ns or 0)) // NS_PER_US
        for number, sent in zip(numbers, sent_us, strict=True):
            last = self._log[-1] if self._log else None
            if last and (last.first + last.packets, last.sent_us, last.arrived_us) == (number, sent, at_us):
                self._log[-1] = last._replace(packets=last.packets + 1)
            elif len(self._log) < BURST_PACKETS_MAX:
                self._log.append(Together(number, 1, sent, at_us))

    def _layout(self, packets: int) -> struct.Struct:
        found = self._layouts.get(packets)
        if found is None:
            rest = self.stream.payload_bytes - paced.HEAD_BYTES
            found = self._layouts[packets] = struct.Struct("!" + f"3I{rest}x" * packets)
        return found

    def _answer(self, data: bytes) -> None:
        with contextlib.suppress(BadPacket, OSError):
            said = paced.unpack(self.stream.key, data)
            if said.word is Word.PROOF:
                self.sock.send(paced.ready(self.stream.key, said), socket.MSG_DONTWAIT)

    def _sign(self, at_ns: int, every_ns: int) -> None:
        """Say that this end is there, and to a sender that searches what came since it was last told."""
        late_ns = at_ns - self._signed_ns - every_ns
        self._signed_ns = at_ns - late_ns if late_ns < every_ns else at_ns  # late ones do not add up
        found = self.arrivals.feedback(at_ns) if self.stream.searches else None
        key, number = self.stream.key, self._signed
        with contextlib.suppress(OSError):  # a full queue or no network: the next one
            said = paced.alive(key, number) if found is None else paced.status(key, number, found)
            self.sock.send(said, socket.MSG_DONTWAIT)
        self._signed += 1
        if at_ns - self._looked_ns >= SIGN_NS:
            self._looked_ns = at_ns
            self._look()

    def _look(self) -> None:
        self._cpu_s = thread_cpu_s() - self._cpu_before_s
        self._dropped_here = segments.dropped_here(self.sock)
        self._dropped_by_host = segments.dropped_by_host() - self._dropped_before

    def _over(self, at_ns: int) -> bool:
        """Whether the run's time has passed and nothing is under way any more."""
        end_ns = self.arrivals.end_ns
        if end_ns is None or at_ns < end_ns:
            return False
        return at_ns - max(self._heard_ns, end_ns) >= _TAIL_NS or at_ns - end_ns >= _TAIL_MOST_NS

    def _ended(self, why: str) -> str | None:
        end_ns = self.arrivals.end_ns
        return None if end_ns is not None and self.clock.monotonic_ns() >= end_ns else why
