"""The port of a handoff: its carrier lost and back, its rate or duplex changed, as events.

`Port` is pure: links in, events out. `watch` looks whenever the kernel says that some interface changed, and
every 10 s besides. A handoff without an interface in the site file is watched at the one that the kernel
first led to its endpoint; that its route goes elsewhere later, as it does while the carrier is away, changes
nothing. Stands above book and link.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field

from probe.book import Book
from probe.linux import link
from probe.linux.link import Link
from probe.linux.link_news import LinkNews
from probe.reach import Reach
from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.quantities import port_rate
from store.records import Owner

LOOK_EVERY_S = 10.0

LinkLook = Callable[[Reach], Awaitable[Link | None]]  # None: it is not known which interface leads there


@dataclass(slots=True, kw_only=True)
class Port:
    """What is known of a handoff's port. `lost` is the event since which it has no carrier, if there is one.

    `lost_ns` is when that was by the monotonic clock, None where it was before this process.
    """

    handoff: str
    lost: Event | None = None
    lost_ns: int | None = field(default=None, init=False)
    link: Link | None = field(default=None, init=False)
    runs_at: tuple[int | None, str | None] | None = field(
        default=None, init=False
    )  # rate, duplex, last known

    def look(self, now: Link, *, unix_ns: int, monotonic_ns: int) -> list[Event]:
        """The events between the last look and this one, oldest first."""
        before, self.link = self.link, now
        found: list[Event] = []
        if before is not None and before.name != now.name:
            before = self.runs_at = None  # another site file names another interface
        if before is not None and self.lost is None and now.carrier and _came_and_went(before, now):
            found.append(self._lost(now, unix_ns - 1, None))
        if self.lost is None and not now.carrier:
            found.append(self._lost(now, unix_ns, monotonic_ns))
        if self.lost is not None and now.carrier:
            found.append(self._back(now, unix_ns, monotonic_ns))
        changed = self._rate_changed(now, unix_ns)
        return found if changed is None else [*found, changed]

    def _lost(self, now: Link, unix_ns: int, monotonic_ns: int | None) -> Event:
        owner = Owner.UNKNOWN
        says = f"no carrier on port {now.name}"
        if not now.there:
            owner, says = Owner.HOUSE, f"this host has no interface {now.name}"
        elif not now.set_up:
            owner, says = Owner.HOUSE, f"port {now.name} was taken down on this host"
        self.lost_ns = monotonic_ns
        self.lost = self._event(EventKind.CARRIER_LOST, unix_ns, says, owner)
        return self.lost

    def _back(self, now: Link, unix_ns: int, monotonic_ns: int) -> Event:
        lost, lost_ns = self.lost, self.lost_ns
        seconds = None if lost_ns is None else round((monotonic_ns - lost_ns) / NS_PER_S, 3)
        after = "" if seconds is None else f" after {seconds:.1f} s"
        self.lost = self.lost_ns = None
        owner = Owner.UNKNOWN if lost is None else lost.owner
        says = f"carrier back on port {now.name}{after}"
        return self._event(EventKind.CARRIER_BACK, unix_ns, says, owner, seconds=seconds)

    def _rate_changed(self, now: Link, unix_ns: int) -> Event | None:
        """A rate that is not known, as without a carrier, is no other rate."""
        if not now.carrier or now.port_rate_bps is None:
            return None
        before, after = self.runs_at, (now.port_rate_bps, now.duplex)
        self.runs_at = after
        if before is None or before == after:
            return None
        was, is_ = _said(*before), _said(*after)
        says = f"port {now.name} runs at {is_}, before at {was}"
        return self._event(EventKind.PORT, unix_ns, says, Owner.HOUSE, before=was, after=is_)

    def _event(
        self,
        what: EventKind,
        unix_ns: int,
        says: str,
        owner: Owner,
        *,
        seconds: float | None = None,
        before: str | None = None,
        after: str | None = None,
    ) -> Event:
        return Event(
            handoff=self.handoff,
            started_unix_ns=unix_ns,
            what=what,
            says=says,
            owner=owner,
            seconds=seconds,
            before=before,
            after=after,
        )


class Links:
    """The links of handoffs; `name_of` says which interface leads somewhere."""

    def __init__(self, name_of: Callable[[Reach], Awaitable[str | None]]) -> None:
        self._name_of = name_of
        self._names: dict[str, str] = {}  # by handoff, once it is known

    async def look(self, where: Reach) -> Link | None:
        """The link of the interface by which `where` is, or was first, reached."""
        name = where.binding.interface or self._names.get(where.handoff) or await self._name_of(where)
        if name is None:
            return None
        self._names[where.handoff] = name
        return await asyncio.to_thread(link.read, name)


async def watch(reaches: Iterable[Reach], *, look: LinkLook, book: Book, ports: dict[str, Port]) -> None:
    """Keep an event of whatever changes at these handoffs' ports, until cancelled.

    `ports` is what is known of them, by handoff; it is filled, and outlives this watch.
    """
    watched = [(where, ports.setdefault(where.handoff, Port(handoff=where.handoff))) for where in reaches]
    with LinkNews() as news:
        while True:
            for where, port in watched:
                now = await look(where)
                if now is None:
                    continue
                unix_ns, monotonic_ns = book.clock.unix_ns(), book.clock.monotonic_ns()
                for event in port.look(now, unix_ns=unix_ns, monotonic_ns=monotonic_ns):
                    book.keep_event(event)
            await news.within(LOOK_EVERY_S)


def _came_and_went(before: Link, now: Link) -> bool:
    return before.carrier and before.lost is not None and now.lost is not None and now.lost > before.lost


def _said(rate_bps: int | None, duplex: str | None) -> str:
    if rate_bps is None:
        return "an unknown rate"
    rate = port_rate(rate_bps)
    return rate if duplex is None else f"{rate} {duplex} duplex"
