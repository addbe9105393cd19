"""A show after it: whose each of the encoder's drops was, whether the line kept it clean, and the score.

A drop is joined with what the trains saw in the seconds before it: an encoder notes a stall when its buffer
is full, so up to the buffer and a few seconds later. What only the house endpoint's train shows is the
house's; what the trains to outside show while the house's was clean is the line's; what no train shows, and
only some destinations lost, is the far end's; what no train shows, and all destinations lost at once, is the
encoder's. Anything else is unknown, since nothing separates it. How far apart two times may lie is common
practice, no source. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from dashboard.judge.comparable import History
from dashboard.judge.freezes import by_stall
from dashboard.judge.hours import Show
from store.clock import NS_PER_S
from store.drops import Drop
from store.quantities import counted
from store.records import Stall
from store.shows import Forecast, JoinedDrop
from store.site import Destination, StreamPlan

CLOCKS_S = 2.0  # how far the encoder's clock may be off
NOTES_S = 3.0  # how much later than its buffer an encoder may note a drop
WATCHED_ENOUGH = 0.95  # of a show, for "no stall" to say that the line was clean


class Owner(StrEnum):
    """Whose a drop was."""

    LINE = "line"
    HOUSE = "house"
    ENCODER = "encoder"
    FAR_END = "far end"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A train during the show: its stalls on the way up, and the spans that it watched, as instants."""

    endpoint: str
    stalls: tuple[Stall, ...]
    watched: tuple[tuple[int, int], ...]

    def at(self, from_ns: int, to_ns: int) -> Stall | None:
        """The longest stall that touches the time."""
        found = [
            one
            for one in self.stalls
            if one.started_unix_ns < to_ns and one.started_unix_ns + one.duration_us * 1000 >= from_ns
        ]
        return max(found, key=lambda one: one.duration_us, default=None)

    def watching(self, at_ns: int) -> bool:
        return any(start_ns <= at_ns < end_ns for start_ns, end_ns in self.watched)

    def seconds_in(self, show: Show) -> float:
        """How much of the show it watched."""
        return (
            sum(
                max(0, min(end_ns, show.end_unix_ns) - max(start_ns, show.start_unix_ns))
                for start_ns, end_ns in self.watched
            )
            / NS_PER_S
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a show. `line_clean` is None where that is not known."""

    drops: tuple[JoinedDrop, ...]
    watched_ratio: float
    stalls: int
    stalled_s: float
    freezes: int
    line_clean: bool | None
    because: str


def outcome(
    plan: StreamPlan,
    show: Show,
    *,
    line: Sequence[Seen],
    house: Sequence[Seen],
    drops: Sequence[Drop] | None,
    history: History,
) -> Outcome:
    """What became of a show; `drops` is None where no list of the encoder's was at hand."""
    joined = tuple(_joined(one, drops or (), plan, line, house) for one in drops or ())
    during = [_during(train, show) for train in line]
    most = max(during, key=len, default=())
    length_s = (show.end_unix_ns - show.start_unix_ns) / NS_PER_S
    watched = max((train.seconds_in(show) for train in line), default=0.0) / length_s
    freezes = _freezes(plan.destinations, during, history)
    clean, because = _clean(joined, drops is not None, freezes, watched)
    return Outcome(
        drops=joined,
        watched_ratio=min(1.0, watched),
        stalls=len(most),
        stalled_s=sum(one.seconds for one in most),
        freezes=freezes,
        line_clean=clean,
        because=because,
    )


def brier(chance: float, clean: bool) -> float:
    """The squared distance of a chance from what came true: 0 is best, 1 worst, and 0.25 what 50 % gets.

    A proper score: whoever says what they hold to be true gets the best one on average (G. W. Brier, 1950).
    """
    return (chance - clean) ** 2


def scored(forecasts: Sequence[Forecast], show: Show) -> Forecast | None:
    """The forecast that counts: the last one with a chance that was given for this show before it began."""
    given = [
        one
        for one in forecasts
        if one.show_start_unix_ns == show.start_unix_ns and one.started_unix_ns < show.start_unix_ns
    ]
    told = [one for one in given if one.chance is not None]
    return max(told or given, key=lambda one: one.started_unix_ns, default=None)


def _during(train: Seen, show: Show) -> tuple[Stall, ...]:
    return tuple(one for one in train.stalls if show.start_unix_ns <= one.started_unix_ns < show.end_unix_ns)


def _freezes(
    destinations: Sequence[Destination], during: Sequence[tuple[Stall, ...]], history: History
) -> int:
    """Stalls that outlast the buffers, of the train that saw most of them."""
    if history.floor.bps is None or not any(during):
        return 0
    now = replace(history, trains=tuple(during), train_s=max(1.0, history.train_s))
    return max(sum(seconds > 0 for seconds in train) for train in by_stall(destinations, now))


def _joined(
    drop: Drop, all_: Sequence[Drop], plan: StreamPlan, line: Sequence[Seen], house: Sequence[Seen]
) -> JoinedDrop:
    buffer_s = max(one.buffer_s for one in plan.destinations if drop.destination in ("", one.name))
    from_ns = drop.at_unix_ns - round((buffer_s + NOTES_S + CLOCKS_S) * NS_PER_S)
    to_ns = drop.at_unix_ns + round((drop.seconds + CLOCKS_S) * NS_PER_S)
    owner, why = _owner(drop, all_, plan, line, house, from_ns, to_ns)
    return JoinedDrop(
        at_unix_ns=drop.at_unix_ns,
        seconds=drop.seconds,
        destination=drop.destination,
        owner=str(owner),
        why=why,
    )


def _owner(
    drop: Drop,
    all_: Sequence[Drop],
    plan: StreamPlan,
    line: Sequence[Seen],
    house: Sequence[Seen],
    from_ns: int,
    to_ns: int,
) -> tuple[Owner, str]:
    inside = next((stall for one in house if (stall := one.at(from_ns, to_ns)) is not None), None)
    if inside is not None:
        return Owner.HOUSE, f"The train to the house endpoint stalled for {inside.seconds:.1f} s just then."
    watching = [one for one in line if one.watching(drop.at_unix_ns)]
    stalled = [(one, stall) for one in line if (stall := one.at(from_ns, to_ns)) is not None]
    if stalled and len(stalled) == len(watching or stalled):
        longest = max(stall.seconds for _, stall in stalled)
        calm = any(one.watching(drop.at_unix_ns) for one in house)
        names = " and ".join(one.endpoint for one, _ in stalled)
        beside = "and the house segment was clean" if calm else "but no house endpoint was watched"
        said = f"The train to {names} stalled for {longest:.1f} s just then, {beside}."
        return (Owner.LINE if calm else Owner.UNKNOWN), said
    if stalled:
        names = " and ".join(one.endpoint for one, _ in stalled)
        return Owner.UNKNOWN, f"Only the train to {names} stalled, others did not: its path, or the line's."
    if not watching:
        return Owner.UNKNOWN, "No train watched the line just then."
    return _beyond(drop, all_, plan)


def _beyond(drop: Drop, all_: Sequence[Drop], plan: StreamPlan) -> tuple[Owner, str]:
    """What no train shows: the encoder's, or one destination's."""
    clean = "The line and the house were clean just then"
    if len(plan.destinations) < 2 or not drop.destination:
        return Owner.UNKNOWN, f"{clean}: encoder or far end, which one destination cannot tell apart."
    near_ns = round((NOTES_S + CLOCKS_S) * NS_PER_S)
    at_once = {one.destination for one in all_ if abs(one.at_unix_ns - drop.at_unix_ns) <= near_ns} - {""}
    if len(at_once) == len(plan.destinations):
        return Owner.ENCODER, f"{clean}, and every destination dropped at once."
    return Owner.FAR_END, f"{clean}, and other destinations went on."


def _clean(drops: Sequence[JoinedDrop], known: bool, freezes: int, watched: float) -> tuple[bool | None, str]:
    """Whether the line kept the show clean, and why, as a sentence."""
    own = sum(one.owner == Owner.LINE for one in drops)
    unknown = sum(one.owner == Owner.UNKNOWN for one in drops)
    others = len(drops) - own - unknown
    if own:
        return False, f"{counted(own, 'drop')} of {len(drops)} came with a stall of the line."
    if known and unknown:
        return (
            None,
            f"{counted(unknown, 'drop')} of {len(drops)} cannot be told from the line's, so it stays open.",
        )
    if known:
        rest = f"; {counted(others, 'drop')} were not the line's" if others else ""
        return True, f"No drop of the encoder came from the line{rest}."
    if freezes:
        return (
            False,
            f"{freezes} stalls outlast the plan's buffers; no list of the encoder's drops was given.",
        )
    if not watched:
        return None, "No train watched the show, so nobody knows."
    if watched < WATCHED_ENOUGH:
        return None, f"Trains watched {watched * 100:.0f} % of the show, so nobody knows of the rest."
    return True, "No stall outlasts the plan's buffers; no list of the encoder's drops was given."
