"""The parts of the way, S1 to S5, as lanes over time: when each was silent, and when it was watched.

What a lane shows is what was seen there, a train's stalls or a router that left out its answers during one;
who must act follows from lanes that differ in the same second, and is judged elsewhere (stall_places). A hop
that answers as usual clears what is nearer than it. Pure; imports placing, stall_places and witnesses.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboard.judge import stall_places, witnesses
from dashboard.judge.placing import Hop, State
from store.clock import NS_PER_S, NS_PER_US
from store.records import Stall
from store.segments import Seen, Split, Station, Witnesses

HOUSE, ROUTERS, PROVIDER, FIRST_OUTSIDE = "S1", "S2", "S3", 4

Stretch = tuple[int, int]  # from, to, in Unix ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """Silences that lie near to each other, drawn as one: how many, and how long they were together."""

    start_ns: int
    end_ns: int
    count: int
    silent_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One part of one handoff's way. `name` is an endpoint's, empty for routers.

    `watched` is when a train spoke. Routers have none: they are asked about a stall, `asked` times, and
    `clear` is when they answered. `longest_s` is None without a silence.
    """

    handoff: str
    segment: str
    name: str
    silent: tuple[Stretch, ...]
    watched: tuple[Stretch, ...] = ()
    clear: tuple[int, ...] = ()
    asked: int | None = None

    @property
    def silent_s(self) -> float:
        return sum(end - start for start, end in self.silent) / NS_PER_S

    @property
    def longest_s(self) -> float | None:
        return max((end - start for start, end in self.silent), default=0) / NS_PER_S if self.silent else None


def of_train(
    handoff: str, segment: str, name: str, *, stalls: Iterable[Stall], watched: Iterable[Stretch]
) -> Lane:
    """The lane of the train to an endpoint."""
    return Lane(
        handoff=handoff,
        segment=segment,
        name=name,
        silent=tuple(ends(one) for one in stalls),
        watched=tuple(joined(watched)),
    )


def of_routers(handoff: str, around: Sequence[tuple[Stall, Witnesses]]) -> tuple[Lane, ...]:
    """The lanes of the house's own routers and of the provider's first ones, those that were asked."""
    said = [(stall, *_states(stall_places.hops(stall, found), found.house_hops)) for stall, found in around]
    lanes = []
    for segment, nth in ((ROUTERS, 1), (PROVIDER, 2)):
        spoke = [(one[0], one[nth]) for one in said if one[nth] is not State.NOTHING]
        if spoke:
            lanes.append(
                Lane(
                    handoff=handoff,
                    segment=segment,
                    name="",
                    silent=tuple(ends(stall) for stall, state in spoke if state is State.HIT),
                    clear=tuple(stall.started_unix_ns for stall, state in spoke if state is State.CLEAR),
                    asked=len(spoke),
                )
            )
    return tuple(lanes)


def of_split(split: Split) -> list[tuple[Stall, Witnesses]]:
    """The stalls of a split's trains, with its hops as if they had been asked around each."""
    hops = [one for one in split.seen if one.station is Station.HOP and one.ttl is not None]
    trains = [one for one in split.seen if one.station is Station.OUTSIDE and one.stalls]
    quiet = sorted((one.start_ms, one.start_ms + one.duration_ms) for each in trains for one in each.stalls)
    before = [witnesses.outside(hop, quiet) for hop in hops]
    found = []
    for train in trains:
        for one in train.stalls:
            path: dict[str, Any] = {"handoff": split.handoff, "endpoint": train.name}
            start_ns, lasts_us = split.started_unix_ns + one.start_ms * 1_000_000, one.duration_ms * 1000
            stall = Stall(
                **path,
                started_unix_ns=start_ns,
                duration_us=lasts_us,
                direction=one.direction,
                how=one.how,
                lost=0,
                held=0,
            )
            around = Witnesses(
                **path,
                started_unix_ns=start_ns,
                duration_us=lasts_us,
                house_hops=split.house_hops,
                seen=tuple(_since(hop, one.start_ms) for hop in hops),
                sent_before=tuple(each.good + each.bad for each in before),
                answered_before=tuple(each.good for each in before),
            )
            found.append((stall, around))
    return found


def besides(
    known: Sequence[tuple[Stall, Witnesses]], more: Iterable[tuple[Stall, Witnesses]]
) -> list[tuple[Stall, Witnesses]]:
    """Of `more` the stalls that are none of those known, each once: several trains saw the same silence."""
    taken = sorted(ends(stall) for stall, _ in known)
    found = []
    for stall, around in more:
        start, end = ends(stall)
        if not any(low < end and start < high for low, high in taken):
            taken.append((start, end))
            found.append((stall, around))
    return found


def _since(hop: Seen, start_ms: int) -> Seen:
    """The same answers, in ms from another start."""
    answered, missed = (tuple(at - start_ms for at in each) for each in (hop.answered_ms, hop.missed_ms))
    return replace(hop, answered_ms=answered, missed_ms=missed)


def _states(hops: Sequence[Hop], house_hops: int) -> tuple[State, State]:
    own = [hop.state for hop in hops if hop.ttl <= house_hops]
    beyond = [hop.state for hop in hops if hop.ttl > house_hops]
    return _state(own, [*own, *beyond]), _state(beyond, beyond)


def _state(own: Sequence[State], passed: Sequence[State]) -> State:
    if State.CLEAR in passed and own:
        return State.CLEAR
    return State.HIT if State.HIT in own else State.NOTHING


def ends(stall: Stall) -> Stretch:
    """When a stall began and ended."""
    return stall.started_unix_ns, stall.started_unix_ns + stall.duration_us * NS_PER_US


def joined(stretches: Iterable[Stretch]) -> list[Stretch]:
    """The same time in as few stretches as cover it."""
    found: list[Stretch] = []
    for start, end in sorted(stretches):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found


def bars(silent: Iterable[Stretch], *, apart_ns: int) -> list[Bar]:
    """What can be drawn: silences less than `apart_ns` from each other are one bar, none is left out."""
    found: list[Bar] = []
    for start, end in sorted(silent):
        last = found[-1] if found else None
        lasted_s = (end - start) / NS_PER_S
        if last is None or start - last.end_ns >= apart_ns:
            found.append(Bar(start_ns=start, end_ns=end, count=1, silent_s=lasted_s))
        else:
            found[-1] = Bar(
                start_ns=last.start_ns,
                end_ns=max(end, last.end_ns),
                count=last.count + 1,
                silent_s=last.silent_s + lasted_s,
            )
    return found
