"""A rehearsal at one end: its streams, each in a thread, their cap, their reports. Imports no event loop."""

from __future__ import annotations

import resource
import socket
import sys
import threading
from collections.abc import Sequence

from probe.bulk.flows import Spending
from probe.bulk.stream_sink import DatagramSink, PushSink
from probe.bulk.stream_source import DatagramSource, PushSource, Stream
from probe.wire.rehearsal_control import Received, Sent, StreamReceived, StreamRequest, StreamSent
from store.clock import NS_PER_MS, NS_PER_S, Clock

_SWITCH_S = 0.0005  # a thread that writes a report must not keep the interpreter from one that is due
_START_NS = 100 * NS_PER_MS  # until all threads stand ready

Ends = PushSink | DatagramSink | PushSource | DatagramSource


class RehearsalRun:
    """What the two ends share. `streams` is how many will be handed over."""

    def __init__(self, *, streams: int, seconds: float, bytes_max: int | None, clock: Clock) -> None:
        self._seconds = seconds
        self._clock = clock
        self._halt = threading.Event()
        self._halted: str | None = None
        self._spending = Spending(bytes_max)
        self._ends: list[Ends | None] = [None] * streams
        self._began_ns: int | None = None
        self._cpu_before_s = 0.0

    def halt(self, why: str) -> None:
        """End every stream within a few hundredths of a second."""
        self._halted = self._halted or why
        self._halt.set()

    @property
    def joined(self) -> bool:
        return any(self._ends)

    @property
    def finished(self) -> bool:
        """Whether every stream that was handed over has ended, and at least one was or a halt came."""
        return all(one.ended_ns is not None for one in self._ends if one) and (
            self.joined or self._halt.is_set()
        )

    @property
    def why(self) -> str | None:
        """Why it ended early, as far as it has; None while it runs or when it ran its time."""
        if self._halted or not self.finished:
            return self._halted
        found = next((one.why for one in self._ends if one and one.why), None)
        missing = self._ends.count(None)
        return found or (f"{missing} of its streams never came" if missing else None)

    @property
    def spent_bytes(self) -> int:
        """Payload received or handed to the kernel so far."""
        return self._spending.bytes

    def receiver_report(self) -> Received | None:
        return None

    def sender_report(self) -> Sent | None:
        return None

    def _go(self, at: int, end: Ends) -> None:
        """Let a stream run in a thread of its own; the process may end at any moment and takes it along."""
        if self._began_ns is None:
            sys.setswitchinterval(_SWITCH_S)
            self._began_ns, self._cpu_before_s = self._clock.monotonic_ns(), _process_cpu_s()
        self._ends[at] = end
        threading.Thread(target=end.run, name=f"stream {at}", daemon=True).start()

    def _cpu_ratio(self) -> float:
        """The share of one core that this process used."""
        if self._began_ns is None:
            return 0.0
        elapsed_s = max(1, self._clock.monotonic_ns() - self._began_ns) / NS_PER_S
        return round(min(1.0, (_process_cpu_s() - self._cpu_before_s) / elapsed_s), 4)


class Receiving(RehearsalRun):
    """At the endpoint: streams that join one by one, each by its key."""

    def __init__(
        self,
        asked: Sequence[StreamRequest],
        keys: Sequence[bytes],
        *,
        seconds: float,
        bytes_max: int | None,
        clock: Clock,
    ) -> None:
        super().__init__(streams=len(asked), seconds=seconds, bytes_max=bytes_max, clock=clock)
        self._asked = tuple(asked)
        self._keys = tuple(keys)

    def join(self, key: bytes, sock: socket.socket) -> None:
        """Take over the socket of the stream that has this key."""
        at = self._keys.index(key)
        asked = self._asked[at]
        kind = PushSink if asked.transport == "tcp" else DatagramSink
        sink = kind(
            sock=sock,
            key=key,
            asked=asked,
            seconds=self._seconds,
            halt=self._halt,
            spending=self._spending,
            clock=self._clock,
        )
        self._go(at, sink)

    def receiver_report(self) -> Received | None:
        """What arrived so far; None before the first stream joined."""
        if not self.joined:
            return None
        sinks = [one if isinstance(one, PushSink | DatagramSink) else None for one in self._ends]
        return Received(
            streams=tuple(one.report() if one else StreamReceived() for one in sinks),
            cpu_ratio=self._cpu_ratio(),
        )


class Sending(RehearsalRun):
    """At the probe: every stream begins at the same moment."""

    def __init__(self, streams: Sequence[Stream], *, seconds: float, clock: Clock) -> None:
        super().__init__(streams=len(streams), seconds=seconds, bytes_max=None, clock=clock)
        self._streams = tuple(streams)

    def start(self, socks: Sequence[socket.socket]) -> None:
        """Let all streams go, over sockets in their order."""
        start_ns = self._clock.monotonic_ns() + _START_NS
        for at, (stream, sock) in enumerate(zip(self._streams, socks, strict=True)):
            kind = PushSource if stream.transport == "tcp" else DatagramSource
            source = kind(
                sock=sock,
                stream=stream,
                seconds=self._seconds,
                halt=self._halt,
                spending=self._spending,
                clock=self._clock,
                start_ns=start_ns,
            )
            self._go(at, source)

    def sender_report(self) -> Sent | None:
        """What was sent so far; None before the start."""
        if not self.joined:
            return None
        sources = [one if isinstance(one, PushSource | DatagramSource) else None for one in self._ends]
        return Sent(
            streams=tuple(one.report() if one else StreamSent() for one in sources),
            cpu_ratio=self._cpu_ratio(),
        )


def _process_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
