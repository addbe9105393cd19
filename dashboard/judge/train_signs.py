"""Signatures that trains show: loss without delay, loss in step, stalls, path steps, clock skew, reordering.

Counts are of cells of some minutes rather than of packets, since losses come together. Figures below which
something does not matter are common practice, no source. Pure.
"""

from __future__ import annotations

import cmath
import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median

from dashboard.judge import blame, sampling
from dashboard.judge.finding import CHANCE, Finding, finding
from dashboard.judge.incidents import Incident, owner_of
from dashboard.judge.material import Cell, Material
from dashboard.judge.placing import State
from store.clock import NS_PER_S, local
from store.clock_change import ClockChange, ClockHow
from store.quantities import grouped, percent
from store.records import Owner, StallClass
from store.samples import Samples, unpacked
from store.segments import Split, Station

LOSS_RATIO = blame.LOSS_RATIO
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_LEAST_CELLS = 5
_LEAST_STALLS = 10
_STALLS_AN_HOUR = 0.1  # fewer are no pattern
_DELAY_US = 5_000  # a median further off is delay


def find(material: Material, silences: Sequence[Incident]) -> Iterator[Finding]:
    """Everything that trains show; `silences` are all of the line's (`dashboard.judge.incidents`)."""
    yield from random_loss(material)
    yield from marked_loss(material)
    yield from periodic_loss(material)
    yield from stalls(material, silences)
    yield from path_steps(material)
    yield from clock_skew(material)
    yield from reordering(material)


# Loss


def _lossy(material: Material, endpoint: str) -> tuple[list[Cell], list[Cell]]:
    """(cells that lose more than matters, all cells) of one train, without those in which a stall lies."""
    silent = blame.merged(
        (one.started_unix_ns, one.started_unix_ns + one.duration_us * 1000)
        for one in material.stalls
        if one.endpoint == endpoint
    )
    quiet = _without(material.cells_of(endpoint), silent)
    lossy = [
        cell for cell in quiet if cell.lost >= 3 and sampling.lower_bound(cell.lost, cell.sent) > LOSS_RATIO
    ]
    return lossy, quiet


def _without(cells: Sequence[Cell], times: Sequence[tuple[int, int]]) -> list[Cell]:
    """The cells that none of these times touches; both are in order."""
    found, at = [], 0
    for cell in cells:
        while at < len(times) and times[at][1] <= cell.started_unix_ns:
            at += 1
        if at == len(times) or times[at][0] >= cell.ended_unix_ns:
            found.append(cell)
    return found


def random_loss(material: Material) -> Iterator[Finding]:
    """9: cells that lose more than 0.1 % and whose round trip is what it is without loss."""
    found = {name: _lossy(material, name) for name in material.outside if material.cells_of(name)}
    times = {
        name: blame.merged((cell.started_unix_ns, cell.ended_unix_ns) for cell in lossy)
        for name, (lossy, _) in found.items()
    }
    told = []
    for name, (lossy, quiet) in found.items():
        usual = median([cell.rtt.p50 for cell in quiet if cell.rtt is not None] or [0])
        plain = [cell for cell in lossy if cell.rtt is not None and cell.rtt.p50 < usual + _DELAY_US]
        days = {material.day(cell.started_unix_ns) for cell in plain}
        if len(plain) < _LEAST_CELLS or len(days) < 2 or len(plain) < 0.5 * len(lossy):
            continue
        told.append((name, plain, quiet, days))
    for name, plain, quiet, days in told[:1] if len(told) == len(found) else told:
        others = [other for other in found if other != name]
        alone = [other for other in others if len(_without(plain, times[other])) > 0.8 * len(plain)]
        house = _house_within(material, plain)
        owner, because = _loss_owner(name, alone, others, house)
        lost, sent = sum(cell.lost for cell in plain), sum(cell.sent for cell in plain)
        yield finding(
            9,
            handoff=material.handoff.name,
            endpoint=name if owner is Owner.ENDPOINT else "",
            seen=f"{len(plain)} of {len(quiet)} spans of the train to {name} lost more than "
            f"{percent(LOSS_RATIO, 1)} of their packets while their round trip stayed as usual: "
            f"{grouped(lost)} of {grouped(sent)} ({percent(lost / sent, 2)}), on {len(days)} "
            f"days{_pattern(material, plain)}.",
            owner=owner,
            because=because,
            decides="the modem's or optic's error counters for these times, and a list of what was "
            "switched on "
            "in the house"
            if owner is Owner.UNKNOWN
            else None,
            when=(plain[0].started_unix_ns, plain[-1].ended_unix_ns),
            counts={
                "spans": len(plain),
                "of": len(quiet),
                "lost": lost,
                "sent": sent,
                "days": len(days),
            },
        )


def _house_within(material: Material, cells: Sequence[Cell]) -> State:
    """What the house endpoints' trains say of the time of these cells."""
    times = blame.merged((cell.started_unix_ns, cell.ended_unix_ns) for cell in cells)
    starts = [start for start, _ in times]

    def hot(unix_ns: int) -> bool:
        at = bisect_right(starts, unix_ns) - 1
        return at >= 0 and unix_ns < times[at][1]

    return blame.house_state(material, hot)


def _loss_owner(name: str, alone: Sequence[str], others: Sequence[str], house: State) -> tuple[Owner, str]:
    if house is State.HIT:
        return Owner.HOUSE, "the house endpoint loses packets at the same times"
    if others and len(alone) == len(others):
        return Owner.ENDPOINT, f"{' and '.join(alone)} lost hardly anything in the same minutes"
    clear = (
        "the house endpoint lost nothing in the same minutes, so it is not the house's network; "
        if house is State.CLEAR
        else ""
    )
    return Owner.UNKNOWN, f"{clear}noise on the line can come in on the provider's side or in the house"


def _pattern(material: Material, cells: Sequence[Cell]) -> str:
    """On which weekdays and between which times most of it lies, where that is narrow."""
    moments = [local(cell.started_unix_ns, material.zone) for cell in cells]
    hours = Counter(moment.hour for moment in moments)
    hour, count = hours.most_common(1)[0]
    if count < 0.6 * len(cells):
        return ""
    there = [moment for moment in moments if moment.hour == hour]
    days = sorted({moment.weekday() for moment in there})
    first, last = min(moment.minute for moment in there), max(moment.minute for moment in there)
    where = f" on {' and '.join(_DAYS[day] for day in days)}" if len(days) <= 3 else ""
    return f", {count} of them between {hour:02d}:{first:02d} and {hour:02d}:{last:02d}{where}"


def marked_loss(material: Material) -> Iterator[Finding]:
    """27: lossy cells within times of the house's list, against the same hours of weekdays without one."""
    for name in sorted({mark.name for mark in material.marks}):
        times = blame.merged(
            (mark.started_unix_ns, mark.ended_unix_ns) for mark in material.marks if mark.name == name
        )
        for endpoint in material.outside[:1]:
            lossy, quiet = _lossy(material, endpoint)
            found = _marked(material, name, times, lossy, quiet)
            if found is not None:
                yield found


def _marked(
    material: Material,
    name: str,
    times: Sequence[tuple[int, int]],
    lossy: Sequence[Cell],
    quiet: Sequence[Cell],
) -> Finding | None:
    def touches(cell: Cell) -> bool:
        return any(start < cell.ended_unix_ns and cell.started_unix_ns < end for start, end in times)

    on = [cell for cell in quiet if touches(cell)]
    in_ = [cell for cell in lossy if touches(cell)]
    off_count, off_lossy = len(quiet) - len(on), len(lossy) - len(in_)
    with_loss = sum(
        any(start < c.ended_unix_ns and c.started_unix_ns < end for c in in_) for start, end in times
    )
    if with_loss < 3 or len(in_) < 0.5 * len(lossy):
        return None
    chance = sampling.chance_of_as_few(off_lossy, off_count, len(in_), len(on))
    if chance > CHANCE:
        return None
    slots = {_slot(material, cell) for cell in on}
    days = {material.day(at) for span in times for at in span}

    def is_control(cell: Cell) -> bool:
        return _slot(material, cell) in slots and material.day(cell.started_unix_ns) not in days

    control, control_lossy = [*filter(is_control, quiet)], [*filter(is_control, lossy)]
    decided = sampling.chance_of_as_few(len(control_lossy), len(control), len(in_), len(on)) <= CHANCE
    same = f"in the same hours of the same weekdays with it off, {len(control_lossy)} of {len(control)} did"
    return finding(
        27,
        handoff=material.handoff.name,
        seen=f"{len(in_)} of {len(on)} spans within the times of “{name}” lost more than "
        f"{percent(LOSS_RATIO, 1)}, {off_lossy} of {off_count} outside of them; that is in {with_loss} of "
        f"{len(times)} "
        f"of its times.",
        owner=Owner.HOUSE if decided else Owner.UNKNOWN,
        because=same if decided else f"the times of day are the same each time, and {same}",
        decides="" if decided else None,
        when=(in_[0].started_unix_ns, in_[-1].ended_unix_ns),
        chance=chance,
        counts={
            "spans": len(in_),
            "of": len(on),
            "outside": off_lossy,
            "of_outside": off_count,
            "control": len(control_lossy),
            "of_control": len(control),
        },
    )


def _slot(material: Material, cell: Cell) -> tuple[int, int]:
    """Weekday and ten minutes of the day."""
    return material.day(cell.started_unix_ns).weekday(), material.minute(cell.started_unix_ns) // 10


def periodic_loss(material: Material) -> Iterator[Finding]:
    """10: single losses in step with a plan's keyframe interval: Rayleigh's test, records pooled.

    Losses less than half a second apart are one, as a stall would be in step with anything.
    """
    by_record = [(when, moments) for when, moments in _losses(material) if len(moments) >= 3]
    count = sum(len(moments) for _, moments in by_record)
    if count < 10:
        return
    for period_s in sorted(set(material.keyframes_s)):
        chance = sampling.chance_in_step([moments for _, moments in by_record], period_s)
        if chance * len(set(material.keyframes_s)) > CHANCE:
            continue
        share = median(_strength(moments, period_s) for _, moments in by_record)
        yield finding(
            10,
            handoff=material.handoff.name,
            seen=f"{grouped(count)} losses in {len(by_record)} records of single packets come in step with "
            f"{period_s:g} s, "
            f"the keyframe interval of a stream plan (strength {share:.2f} of 1).",
            owner=Owner.UNKNOWN,
            because="a sender that bursts and a bucket that is too small are two halves of the same trouble",
            when=(by_record[0][0], by_record[-1][0]),
            chance=chance,
            counts={
                "losses": count,
                "period_s": period_s,
                "strength": round(share, 3),
            },
        )


def _losses(material: Material) -> list[tuple[int, list[float]]]:
    """(start of a record, seconds from it at which packets to endpoints outside were lost), oldest first."""
    found: list[tuple[int, list[float]]] = []
    for split in material.of(Split):
        found += [
            (split.started_unix_ns, _apart([one / 1000 for one in seen.missed_ms]))
            for seen in split.seen
            if seen.station is Station.OUTSIDE
        ]
    for kept in material.of(Samples):
        if kept.endpoint in material.outside:
            start_ns = kept.started_unix_ns
            lost = [(packet.sent_unix_ns - start_ns) / NS_PER_S for packet in unpacked(kept) if packet.lost]
            found.append((start_ns, _apart(lost)))
    return sorted(found, key=lambda one: one[0])


def _apart(moments_s: Sequence[float]) -> list[float]:
    kept: list[float] = []
    last = -math.inf
    for moment in sorted(moments_s):
        if moment - last > 0.5:
            kept.append(moment)
        last = moment
    return kept


def _strength(moments_s: Sequence[float], period_s: float) -> float:
    return abs(sum(cmath.exp(2j * math.pi * one / period_s) for one in moments_s)) / len(moments_s)


# Stalls


def stalls(material: Material, silences: Sequence[Incident]) -> Iterator[Finding]:
    """11, 12: stalls up to 10 s by what became of their packets, with the hours they gather in."""
    found = [one for one in silences if one.longest is not StallClass.OUTAGE]
    names = set(material.outside)
    watched_s = max((sum(c.seconds for c in material.cells_of(name)) for name in names), default=0.0)
    for number, how in ((11, "held"), (12, "lost")):
        own = [one for one in found if one.how == how or (one.how == "mixed" and how == "lost")]
        if len(own) < _LEAST_STALLS or len(own) < _STALLS_AN_HOUR * watched_s / 3600:
            continue
        yield _stalls(material, number, how, own, watched_s)


def _stalls(
    material: Material, number: int, how: str, found: Sequence[Incident], watched_s: float
) -> Finding:
    owner, because, placed = owner_of(found)
    lengths = sorted(one.seconds for one in found)
    busy = sum(material.is_busy(one.started_unix_ns) for one in found)
    busy_s = max(
        (
            sum(c.seconds for c in material.cells_of(name) if material.is_busy(c.started_unix_ns))
            for name in material.outside
        ),
        default=0.0,
    )
    rates = ""
    if busy_s and watched_s > busy_s:
        rates = (
            f"; {busy * 3600 / busy_s:.1f} an hour in the busy hours ({material.busy.said()}) and "
            f"{(len(found) - busy) * 3600 / (watched_s - busy_s):.1f} an hour else"
        )
    return finding(
        number,
        handoff=material.handoff.name,
        seen=f"{len(found)} stalls of {lengths[0]:.1f} to {lengths[-1]:.1f} s (median "
        f"{median(lengths):.1f} s) in "
        f"{watched_s / 3600:.0f} watched hours whose packets were {how}{rates}.",
        owner=owner,
        because=because,
        when=(found[0].started_unix_ns, found[-1].ended_unix_ns),
        counts={
            "stalls": len(found),
            "busy": busy,
            "median_s": round(median(lengths), 3),
            "longest_s": round(lengths[-1], 3),
            "watched_hours": round(watched_s / 3600, 1),
            **placed,
        },
    )


# Delay


def path_steps(material: Material) -> Iterator[Finding]:
    """14: the least round trip of a day moves by 2 ms and a tenth, three days or more on either side of it.

    The daily least leaves out evenings that are merely busy. Several endpoints that step together are one.
    """
    steps: list[tuple[int, str, int, int]] = []
    for name in material.outside:
        steps += [(at, name, before, after) for at, before, after in _steps(material, name)]
    for at, name, before, after in _first_of_each(sorted(steps)):
        together = sorted(
            other for moment, other, *_ in steps if abs(moment - at) <= 3600 * NS_PER_S and other != name
        )
        cells = material.cells_of(name)
        near = [cell for cell in cells if abs(cell.started_unix_ns - at) < 86_400 * NS_PER_S]
        lost, sent = sum(cell.lost for cell in near), sum(cell.sent for cell in near)
        moment = local(at, material.zone)
        yield finding(
            14,
            handoff=material.handoff.name,
            endpoint="" if together else name,
            seen=f"From {moment:%d %B %Y %H:%M} on the least round trip to "
            f"{' and '.join([name, *together])} is "
            f"{after / 1000:.1f} ms instead of {before / 1000:.1f}; {grouped(lost)} of {grouped(sent)} "
            "packets were lost "
            f"in the "
            "two days around it.",
            owner=None,
            because="the packets took another way; nothing says that it is a fault",
            when=(at, at),
            counts={
                "before_us": before,
                "after_us": after,
                "endpoints": 1 + len(together),
            },
        )


def _first_of_each(
    steps: Sequence[tuple[int, str, int, int]],
) -> Iterator[tuple[int, str, int, int]]:
    last_ns = None
    for step in steps:
        if last_ns is None or step[0] - last_ns > 3600 * NS_PER_S:
            yield step
            last_ns = step[0]


def _steps(material: Material, name: str) -> Iterator[tuple[int, int, int]]:
    """(when, before, after) of one train, in microseconds."""
    cells = [cell for cell in material.cells_of(name) if cell.rtt is not None]
    days: dict[object, list[Cell]] = {}
    for cell in cells:
        days.setdefault(material.day(cell.started_unix_ns), []).append(cell)
    least = [min(_min_us(cell) for cell in of) for of in days.values()]
    by_day = list(days.values())
    at = _STEADY_DAYS
    while at <= len(least) - _STEADY_DAYS + 1:
        before = median(least[max(0, at - 7) : at])
        after = median(least[at : at + 7]) if at < len(least) else before
        if abs(after - before) <= max(_STEP_US, before / 10):
            at += 1
            continue
        middle = (before + after) / 2
        up = after > before
        steady = all((one > middle) == up for one in least[at : at + _STEADY_DAYS]) and all(
            (one > middle) != up for one in least[at - _STEADY_DAYS : at]
        )
        if not steady or len(least[at : at + _STEADY_DAYS]) < _STEADY_DAYS:
            at += 1
            continue
        around = [*by_day[at - 1], *by_day[at]]
        other = [nth for nth, cell in enumerate(around) if (_min_us(cell) > middle) != up]
        # upwards, the day's least belongs to its time before the step; downwards to its time after it
        first = around[max(other) + 1] if other and max(other) + 1 < len(around) else by_day[at][0]
        if not up:
            new = [cell for cell in around if _min_us(cell) <= middle]
            first = new[0] if new else by_day[at][0]
        yield first.started_unix_ns, round(before), round(after)
        at += _STEADY_DAYS


_STEADY_DAYS = 3
_STEP_US = 2_000


def _min_us(cell: Cell) -> int:
    return 0 if cell.rtt is None else cell.rtt.min


def clock_skew(material: Material) -> Iterator[Finding]:
    """15: an hour and more in which one-way delay spreads within each span and the round trip does not.

    A span's PDV is over its own least, so a clock that runs away shows as spread in every span alike.
    """
    found: dict[str, list[tuple[int, int]]] = {}
    for name in material.outside:
        cells = [
            cell
            for cell in material.cells_of(name)
            if cell.rtt is not None and cell.pdv_up is not None and cell.pdv_down is not None
        ]
        if len(cells) < 2 * _LEAST_CELLS:
            continue
        usual = median(_skew_us(cell) for cell in cells)
        off = [
            (cell.started_unix_ns, cell.ended_unix_ns) for cell in cells if _skew_us(cell) > usual + _SKEW_US
        ]
        found[name] = [
            (start, end) for start, end in blame.merged(off, gap_s=60) if end - start >= 3600 * NS_PER_S
        ]
    told: set[tuple[int, int]] = set()
    for name, times in found.items():
        for start, end in times:
            if any(start < other_end and other < end for other, other_end in told):
                continue
            told.add((start, end))
            yield _skewed(material, name, found, start, end)


_SKEW_US = 1_000


def _skew_us(cell: Cell) -> float:
    """How much wider one-way delay spreads than the round trip: half the range, at the median."""
    if cell.rtt is None or cell.pdv_up is None or cell.pdv_down is None:
        return 0.0
    return min(cell.pdv_up.p50, cell.pdv_down.p50) - (cell.rtt.p50 - cell.rtt.min)


def _skewed(
    material: Material, name: str, found: dict[str, list[tuple[int, int]]], start: int, end: int
) -> Finding:
    with_it = [other for other, times in found.items() if any(one < end and start < to for one, to in times)]
    drifts = [
        change
        for change in material.of(ClockChange)
        if change.how in (ClockHow.DRIFT, ClockHow.LOST, ClockHow.STEP)
        and change.started_unix_ns < end
        and change.ended_unix_ns > start
    ]
    own = bool(drifts) or len(with_it) == len(found) > 1
    record = ""
    drifted = [abs(change.by_us) for change in drifts if change.by_us is not None]
    if drifted:
        record = f"; the clock's own record has it {max(drifted) / 1000:.0f} ms off"
    return finding(
        15,
        handoff=material.handoff.name,
        endpoint="" if own else name,
        seen=f"For {(end - start) / NS_PER_S / 3600:.1f} h one-way delay to {' and '.join(with_it)} ran away "
        f"within every span while the round trip stayed{record}. One-way figures of this time are no "
        f"evidence.",
        owner=Owner.HOUSE if own else Owner.ENDPOINT,
        because="it shows on every train, so it is this probe's clock"
        if own
        else "other trains do not show it",
        when=(start, end),
        counts={
            "hours": round((end - start) / NS_PER_S / 3600, 2),
            "endpoints": len(with_it),
        },
    )


def reordering(material: Material) -> Iterator[Finding]:
    """32: spans in which more than 1 % of packets come after later ones, with hardly any lost."""
    for name in material.outside:
        cells = [cell for cell in material.cells_of(name) if cell.received]
        late = [
            cell
            for cell in cells
            if sampling.lower_bound(cell.reordered, cell.received) > 0.01
            and cell.lost <= LOSS_RATIO * cell.sent
        ]
        if len(late) < _LEAST_CELLS:
            continue
        count, received = sum(cell.reordered for cell in late), sum(cell.received for cell in late)
        yield finding(
            32,
            handoff=material.handoff.name,
            endpoint=name,
            seen=f"In {len(late)} of {len(cells)} spans of the train to {name} {grouped(count)} of "
            f"{grouped(received)} packets "
            f"({percent(count / received, 1)}) came after later ones, and next to nothing was lost.",
            owner=Owner.UNKNOWN,
            because="where the way divides is not on record",
            when=(late[0].started_unix_ns, late[-1].ended_unix_ns),
            counts={
                "spans": len(late),
                "of": len(cells),
                "reordered": count,
                "received": received,
            },
        )
