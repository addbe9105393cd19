"""A line on paper for the real train without end: no socket, a known delay, a known share of packets lost.

Everything above the socket is the product's: slots, spans, losses by direction, silences. What is under way
while the host sleeps never comes back, as on a real line. For jumping time (tests.probe.jumping).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

from probe.methods import train
from probe.methods.train import TrainSession
from store.records import Failed

FAR_AHEAD_NS = 1_600_000_000 * 10**9  # the far end's clock over this host's boot time; nobody sets it


@dataclass(kw_only=True)
class PaperLine:
    """`delay_s` one way; of every `one_in` packets one is lost on the way up, 0 for none.

    `silent_s` is a stretch of time awake in which all are.
    """

    delay_s: float = 0.010
    one_in: int = 0
    silent_s: tuple[float, float] = (0.0, 0.0)
    sent: int = 0
    lost_up: int = 0
    opened: int = 0
    refuses: int = 0  # so many openings fail from now on
    asleep: list[int] = field(default_factory=list)  # numbers of packets that a sleep took

    @contextmanager
    def laid(self, *, beat_s: float = 1.0) -> Iterator[PaperLine]:
        """Trains go over this line as long as the body lasts; they look after themselves every `beat_s`."""
        line = self

        class Session(_PaperSession):
            _line = line

        with (
            patch.object(train, "TrainSession", Session),
            patch.object(train, "Control", _NoControl),
            patch.object(train, "_BEAT_S", beat_s),
            patch.object(train, "ASK_AFTER_S", 10**6),
        ):
            yield self


class _NoControl:
    def __init__(self, *_args: object, **_options: object) -> None:
        pass

    async def __aenter__(self) -> _NoControl:
        return self

    async def __aexit__(self, *_error: object) -> None:
        pass


class _PaperSession(TrainSession):
    _line: PaperLine

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._reflected = 0

    async def open(self) -> Failed | None:
        if self._line.refuses:
            self._line.refuses -= 1
            return self._failed("no way to the endpoint", train.Owner.UNKNOWN)
        self._line.opened += 1
        return None

    async def end(self) -> None:
        return None

    def _send(self, due_ns: int) -> None:
        line, now_ns = self._line, self.look()
        sequence = self._tally.next_sequence
        self._tally.sent(now_ns)
        self.lateness_ns.append(now_ns - due_ns)
        self.sent += 1
        line.sent += 1
        silent = line.silent_s[0] <= now_ns / 10**9 < line.silent_s[1]
        if silent or (line.one_in and line.sent % line.one_in == 0):
            line.lost_up += 1
            return
        number, self._reflected = self._reflected, self._reflected + 1
        slept_ns = self._slept_ns()
        loop = asyncio.get_running_loop()
        loop.call_later(2 * line.delay_s, self._reply, line.sent, sequence, number, slept_ns)

    def _reply(self, nth: int, sequence: int, number: int, slept_ns: int) -> None:
        if self._slept_ns() != slept_ns:
            self._line.asleep.append(nth)
            return
        now_ns = self.look()
        if self.slept.is_set():
            return
        at_ns = FAR_AHEAD_NS + self._clock.boot_ns() - round(self._line.delay_s * 10**9)
        self._tally.reply(
            sequence,
            reflector=number,
            received_ns=at_ns,
            replied_ns=at_ns,
            arrived_ns=now_ns,
            from_clock=True,
        )
        self.answered += 1
        self.heard_ns = now_ns
        if self.finished.is_set() and self.answered >= self.sent:
            self.complete.set()

    def _slept_ns(self) -> int:
        return self._clock.boot_ns() - self._clock.monotonic_ns()
