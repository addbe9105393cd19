"""The chance that a show of this length, at this hour of such days, stays clean, with its bound.

Each comparable day of the last four weeks is a trial: had the show been on, would a stall have outlasted a
buffer, or would a run have found too little rate for longer than a buffer lasts? Whole days are counted and
not hours, because troubles of an evening come together. A day that was not watched through is none: a gap is
neither good nor bad. The bounds are one-sided at 95 % and exact (sampling). Pure.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.judge import fluid, sampling
from dashboard.judge.comparable import History, ShowSeen
from dashboard.judge.freezes import by_stall
from store import demand
from store.site import Destination

WATCHED_ENOUGH = 0.95  # of a show's time, for its day to count


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """`clean` of `days` shows would have stayed clean; not whole where two trains disagree about a day.

    `low` and `high` bound the chance that the next one does; `unwatched` days have no say.
    """

    days: int
    clean: float
    unwatched: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """The chance itself; None without a day."""
        return self.clean / self.days if self.days else None


def chance(destinations: Sequence[Destination], history: History) -> Chance:
    """From every comparable day of the history."""
    cost = by_stall(destinations, history)
    found = [_clean(show, destinations, history, cost) for show in history.shows]
    told = [share for share in found if share is not None]
    return of(sum(told), len(told), unwatched=len(found) - len(told))


def of(clean: float, days: int, *, unwatched: int = 0) -> Chance:
    """The chance by so many clean days of so many."""
    return Chance(
        days=days,
        clean=clean,
        unwatched=unwatched,
        low=sampling.lower_bound(clean, days),
        high=sampling.upper_bound(clean, days),
    )


def _clean(
    show: ShowSeen, destinations: Sequence[Destination], history: History, cost: Sequence[Sequence[float]]
) -> float | None:
    """The share of trains by which one show would have been clean; None where no train watched it through."""
    watching = [
        train for train, seconds in enumerate(show.watched_s) if seconds >= WATCHED_ENOUGH * show.seconds
    ]
    if not watching:
        return None
    if any(_starved(destinations, history, rate_bps, seconds) for rate_bps, seconds in show.runs):
        return 0.0
    calm = 0
    for train in watching:
        starts = [stall.started_unix_ns for stall in history.trains[train]]
        first, last = bisect_left(starts, show.start_unix_ns), bisect_left(starts, show.end_unix_ns)
        calm += not any(cost[train][first:last])
    return calm / len(watching)


def _starved(destinations: Sequence[Destination], history: History, rate_bps: int, seconds: float) -> bool:
    """Whether a run's mean rate would have filled the shortest buffer within the run."""
    needs, _, _ = demand.together(destinations, loss_ratio=history.loss_ratio)
    headroom = max(0, rate_bps - history.beside_bps) / needs
    return fluid.overflow_s(min(one.buffer_s for one in destinations), headroom) < seconds
