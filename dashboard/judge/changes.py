"""The changes to a stream plan that improve its answer, the smallest first.

Within the plan: one destination less, a larger buffer or ARQ latency, a lower rung. Beyond it: another
uplink, and one push to a relay instead of several, which moves the risk there. Rungs are H.264 rates at the
low end of what is usual (common practice, no source). How a changed plan is judged is the caller's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from dashboard.judge.layers import rate_text
from store.demand import demand_bps
from store.site import Destination, Transport

# The word a changed plan's answer improves to, or None when it does not improve.
Better = Callable[[Sequence[Destination]], str | None]

# How long a silence, every packet of it lost, an ARQ destination outlasts within these destinations.
Outlasts = Callable[[Destination, Sequence[Destination]], float]


class Kind(StrEnum):
    """What a change touches."""

    DROP = "drop"
    BUFFER = "buffer"
    RUNG = "rung"
    UPLINK = "uplink"
    RELAY = "relay"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """A picture and what it takes; no audio goes above `audio_bps` on it."""

    name: str
    video_bps: int
    audio_bps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What to change and what the answer becomes, as one sentence, with the plan it makes.

    `handoff` is another uplink to send it by; None for the plan's own.
    """

    kind: Kind
    text: str
    answer: str
    destinations: tuple[Destination, ...]
    handoff: str | None = None


RESCUE = Rung(name="720p30", video_bps=2_500_000, audio_bps=128_000)
RUNGS = (Rung(name="1080p30", video_bps=4_000_000, audio_bps=160_000), RESCUE)

_LONGEST_BUFFER_S = 10.0  # beyond, it is no longer live; longer silences are outages
_BUFFER_STEP_S = 0.1


def options(
    destinations: Sequence[Destination],
    better: Better,
    *,
    outlasts: Outlasts,
    uplinks: Iterable[tuple[str, Better]] = (),
) -> Iterator[Change]:
    """The first change of each kind that improves the answer, in the order in which to try them.

    `uplinks` are other handoffs with how the plan would be judged on them.
    """
    found = (
        _first(Kind.DROP, _dropped(destinations), better),
        _buffered(destinations, better, outlasts),
        _first(Kind.RUNG, _lower(destinations), better),
    )
    yield from (change for change in found if change is not None)
    for handoff, there in uplinks:
        if word := there(destinations):
            yield by_uplink(destinations, handoff, word)
    relayed = _first(Kind.RELAY, _relay(destinations), better)
    if relayed is not None:
        yield relayed


def by_uplink(destinations: Sequence[Destination], handoff: str, word: str) -> Change:
    """The whole plan by another handoff, where its answer is `word`."""
    text = f"Sending it by handoff {handoff} {_makes(word)}"
    return Change(kind=Kind.UPLINK, text=text, answer=word, destinations=tuple(destinations), handoff=handoff)


def _first(kind: Kind, offers: Iterator[tuple[str, list[Destination]]], better: Better) -> Change | None:
    for what, changed in offers:
        if word := better(changed):
            return Change(kind=kind, text=f"{what} {_makes(word)}", answer=word, destinations=tuple(changed))
    return None


def _makes(word: str) -> str:
    return f"makes it {word.capitalize()}."


def _dropped(destinations: Sequence[Destination]) -> Iterator[tuple[str, list[Destination]]]:
    """The plan without one destination, the cheapest to miss first; a plan keeps at least one."""
    if len(destinations) < 2:
        return
    for gone in sorted(range(len(destinations)), key=lambda place: demand_bps(destinations[place])):
        yield f"Dropping {_name(destinations[gone])}", [*destinations[:gone], *destinations[gone + 1 :]]


def _buffered(destinations: Sequence[Destination], better: Better, outlasts: Outlasts) -> Change | None:
    """The shortest buffer for all, in tenths of a second, that improves the answer."""

    def at(tenths: int) -> list[Destination]:
        return [replace(one, buffer_s=max(one.buffer_s, tenths * _BUFFER_STEP_S)) for one in destinations]

    low, high = 1, round(_LONGEST_BUFFER_S / _BUFFER_STEP_S)
    if not better(at(high)):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if better(at(middle)) else (middle + 1, high)
    word, changed = better(at(high)) or "", at(high)
    text = f"Raising {_buffers(destinations)} to {high * _BUFFER_STEP_S:.1f} s{_survived(changed, outlasts)}"
    return Change(kind=Kind.BUFFER, text=f"{text} {_makes(word)}", answer=word, destinations=tuple(changed))


def _buffers(destinations: Sequence[Destination]) -> str:
    """Whose buffer: ``the buffer of class``, ``the latency of archive``, ``every buffer and latency``."""
    repeating = [one.transport is Transport.ARQ for one in destinations]
    word = "latency" if all(repeating) else "buffer and latency" if any(repeating) else "buffer"
    return f"the {word} of {_name(destinations[0])}" if len(destinations) == 1 else f"every {word}"


def _survived(destinations: Sequence[Destination], outlasts: Outlasts) -> str:
    """What ARQ then outlasts, as an insertion; nothing without ARQ."""
    found = [outlasts(one, destinations) for one in destinations if one.transport is Transport.ARQ]
    return f" (ARQ then outlasts {min(found):.2f} s without any packet)" if found else ""


def _relay(destinations: Sequence[Destination]) -> Iterator[tuple[str, list[Destination]]]:
    """One contribution to a relay outside, which serves all of them: what the largest takes."""
    if len(destinations) < 2:
        return
    largest = max(destinations, key=demand_bps)
    yield (
        f"One push of {_name(largest)} to a relay that serves all {len(destinations)}, where a fault of the "
        f"relay "
        "is one of all,",
        [largest],
    )


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
