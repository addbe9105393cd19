"""A paced run at one end: its one thread, its cap, its reports. Imports no event loop."""

from __future__ import annotations

import socket
import sys
import threading

from probe.bulk.flows import Spending
from probe.bulk.paced_sink import PacedSink
from probe.bulk.paced_source import PacedSource, Stream
from probe.wire.paced_control import PacedReceived, PacedSent
from store.clock import Clock

_SWITCH_S = 0.0005  # a thread that writes a report must not keep the interpreter from one that is due


class PacedRun:
    """One run at this end, which receives or sends."""

    def __init__(
        self, stream: Stream, *, receives: bool, after_alive: bool, bytes_max: int | None, clock: Clock
    ) -> None:
        self.stream = stream
        self.receives = receives
        self._after_alive = after_alive
        self._clock = clock
        self._halt = threading.Event()
        self._halted: str | None = None
        self._spending = Spending(bytes_max)
        self._end: PacedSink | PacedSource | None = None

    def join(self, sock: socket.socket) -> None:
        """Take the connected socket over, ready to count whatever comes; `start` then begins."""
        if self.receives:
            self._end = PacedSink(
                sock=sock, stream=self.stream, halt=self._halt, spending=self._spending, clock=self._clock
            )
            self._end.prepare()
            return
        self._end = PacedSource(
            sock=sock,
            stream=self.stream,
            halt=self._halt,
            spending=self._spending,
            clock=self._clock,
            after_alive=self._after_alive,
        )

    def start(self) -> None:
        """Begin, in a thread of its own; the process may end at any moment and takes it along."""
        assert self._end is not None  # noqa: S101 - our own mistake
        sys.setswitchinterval(_SWITCH_S)
        threading.Thread(target=self._end.run, name="paced", daemon=True).start()

    def halt(self, why: str) -> None:
        """End the run within a few hundredths of a second."""
        self._halted = self._halted or why
        self._halt.set()

    @property
    def joined(self) -> bool:
        return self._end is not None

    @property
    def finished(self) -> bool:
        return self._halt.is_set() if self._end is None else self._end.ended_ns is not None

    @property
    def why(self) -> str | None:
        """Why the run ended early, as far as it has; None while it runs or when it ran its time."""
        return self._halted or (self._end.why if self._end is not None and self.finished else None)

    @property
    def spent_bytes(self) -> int:
        """Payload received or handed to the kernel so far."""
        return self._spending.bytes

    def receiver_report(self) -> PacedReceived | None:
        return self._end.report() if isinstance(self._end, PacedSink) else None

    def sender_report(self) -> PacedSent | None:
        return self._end.report() if isinstance(self._end, PacedSource) else None
