"""The watch on this host's clock: looks once a second, and puts on record what it finds.

A step and a sleep are events as well, and a sleep is a gap for all handoffs. Whoever must know whether the
clock can be trusted just now may have it look at once. Stands above book; owned by the daemon.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from probe.book import Book
from probe.linux.clock_state import ClockState
from probe.wall import SLEPT, lost_time
from store.clock import Reading, rfc3339
from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.records import Gap, Owner

LOOK_EVERY_S = 1.0

ReadState = Callable[[], ClockState]


async def watch(book: Book, *, read_state: ReadState) -> None:
    """Look until cancelled; `read_state` is what the kernel says of NTP."""
    while True:
        book.wall.state = read_state()
        now = look(book)
        for change in book.wall.judge.rest(now, book.wall.state):
            _tell(change, book)
        await asyncio.sleep(LOOK_EVERY_S)


def look(book: Book) -> Reading:
    """Note a step and a sleep since the last look, by whomever that was; what the clocks show."""
    now = book.clock.look()
    for change in book.wall.judge.leaps(now, book.wall.state):
        _tell(change, book)
    return now


def _tell(change: ClockChange, book: Book) -> None:
    book.keep(change)
    match change.how:
        case ClockHow.SUSPEND:
            _slept(change, book)
        case ClockHow.STEP:
            _stepped(change, book)
        case ClockHow.DRIFT:
            book.log.info("clock drift ppm=%.3f by_us=%d", change.drift_ppm, change.by_us)
        case ClockHow.GAINED:
            book.log.info("clock synchronised error_us=%s", change.error_us)
        case ClockHow.LOST:
            book.log.warning("clock not synchronised")


def _slept(change: ClockChange, book: Book) -> None:
    began_ns, ended_ns = lost_time(change)
    seconds = (change.by_us or 0) / 1e6
    book.keep(Gap(started_unix_ns=began_ns, ended_unix_ns=ended_ns, why=SLEPT))
    says = f"{SLEPT} for {seconds:.3f} s, and nothing was measured"
    book.keep(
        Event(started_unix_ns=began_ns, what=EventKind.CLOCK, says=says, owner=Owner.HOUSE, seconds=seconds)
    )
    book.log.warning("host slept seconds=%.3f uncertainty_us=%d", seconds, change.uncertainty_us)
    book.wall.note(change)


def _stepped(change: ClockChange, book: Book) -> None:
    by_us = change.by_us or 0
    way = "forward" if by_us > 0 else "back"
    before, after = rfc3339(change.ended_unix_ns - by_us * 1000), rfc3339(change.ended_unix_ns)
    event = Event(
        started_unix_ns=change.ended_unix_ns,
        what=EventKind.CLOCK,
        says=f"the clock of this host was set {way} by {abs(by_us) / 1e6:.3f} s",
        owner=Owner.HOUSE,
        before=before,
        after=after,
    )
    book.keep(event)
    values = (by_us, change.uncertainty_us, before, after)
    book.log.warning("clock step by_us=%d uncertainty_us=%d before=%s after=%s", *values)
    book.wall.note(change)
