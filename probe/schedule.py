"""What is due when: one run at a random moment of each slot of a plan.

A plan's day is cut into slots that count from local midnight of the site. In each slot one run starts
at an offset drawn uniformly and independently of every earlier one (RFC 3432 section 3: the start of a
periodic test is random, so that it cannot lock onto anything periodic in the line), early enough to
end within its slot. A day of 23 or 25 hours has the slots that fit into it: slots are instants between
two local midnights, never hours on a dial.

Pure: times are Unix nanoseconds that the caller hands in. Imports store only.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from random import Random

from store.clock import NS_PER_S, local
from store.site import RunPlan

_DAY_S = 86_400
# What a rate run takes besides its seconds: opening, the idle delay before, ramping down, the report.
AROUND_RUN_S = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A stretch of time that holds one run of a plan: from `start_ns` up to, not including, `end_ns`."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A planned run: when it should start, and the last moment at which it still ends within its slot."""

    plan: RunPlan
    slot: Slot
    start_ns: int
    latest_ns: int


def run_ns(plan: RunPlan) -> int:
    """How long a run of this plan keeps its handoff busy."""
    return (plan.seconds + AROUND_RUN_S) * NS_PER_S


def midnight_ns(day: date, *, where: tzinfo) -> int:
    """The first instant of a local day.

    Where the clock skips midnight itself, that is the moment at which it does: fold 0 reads the missing
    hour with the offset before the change. A midnight that comes twice counts when it first comes.
    """
    return _unix_ns(datetime(day.year, day.month, day.day, tzinfo=where))


def slot_at(unix_ns: int, *, every_s: int, where: tzinfo) -> Slot:
    """The slot of `every_s` seconds that holds an instant.

    The last slot of a day ends at the next midnight, so it may be longer or shorter than the others: a
    rest of under half a slot belongs to the slot before it. From a day upwards a slot is a whole number
    of local days, counted so that a week starts on a Monday.
    """
    today = local(unix_ns, where).date()
    if every_s >= _DAY_S:
        days = round(every_s / _DAY_S)
        first = date.fromordinal(today.toordinal() - (today.toordinal() - 1) % days)
        last = first + timedelta(days=days)
        return Slot(start_ns=midnight_ns(first, where=where), end_ns=midnight_ns(last, where=where))
    start_ns = midnight_ns(today, where=where)
    end_ns = midnight_ns(today + timedelta(days=1), where=where)
    every_ns = every_s * NS_PER_S
    highest = _slots_in(end_ns - start_ns, every_ns) - 1
    number = min((unix_ns - start_ns) // every_ns, highest)
    slot_start_ns = start_ns + number * every_ns
    return Slot(start_ns=slot_start_ns, end_ns=end_ns if number == highest else slot_start_ns + every_ns)


def next_due(plan: RunPlan, after_unix_ns: int, *, where: tzinfo, random: Random) -> Due:
    """The first planned run that starts at or after an instant.

    The start is drawn over the whole slot even when a part of it has passed, and the next slot is taken
    when the draw lies in that part: so starting the probe again does not crowd runs together, and an
    offset stays uniform. A slot too short for its run (the rest of a shortened day) starts it at once.
    """
    moment_ns = after_unix_ns
    while True:
        slot = slot_at(moment_ns, every_s=plan.every_s, where=where)
        latest_ns = max(slot.start_ns, slot.end_ns - run_ns(plan))
        start_ns = random.randint(slot.start_ns, latest_ns)
        if start_ns >= after_unix_ns:
            return Due(plan=plan, slot=slot, start_ns=start_ns, latest_ns=latest_ns)
        moment_ns = slot.end_ns


def runs_in(days: int, *, every_s: int) -> int:
    """How many runs a plan starts in so many days of 24 hours."""
    if every_s >= _DAY_S:
        return days // round(every_s / _DAY_S)
    return days * _slots_in(_DAY_S, every_s)


def _slots_in(day: int, every: int) -> int:
    """How many slots a day has, both in one unit: a rest of half a slot or more is one by itself."""
    return max(1, (2 * day + every) // (2 * every))


def _unix_ns(moment: datetime) -> int:
    return (moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
