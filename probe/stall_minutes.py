"""The stalls of a handoff's trains, a minute's worth of them as one event.

A line that stalls two hundred times a day is told in some dozens of events; each stall has a record of its
own beside them. A silence that several trains, or both directions, saw at the same time counts once. Who
must act follows from which endpoints saw it, as with outages. Pure; imports store's events and records.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.records import Direction, Owner, Stall

MINUTE_NS = 60 * NS_PER_S
LATE_NS = 15 * NS_PER_S  # a stall is told once it is over and settled, and those told here last 10 s at most

_HOW = {"lost": "every packet lost", "held": "every packet held", "mixed": "some lost and some held"}
_WAYS = {Direction.UP: "up", Direction.DOWN: "down", Direction.BOTH: "in a direction that could not be told"}


@dataclass(slots=True, kw_only=True)
class StallMinutes:
    """The minute of one handoff that is being filled; None and empty between."""

    handoff: str
    house: Collection[str]  # endpoints in the house
    stalls: list[Stall] = field(default_factory=list, init=False)
    from_ns: int = field(default=0, init=False)

    def take(self, stall: Stall) -> None:
        """Put a stall into the minute that the first one began. Ask `due` before."""
        if not self.stalls:
            self.from_ns = stall.started_unix_ns
        self.stalls.append(stall)
        self.from_ns = min(self.from_ns, stall.started_unix_ns)

    @property
    def due_unix_ns(self) -> int | None:
        """When its event may be made; None while there is nothing to tell."""
        return self.from_ns + MINUTE_NS + LATE_NS if self.stalls else None

    @property
    def minute_ends_ns(self) -> int:
        """When the minute ends that is being filled."""
        return self.from_ns + MINUTE_NS

    def make(self, *, going: Collection[str], until_ns: int | None = None) -> Event | None:
        """The event of the minute, which is empty then; None where there was nothing.

        `going` are the endpoints that trains of this handoff are sent to. Stalls from `until_ns` on are
        kept for the next minute.
        """
        own = [one for one in self.stalls if until_ns is None or one.started_unix_ns < until_ns]
        self.stalls = [one for one in self.stalls if one not in own]
        self.from_ns = min((one.started_unix_ns for one in self.stalls), default=0)
        if not own:
            return None
        silences = _silences(own)
        longest = max(own, key=lambda one: (one.duration_us, one.endpoint))
        return Event(
            handoff=self.handoff,
            endpoint=own[0].endpoint if len({one.endpoint for one in own}) == 1 else "",
            started_unix_ns=min(one.started_unix_ns for one in own),
            what=EventKind.STALL,
            says=self._says(own, silences, longest),
            owner=_owner([_owner_of(one, house=self.house, going=going) for one in silences]),
            seconds=longest.seconds,
            count=len(silences),
        )

    def _says(self, own: list[Stall], silences: list[list[Stall]], longest: Stall) -> str:
        endpoints = " and ".join(sorted({one.endpoint for one in own}))
        how = f"{_WAYS[longest.direction]}, {_HOW.get(longest.how, longest.how)}"
        if len(silences) == 1:
            return f"no delivery for {longest.seconds:.1f} s {how} (train to {endpoints})"
        return (
            f"{len(silences)} stalls in a minute, the longest {longest.seconds:.1f} s {how} "
            f"(train to {endpoints})"
        )


def _silences(stalls: Iterable[Stall]) -> list[list[Stall]]:
    """Stalls that overlap in time, together."""
    found: list[list[Stall]] = []
    until_ns = -1
    for one in sorted(stalls, key=lambda one: (one.started_unix_ns, one.endpoint, one.direction)):
        if not found or one.started_unix_ns > until_ns:
            found.append([])
            until_ns = -1
        found[-1].append(one)
        until_ns = max(until_ns, one.started_unix_ns + one.duration_us * 1000)
    return found


def _owner_of(silence: list[Stall], *, house: Collection[str], going: Collection[str]) -> Owner:
    """Whose one silence is: the house's where its endpoint saw it too, an endpoint's if another did not."""
    saw = {one.endpoint for one in silence}
    if saw & set(house):
        return Owner.HOUSE
    others = set(going) - saw - set(house)
    return Owner.ENDPOINT if others else Owner.UNKNOWN


def _owner(owners: list[Owner]) -> Owner:
    return owners[0] if len(set(owners)) == 1 else Owner.UNKNOWN
