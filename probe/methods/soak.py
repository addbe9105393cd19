"""Soak: a train to a planned end, kept in a file as it goes, over restarts of this program.

It is `train.keep`, whose spans go into the file as they are complete; what they come to is `store.soaks`'s.
An endpoint that cannot be reached is tried again until the end, and that time is a gap.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

from probe.answering import Answering
from probe.methods import train
from probe.reach import Reach
from probe.soak_file import Question, SoakFile, SoakRecord
from probe.train_samples import Sampled
from probe.wall import Wall
from store.clock import NS_PER_S, Clock
from store.records import Failed, Gap, Stall, TrainSpan
from store.site import TrainPlan
from store.soaks import Soak, soak_of
from store.unfinished import SoFar

Report = Callable[[str], None]

_AGAIN_S = 10.0  # after the train failed
_SPANS = 10  # a short soak has so many, so that a kill loses little of it


def question_of(where: Reach, *, seconds: float, per_second: float) -> Question:
    """What the file must have been begun with, to go on."""
    invitation = where.invitation
    return Question(
        endpoint=f"{invitation.host} port {invitation.port}",
        pin=invitation.pin.hex(),
        interface=where.binding.interface,
        source=where.binding.source,
        seconds=seconds,
        per_second=per_second,
        span_s=max(1, min(60, int(seconds / _SPANS))),
    )


async def run(
    where: Reach, clock: Clock, file: SoakFile, *, on_progress: Report | None = None
) -> Soak | Failed:
    """Go on to the planned end, and what came of it; why not, when nothing ever went.

    Cancelled, it keeps what it has of the span under way. Raises StoreTrouble when the file cannot be
    written any more.
    """
    begun = file.begun
    say = on_progress or (lambda _text: None)
    if file.spans:
        say(f"Going on with {len(file.spans)} spans of {begun.span_s} s that {file.path} holds.")
    if clock.unix_ns() >= begun.ends_unix_ns:
        return soak_of(begun, file.kept)
    keeping = _Keeping(where, clock, file, say=say)
    ending = asyncio.create_task(Wall().wait_until(begun.ends_unix_ns, clock=clock), name="soak end")
    going = asyncio.create_task(keeping.keep(), name="soak train")
    try:
        await asyncio.wait({ending, going}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        ending.cancel()
        going.cancel()
        await asyncio.wait({ending, going})
        if not going.cancelled() and (error := going.exception()) is not None:
            raise error
    if keeping.failed is not None and not file.spans:
        return keeping.failed
    return soak_of(begun, file.kept)


class _Keeping:
    """A train that is opened again when it fails, and the file that has what it delivers."""

    def __init__(self, where: Reach, clock: Clock, file: SoakFile, *, say: Report) -> None:
        self._where, self._clock, self._file, self._say = where, clock, file, say
        self._waiting: list[SoakRecord] = []
        self._something = asyncio.Event()
        self.failed: Failed | None = None  # how the train failed last

    async def keep(self) -> None:
        """Until cancelled, or until the first try of a fresh file fails."""
        writing = asyncio.create_task(self._write(), name="soak file")
        going = asyncio.create_task(self._go(), name="soak going")
        try:
            await asyncio.wait({writing, going}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            going.cancel()
            await asyncio.wait({going})  # it delivers the span under way
            writing.cancel()
            with suppress(asyncio.CancelledError):
                await writing
            self._file.append(self._waiting)
            if not going.cancelled():
                going.result()

    async def _go(self) -> None:
        question = self._file.question
        plan = TrainPlan(
            handoff=self._where.handoff,
            endpoint=self._where.endpoint,
            per_second=question.per_second,
            span_s=question.span_s,
        )
        while True:
            began_ns = self._clock.unix_ns()
            self.failed = await train.keep(plan, self._where, self._clock, self._deliver)
            if not self._file.spans and not self._waiting:
                return
            failed_ns = self._failed_ns(began_ns)
            self._say(f"The train failed and is tried again: {self.failed.why}")
            await asyncio.sleep(_AGAIN_S)
            why = f"no train: {self.failed.why}"
            self._deliver(Gap(started_unix_ns=failed_ns, ended_unix_ns=self._clock.unix_ns(), why=why))

    def _failed_ns(self, began_ns: int) -> int:
        ends = [one.started_unix_ns + round(one.seconds * NS_PER_S) for one in self._file.spans]
        return max(began_ns, *ends)

    def _deliver(self, record: TrainSpan | Stall | Gap | SoFar | Answering | Sampled) -> None:
        if isinstance(record, TrainSpan | Stall | Gap):
            self._waiting.append(record)
            self._something.set()
        if isinstance(record, TrainSpan):
            self._say(f"{record.sent} packets more, {record.lost} lost.")

    async def _write(self) -> None:
        """The disk may take its time, which must not make a packet late."""
        while True:
            await self._something.wait()
            self._something.clear()
            records, self._waiting = self._waiting, []
            writing = asyncio.ensure_future(asyncio.to_thread(self._file.append, records))
            try:
                await asyncio.shield(writing)
            except asyncio.CancelledError:
                await asyncio.wait({writing})
                raise
