"""A month's rates by hour of the week: when the line is slow, as it comes back every week.

An hour is judged by how many of its runs missed the stated rate, as the verdict on the contract has it; where
no rate is stated, by its middle run against that of all hours. Pure; imports nothing of the project.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from statistics import median_low
from typing import TypeVar

K = TypeVar("K", bound=Hashable)

ENOUGH_RUNS = 3  # of fewer, one odd run makes an hour the worst; common practice, no source
DAYS, HOURS = range(7), range(24)


class Level(StrEnum):
    """How an hour does, best first. The borders are ours; common practice, no source."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    BAD = "bad"


_MISSED_MOST = ((Level.GOOD, 0.0), (Level.FAIR, 0.25), (Level.POOR, 0.5))  # share of runs that missed
_OF_MIDDLE_LEAST = ((Level.GOOD, 0.9), (Level.FAIR, 0.75), (Level.POOR, 0.5))  # of the middle of all hours


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """What the runs of one hour said. `missed` is how many missed the stated rate, None without one."""

    runs: int
    middle_bps: float | None
    least_bps: int | None
    missed: int | None
    level: Level | None

    @property
    def enough(self) -> bool:
        return self.runs >= ENOUGH_RUNS


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekMap:
    """Every hour of the week by (weekday, hour), Monday is 0; every hour of the day; and all together."""

    stated_bps: int | None
    week: dict[tuple[int, int], Hours]
    day: dict[int, Hours]
    whole: Hours

    @property
    def worst(self) -> tuple[int, int] | None:
        """The worst hour of the week that has enough runs and is not good; None where there is none."""
        return worst(self.week)

    @property
    def worst_of_day(self) -> int | None:
        return worst(self.day)


def week_map(seen: Iterable[tuple[datetime, int, bool]], *, stated_bps: int | None) -> WeekMap:
    """From runs that count: the local time of each, its rate in bit/s, whether it missed the stated one."""
    week: dict[tuple[int, int], list[tuple[int, bool]]] = {(day, hour): [] for day in DAYS for hour in HOURS}
    for when, rate_bps, missed in seen:
        week[when.weekday(), when.hour].append((rate_bps, missed))
    every = [run for runs in week.values() for run in runs]
    middle_bps = median_low(rate for rate, _ in every) if every else None

    def hours(runs: Sequence[tuple[int, bool]]) -> Hours:
        return _hours(runs, stated_bps is not None, middle_bps)

    return WeekMap(
        stated_bps=stated_bps,
        week={at: hours(runs) for at, runs in week.items()},
        day={hour: hours([run for day in DAYS for run in week[day, hour]]) for hour in HOURS},
        whole=hours(every),
    )


def worst(found: Mapping[K, Hours]) -> K | None:
    """Which hour is the worst: most of its runs missed, then the lowest middle. None where all are good."""
    known = {at: one for at, one in found.items() if one.enough and one.level not in (None, Level.GOOD)}

    def badness(at: K) -> tuple[float, float]:
        one = known[at]
        return (one.missed or 0) / one.runs, -(one.middle_bps or 0)

    return max(known, key=badness, default=None)


def _hours(runs: Sequence[tuple[int, bool]], stated: bool, middle_of_all: float | None) -> Hours:
    if not runs or not middle_of_all:
        return Hours(runs=len(runs), middle_bps=None, least_bps=None, missed=None, level=None)
    middle_bps = median_low(rate for rate, _ in runs)
    missed = sum(one for _, one in runs) if stated else None
    if missed is None:
        share = middle_bps / middle_of_all
        level = next((one for one, least in _OF_MIDDLE_LEAST if share >= least), Level.BAD)
    else:
        level = next((one for one, most in _MISSED_MOST if missed <= most * len(runs)), Level.BAD)
    least_bps = min(rate for rate, _ in runs)
    return Hours(runs=len(runs), middle_bps=middle_bps, least_bps=least_bps, missed=missed, level=level)
