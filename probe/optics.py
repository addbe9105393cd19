"""Light that fades: each handoff's optic is read every minute, kept by the hour, held against its first.

A sensor is good to about 3 dB, so no level by itself says anything; a change of 2 dB from the first reading
does (common practice, no source). `Fading` is pure: readings in, events out. Stands above book.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, field

from probe.book import Book
from probe.linux.optic import Optic
from probe.reach import Reach
from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.light import Light
from store.reader import Reader
from store.records import Owner
from store.site import Site

LOOK_EVERY_S = 60.0
DRIFT_DB = 2.0
_BACK_DB = 1.0  # within this of the first reading, it has come back
_KEEP_EVERY_NS = 3600 * NS_PER_S

ReadOptic = Callable[[Reach], Awaitable[tuple[str, Optic] | None]]  # the interface and what its optic says


@dataclass(slots=True, kw_only=True)
class Fading:
    """The optic of one handoff. `first` is its first reading on record, None before there is one."""

    handoff: str
    first: Light | None = None
    faded: set[str] = field(default_factory=set, init=False)  # received, sent
    _kept_ns: int | None = field(default=None, init=False)

    def look(self, interface: str, now: Optic, *, unix_ns: int) -> list[Light | Event]:
        """What is to be kept of this reading: itself once an hour, and what drifted since the first."""
        reading = Light(
            handoff=self.handoff,
            started_unix_ns=unix_ns,
            interface=interface,
            received_nw=now.received_nw,
            sent_nw=now.sent_nw,
            temperature_mc=now.temperature_mc,
        )
        found: list[Light | Event] = []
        if self.first is None or self.first.interface != interface:
            self.first, self._kept_ns = reading, None
            self.faded.clear()
        if self._kept_ns is None or not 0 <= unix_ns - self._kept_ns < _KEEP_EVERY_NS:
            self._kept_ns = unix_ns
            found.append(reading)
        for what in ("received", "sent"):
            before_nw, now_nw = getattr(self.first, f"{what}_nw"), getattr(reading, f"{what}_nw")
            if before_nw:
                found += self._compared(what, before_nw, now_nw, interface, unix_ns)
        return found

    def _compared(
        self, what: str, before_nw: int, now_nw: int, interface: str, unix_ns: int
    ) -> list[Light | Event]:
        """An event the first time that the level has fallen by 2 dB, and again once it had come back."""
        fallen_db = _fallen_db(before_nw, now_nw)
        if what in self.faded:
            if fallen_db <= _BACK_DB:
                self.faded.discard(what)
            return []
        if fallen_db < DRIFT_DB:
            return []
        self.faded.add(what)
        before, after = said(before_nw), said(now_nw)
        says = f"light {what} by the optic of {interface} fell from {before}, as first read, to {after}"
        return [
            Event(
                handoff=self.handoff,
                started_unix_ns=unix_ns,
                what=EventKind.OPTIC,
                says=says,
                owner=Owner.UNKNOWN,
                before=before,
                after=after,
            )
        ]


def restored(site: Site) -> dict[str, Fading]:
    """The optics as they are on record: the first reading, and whether the newest had faded. Blocks."""
    found: dict[str, Fading] = {}
    with closing(Reader.open(site.database)) as reader:
        for handoff in site.handoffs:
            fading = found[handoff.name] = Fading(handoff=handoff.name)
            for newest in reader.documents(Light, handoff=handoff.name, limit=1):
                first = fading.first = _first_of(reader, newest)
                fading.faded = {
                    what
                    for what in ("received", "sent")
                    if _fallen_db(getattr(first, f"{what}_nw"), getattr(newest, f"{what}_nw")) >= DRIFT_DB
                }
    return found


def _first_of(reader: Reader, newest: Light) -> Light:
    """The first reading since the handoff's interface last became another one."""
    first: Light | None = None
    for _, one in reader.each(Light.kind, handoff=newest.handoff):
        if isinstance(one, Light) and (first is None or one.interface != first.interface):
            first = one
    return newest if first is None else first


async def watch(where: Reach, fading: Fading, *, read: ReadOptic, book: Book) -> None:
    """Look every minute until cancelled; a handoff without an optic that can be read costs a question."""
    while True:
        found = await read(where)
        if found is not None:
            for record in fading.look(*found, unix_ns=book.clock.unix_ns()):
                if isinstance(record, Event):
                    book.keep_event(record)
                else:
                    book.keep(record)
        await asyncio.sleep(LOOK_EVERY_S)


def _fallen_db(before_nw: int, now_nw: int) -> float:
    """How far below the first reading; 0 where that saw no light."""
    return dbm(before_nw) - dbm(now_nw) if before_nw > 0 else 0.0


def dbm(nanowatts: int) -> float:
    """Power in decibels above 1 mW; minus infinity for none."""
    return 10 * math.log10(nanowatts / 1e6) if nanowatts > 0 else -math.inf


def said(nanowatts: int) -> str:
    """As a person reads it: ``-6.8 dBm``, or none at all."""
    return f"{dbm(nanowatts):.1f} dBm" if nanowatts > 0 else "no light"
