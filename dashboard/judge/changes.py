"""The smallest change to a stream plan that improves its answer, tried in the order of intrusion.

First one destination less, then a larger buffer, then a lower rung. Rungs are H.264 rates at the low
end of what is usual (common practice, no source). How a changed plan is judged is the caller's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from dashboard.judge.layers import rate_text
from store.demand import demand_bps
from store.site import Destination

# The word a changed plan's answer improves to, or None when it does not improve.
Better = Callable[[Sequence[Destination]], str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """A picture and what it takes; no audio goes above `audio_bps` on it."""

    name: str
    video_bps: int
    audio_bps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What to change and what the answer becomes, as one sentence, with the plan it makes."""

    text: str
    destinations: tuple[Destination, ...]


RESCUE = Rung(name="720p30", video_bps=2_500_000, audio_bps=128_000)
RUNGS = (Rung(name="1080p30", video_bps=4_000_000, audio_bps=160_000), RESCUE)

_LONGEST_BUFFER_S = 10.0  # beyond, it is no longer live; longer silences are outages
_BUFFER_STEP_S = 0.1


def smallest(destinations: Sequence[Destination], better: Better) -> Change | None:
    """The first change that improves the answer; None when none does."""
    return (
        _first(_dropped(destinations), better)
        or _buffered(destinations, better)
        or _first(_lower(destinations), better)
    )


def _first(offers: Iterator[tuple[str, list[Destination]]], better: Better) -> Change | None:
    for what, changed in offers:
        if word := better(changed):
            return Change(text=f"{what} makes it {word.capitalize()}.", destinations=tuple(changed))
    return None


def _dropped(destinations: Sequence[Destination]) -> Iterator[tuple[str, list[Destination]]]:
    """The plan without one destination, the cheapest to miss first; a plan keeps at least one."""
    if len(destinations) < 2:
        return
    for gone in sorted(range(len(destinations)), key=lambda place: demand_bps(destinations[place])):
        yield f"Dropping {_name(destinations[gone])}", [*destinations[:gone], *destinations[gone + 1 :]]


def _buffered(destinations: Sequence[Destination], better: Better) -> Change | None:
    """The shortest buffer for all, in tenths of a second, that improves the answer."""

    def at(tenths: int) -> list[Destination]:
        return [replace(one, buffer_s=max(one.buffer_s, tenths * _BUFFER_STEP_S)) for one in destinations]

    low, high = 1, round(_LONGEST_BUFFER_S / _BUFFER_STEP_S)
    if not better(at(high)):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if better(at(middle)) else (middle + 1, high)
    word = better(at(high)) or ""
    whose = f"the buffer of {_name(destinations[0])}" if len(destinations) == 1 else "every buffer"
    text = f"Raising {whose} to {high * _BUFFER_STEP_S:.1f} s makes it {word.capitalize()}."
    return Change(text=text, destinations=tuple(at(high)))


def _lower(destinations: Sequence[Destination]) -> Iterator[tuple[str, list[Destination]]]:
    """One destination at a lower rung, the largest first; then all of them."""
    largest_first = sorted(range(len(destinations)), key=lambda place: -demand_bps(destinations[place]))
    for rung in RUNGS:
        for place in largest_first:
            lowered = destinations[place]
            if lowered.video_bps > rung.video_bps:
                changed = [*destinations[:place], _at(lowered, rung), *destinations[place + 1 :]]
                yield f"{_name(lowered)} at {rung.name} ({rate_text(rung.video_bps)} of video)", changed
    for rung in RUNGS if len(destinations) > 1 else ():
        changed = [_at(one, rung) for one in destinations]
        yield f"Every destination at {rung.name} ({rate_text(rung.video_bps)} of video)", changed


def _at(destination: Destination, rung: Rung) -> Destination:
    """The destination at this rung, or as it is where that is lower."""
    return replace(
        destination,
        video_bps=min(destination.video_bps, rung.video_bps),
        audio_bps=min(destination.audio_bps, rung.audio_bps),
        picture=rung.name if destination.video_bps > rung.video_bps else destination.picture,
    )


def _name(destination: Destination) -> str:
    return f"{destination.name} ({destination.picture})" if destination.picture else destination.name
