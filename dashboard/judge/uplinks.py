"""Which uplink should carry which destination of a stream plan.

Every way to share the destinations out is judged, each uplink by what it has to carry; the best is the one
whose worst uplink has the best answer, then the one that moves fewest, then the one whose fullest uplink is
least full. An uplink without runs or trains in the plan's hours carries nothing, since nothing is known of
it. That two uplinks may share a device, power or a fibre is not in here. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

from store.site import Destination

_MOST_WAYS = 512  # beyond, only one destination is moved at a time

# The place of the answer for these destinations on an uplink among Go, Tight and Hold, and the share of its
# floor that they take; None where nothing is known of it.
Judged = Callable[[str, Sequence[Destination]], tuple[int, float] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """`carries` names the uplink of each destination, `place` is that of the worst answer, `moved` how many
    leave the plan's own uplink."""

    carries: tuple[tuple[str, str], ...]
    place: int
    moved: int


def best(
    destinations: Sequence[Destination], *, own: str, others: Sequence[str], judged: Judged
) -> Shares | None:
    """The best way to share them out; None where nothing is known of any uplink."""

    @cache
    def of(handoff: str, places: tuple[int, ...]) -> tuple[int, float] | None:
        return judged(handoff, [destinations[place] for place in places])

    found = []
    for way in _ways(len(destinations), own, others):
        parts = {name: tuple(place for place, to in enumerate(way) if to == name) for name in {*way}}
        told = [of(name, places) for name, places in parts.items()]
        known = [each for each in told if each is not None]
        if len(known) == len(told):
            moved = sum(name != own for name in way)
            found.append(((max(place for place, _ in known), moved, max(full for _, full in known)), way))
    if not found:
        return None
    (place, moved, _), way = min(found)
    names = tuple(one.name for one in destinations)
    return Shares(carries=tuple(zip(names, way, strict=True)), place=place, moved=moved)


def _ways(count: int, own: str, others: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Ways to share out, all of them as far as they are few."""
    names = (own, *others)
    if len(names) ** count <= _MOST_WAYS:
        yield from product(names, repeat=count)
        return
    for name in names:
        yield (name,) * count
    for place in range(count):
        for name in others:
            yield (*(own,) * place, name, *(own,) * (count - place - 1))


def said(shares: Shares, word: str) -> str:
    """The advice as a sentence."""
    by: dict[str, list[str]] = {}
    for destination, handoff in shares.carries:
        by.setdefault(handoff, []).append(destination)
    parts = [f"{_list(names)} by handoff {handoff}" for handoff, names in by.items()]
    if not shares.moved:
        return f"No other way to share the destinations out gives more than {word}."
    return f"Best shared out: {'; '.join(parts)}. Together {word}."


def _list(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def as_mapping(shares: Shares) -> Mapping[str, str]:
    """The uplink by destination, for programs."""
    return dict(shares.carries)
