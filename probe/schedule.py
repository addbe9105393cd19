"""What is due when: one run at a random moment of each slot of a plan.

A plan's day is cut into slots that count from local midnight of the site. In each slot one run starts
at an offset drawn uniformly and independently of every earlier one (RFC 3432 section 3: the start of a
periodic test is random, so that it cannot lock onto anything periodic in the line), early enough to
end within its slot. A day of 23 or 25 hours has the slots that fit into it: slots are instants between
two local midnights, never hours on a dial. A plan with hours of its own has its slots in these.

Evenings are when lines are fullest, so of a plan with several runs a day one falls into the busy hours
every day: in the slot that leaves most room there, the start is drawn from that room alone.

Pure: times are Unix nanoseconds that the caller hands in. Imports store and windows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from random import Random

from probe.windows import stretches
from store.clock import NS_PER_S, local
from store.site import RunPlan, Times

_DAY_S = 86_400
_OFTEN_S = 900
# What a rate run takes besides its seconds: opening, the idle delay before, ramping down, the report.
AROUND_RUN_S = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A stretch of time that holds one run of a plan: from `start_ns` up to, not including, `end_ns`."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A planned run: when it should start, and the last moment at which it still ends within its slot.

    `busy` marks the one of its plan that the busy hours of this day must have; `campaign` is the name of
    the campaign that it belongs to, if any. `asked` says where a person asked for one that no plan has.
    """

    plan: RunPlan
    slot: Slot
    start_ns: int
    latest_ns: int
    busy: bool = False
    campaign: str = ""
    asked: str = ""


Room = Sequence[tuple[int, int]]  # stretches of time, both ends included, apart and in order


@dataclass(frozen=True, slots=True, kw_only=True)
class Busy:
    """The busy hours, and what of them is closed: `closed` gives stretches within a span of two instants."""

    times: Times
    closed: Callable[[int, int], Iterable[tuple[int, int]]] = lambda from_ns, to_ns: ()


def run_ns(plan: RunPlan) -> int:
    """How long a run of this plan keeps its handoff busy."""
    return (plan.lasts_s + AROUND_RUN_S) * NS_PER_S


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


def slots_from(plan: RunPlan, from_ns: int, *, where: tzinfo) -> Iterator[Slot]:
    """The slots of a plan, from the one that holds an instant or is the next after it, without end."""
    if plan.times is None:
        slot = slot_at(from_ns, every_s=plan.every_s, where=where)
        while True:
            yield slot
            slot = slot_at(slot.end_ns, every_s=plan.every_s, where=where)
    for hours in _hours_from(plan.times, from_ns, where=where):
        yield from (slot for slot in _cut(hours, every_s=plan.every_s) if slot.end_ns > from_ns)


def next_due(
    plan: RunPlan, after_unix_ns: int, *, where: tzinfo, random: Random, busy: Busy | None = None
) -> Due | None:
    """The first planned run that starts at or after an instant; None when the plan's dates are over.

    The start is drawn over the whole slot even when a part of it has passed, and the next slot is taken
    when the draw lies in that part: so starting the probe again does not crowd runs together, and an
    offset stays uniform. A slot too short for its run (the rest of a shortened day) starts it at once.
    With `busy` given, the plan has one run a day in there.
    """
    for slot in slots_from(plan, after_unix_ns, where=where):
        latest_ns = max(slot.start_ns, slot.end_ns - run_ns(plan))
        room: Room = () if busy is None else busy_room(plan, slot, busy=busy, where=where)
        start_ns = _drawn(room or ((slot.start_ns, latest_ns),), random=random)
        if start_ns >= after_unix_ns:
            return Due(plan=plan, slot=slot, start_ns=start_ns, latest_ns=latest_ns, busy=bool(room))
    return None


def drawn_again(due: Due, *, from_ns: int, where: tzinfo, random: Random, busy: Busy | None = None) -> Due:
    """The same run with its start drawn anew from an instant on; as it was when no room is left for that."""
    wanted: Room = () if busy is None else busy_room(due.plan, due.slot, busy=busy, where=where)
    for room in (wanted, ((due.slot.start_ns, due.latest_ns),)):
        left = [(max(low_ns, from_ns), high_ns) for low_ns, high_ns in room if high_ns >= from_ns]
        if left:
            return replace(due, start_ns=_drawn(left, random=random), busy=room is wanted)
    return due


def has_busy_run(plan: RunPlan) -> bool:
    """Whether one run of this plan is kept for the busy hours of every day."""
    return plan.times is None and _OFTEN_S <= plan.every_s < _DAY_S


def in_busy_hours(plan: RunPlan) -> bool:
    """Whether a plan has a run in the busy hours of every day, or hours that somebody chose for it."""
    return has_busy_run(plan) or plan.times is not None or plan.every_s < _OFTEN_S


def busy_room(plan: RunPlan, slot: Slot, *, busy: Busy, where: tzinfo) -> Room:
    """When a run in this slot must start so that the busy hours of its day have it; empty: at any time.

    Each day it is the slot with most room in the open part of the busy hours. Where several have as much,
    they take turns by the day. A plan with hours of its own, of a day or more, or of less than a quarter
    of an hour, which is there anyway, is left as it is.
    """
    if not has_busy_run(plan):
        return ()
    day = local(slot.start_ns, where).date()
    start_ns, end_ns = midnight_ns(day, where=where), midnight_ns(day + timedelta(days=1), where=where)
    hours = stretches(busy.times, from_ns=start_ns, to_ns=end_ns, where=where)
    closed = sorted(busy.closed(start_ns, end_ns))
    rooms = [
        (one, _room_in(one, plan, hours=hours, closed=closed))
        for one in _cut(Slot(start_ns=start_ns, end_ns=end_ns), every_s=plan.every_s)
    ]
    most = max(_size(room) for _, room in rooms)
    best = [(one, room) for one, room in rooms if room and _size(room) == most]
    if not best:
        return ()
    chosen, room = best[day.toordinal() % len(best)]
    return room if chosen == slot else ()


def runs_in(days: int, *, every_s: int) -> int:
    """How many runs a plan starts in so many days of 24 hours."""
    if every_s >= _DAY_S:
        return days // round(every_s / _DAY_S)
    return days * _slots_in(_DAY_S, every_s)


def runs_a_day(plan: RunPlan) -> float:
    """How many runs a plan starts in a day of 24 hours, over a week or more; 0 for one with dates."""
    if plan.times is None:
        return (
            1 / round(plan.every_s / _DAY_S) if plan.every_s >= _DAY_S else runs_in(1, every_s=plan.every_s)
        )
    return _slots_in(hours_s(plan.times), plan.every_s) * len(plan.times.weekdays) / 7


def hours_s(times: Times) -> int:
    """How long some hours last."""
    lasts = times.to_minute - times.from_minute
    return (lasts if lasts > 0 else lasts + _DAY_S // 60) * 60


def _hours_from(times: Times, from_ns: int, *, where: tzinfo) -> Iterator[Slot]:
    """The hours that end after an instant, one by one; they end with the dates, if there are any."""
    day, done_ns = local(from_ns, where).date() - timedelta(days=1), from_ns
    while times.weekdays or day <= max(times.dates, default=date.min):
        start_ns, end_ns = (midnight_ns(one, where=where) for one in (day, day + timedelta(days=1)))
        for begins_ns, ends_ns in stretches(times, from_ns=start_ns, to_ns=end_ns, where=where):
            if begins_ns >= start_ns and ends_ns > done_ns:
                yield Slot(start_ns=begins_ns, end_ns=ends_ns)
        day += timedelta(days=1)


def _cut(whole: Slot, *, every_s: int) -> list[Slot]:
    """The slots of a stretch; the last one takes the rest with it, or is short by under half a slot."""
    every_ns = every_s * NS_PER_S
    count = _slots_in(whole.end_ns - whole.start_ns, every_ns)
    starts = [whole.start_ns + number * every_ns for number in range(count)]
    return [
        Slot(start_ns=one, end_ns=end) for one, end in zip(starts, [*starts[1:], whole.end_ns], strict=True)
    ]


def _room_in(
    slot: Slot, plan: RunPlan, *, hours: Iterable[tuple[int, int]], closed: Iterable[tuple[int, int]]
) -> Room:
    """When a run of this slot may start so that it lies in some hours and touches nothing closed."""
    lasts_ns = run_ns(plan)
    room = [
        (max(slot.start_ns, begins_ns), min(slot.end_ns, ends_ns) - lasts_ns) for begins_ns, ends_ns in hours
    ]
    for shut_ns, opens_ns in closed:
        room = [
            part
            for low_ns, high_ns in room
            for part in ((low_ns, min(high_ns, shut_ns - lasts_ns)), (max(low_ns, opens_ns), high_ns))
            if part[0] <= part[1]
        ]
    return [(low_ns, high_ns) for low_ns, high_ns in room if low_ns <= high_ns]


def _size(room: Room) -> int:
    return sum(high_ns - low_ns + 1 for low_ns, high_ns in room)


def _drawn(room: Room, *, random: Random) -> int:
    """An instant of the room, each as likely as the others."""
    left = random.randrange(_size(room))
    for low_ns, high_ns in room:
        if left <= high_ns - low_ns:
            return low_ns + left
        left -= high_ns - low_ns + 1
    raise AssertionError("the room is smaller than its parts")


def _slots_in(day: int, every: int) -> int:
    """How many slots a day has, both in one unit: a rest of half a slot or more is one by itself."""
    return max(1, (2 * day + every) // (2 * every))


def _unix_ns(moment: datetime) -> int:
    return (moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
