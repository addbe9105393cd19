"""Signatures that rate runs show: level tops, troughs by hour, one flow against many, both ways at once.

Every test compares runs of the same day or the same minutes, so that one bad week does not make another week
look good, and is a sign test: if nothing were wrong, a difference so large would fall either way alike. Sizes
below which a difference does not matter are common practice, no source. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise
from statistics import median

from dashboard.judge import blame, sampling
from dashboard.judge.finding import CHANCE, Finding, finding
from dashboard.judge.layers import DIRECTION_WORDS, rate_text
from dashboard.judge.material import Material
from dashboard.judge.placing import State
from store.clock import NS_PER_S
from store.layers import tcp_framing
from store.quantities import percent, port_rate
from store.records import Direction, Limit, Owner, RateRun, RateSide, Standing

PORT_CLASSES_BPS = (100_000_000, 1_000_000_000, 2_500_000_000, 5_000_000_000, 10_000_000_000)
SLIGHTLY_LESS = 0.93  # the same where two runs met the same minutes
LESS = 0.9  # of the other rate, or less: a difference that matters; common practice, no source
MUCH_LESS = 0.85  # the same where single runs are compared
_LEVEL = 0.01  # of a port's top (the trade's in-house table)
_LEVEL_RUNS = 5  # in a row
_SATURDAY = 5
_PAIR_NS = 900 * NS_PER_S  # runs so close together met the same line
_WAYS = (Direction.UP, Direction.DOWN)


def find(material: Material) -> Iterator[Finding]:
    """Everything that rate runs show."""
    yield from level_tops(material)
    for direction in _WAYS:
        yield from trough(material, direction)
        yield from one_endpoint(material, direction)
        yield from one_flow(material, direction)
        yield from both_ways(material, direction)
        yield from handoffs_together(material, direction)
        yield from fast_start(material, direction)
        yield from decline(material, direction)
        yield from two_values(material, direction)
    yield from ip_versions(material)
    yield from probe_limit(material)
    yield from own_traffic(material)


# Level tops


def level_tops(material: Material) -> Iterator[Finding]:
    """1, 2: runs in a row within 1 % of what a port of a class shows at most; by interface and direction."""
    by_port: dict[tuple[str, Direction], list[tuple[RateRun, RateSide, int]]] = {}
    for run in sorted(material.runs, key=lambda one: one.started_unix_ns):
        for direction, side in run.sides().items():
            at_top = _class_of(side) if run.standing is not Standing.VOID and not run.light else 0
            by_port.setdefault((run.circumstances.interface or "", direction), []).append((run, side, at_top))
    for (interface, direction), runs in by_port.items():
        level: dict[int, list[list[tuple[RateRun, RateSide, int]]]] = {}
        for class_bps, group in groupby(runs, key=lambda one: one[2]):
            members = list(group)
            if class_bps and len(members) >= _LEVEL_RUNS:
                level.setdefault(class_bps, []).append(members)
        for class_bps, stretches in level.items():
            yield _level(material, interface, direction, class_bps, stretches, len(runs))


def _class_of(side: RateSide) -> int:
    """The class of port at whose top a rate stands; 0 for none."""
    return next((one for one in PORT_CLASSES_BPS if _is_top(side, one)), 0)


def _is_top(side: RateSide, class_bps: int) -> bool:
    framing = tcp_framing(
        payload_bytes=side.mss_bytes, ip_version=side.ip_version, timestamps=side.tcp_timestamps
    )
    top_bps = class_bps * framing.payload_bytes / framing.wire_frame_bytes
    return abs(side.rates.goodput_bps - top_bps) <= _LEVEL * top_bps


def _level(
    material: Material,
    interface: str,
    direction: Direction,
    class_bps: int,
    stretches: list[list[tuple[RateRun, RateSide, int]]],
    of: int,
) -> Finding:
    runs = [run for stretch in stretches for run, _, _ in stretch]
    rates = [side.rates.goodput_bps for stretch in stretches for _, side, _ in stretch]
    ports = Counter(run.circumstances.port_rate_bps for run in runs if run.circumstances.port_rate_bps)
    own = ports.get(class_bps, 0)
    where = f" on port {interface}" if interface else ""
    if own:
        owner = Owner.HOUSE
        because = f"the probe's own port ran at {port_rate(class_bps)} in {own} of them"
    elif class_bps == material.handoff.card.port_rate_bps:
        owner, because = None, f"the contract's own handoff is a port of {port_rate(class_bps)}"
    else:
        owner = Owner.UNKNOWN
        because = (
            f"the probe's own port{where} was not at {port_rate(class_bps)}, so another one on the way is"
        )
    return finding(
        1 if class_bps == PORT_CLASSES_BPS[0] else 2,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"{len(runs)} of {of} {DIRECTION_WORDS[direction]} runs{where} lie level at "
        f"{rate_text(median(rates))}, within 1 % of the top of a port of {port_rate(class_bps)}, at least "
        f"{_LEVEL_RUNS} in a row.",
        owner=owner,
        because=because,
        when=(runs[0].started_unix_ns, runs[-1].started_unix_ns),
        counts={
            "runs": len(runs),
            "of": of,
            "port_bps": class_bps,
            "goodput_bps": round(median(rates)),
        },
    )


# Troughs


@dataclass(frozen=True, slots=True)
class _Day:
    """A day's medians in the busy hours and outside of them, and how many runs are behind."""

    day: date
    busy_bps: float
    other_bps: float
    runs: int


def trough(material: Material, direction: Direction) -> Iterator[Finding]:
    """3: busy hours slower than the rest of the same day, on more days than chance would have it.

    A day counts when the two medians are 10 % apart; if nothing were wrong, either could be the lower.
    """
    runs = material.sides(direction)
    days = _days(material, runs)
    low = [one for one in days if one.busy_bps <= LESS * one.other_bps]
    high = [one for one in days if one.other_bps <= LESS * one.busy_bps]
    chance = sampling.chance_of_as_many(len(low), len(low) + len(high))
    if not low or chance > CHANCE:
        return
    bad = {one.day for one in low}
    busy = [
        (run, side)
        for run, side in runs
        if material.day(run.started_unix_ns) in bad and material.is_busy(run.started_unix_ns)
    ]
    other_bps = median(one.other_bps for one in low)
    hours = _low_hours(material, runs, bad, other_bps)
    states = {
        name: _endpoint_state(material, runs, name, bad, hours, other_bps)
        for name in material.outside
        if any(run.endpoint == name for run, _ in runs)
    }
    states |= {name: State.NOTHING for name in material.reflectors}
    if State.CLEAR in states.values():
        return  # another endpoint keeps its rate, which is another signature

    def hot(unix_ns: int) -> bool:
        return material.day(unix_ns) in bad and material.is_busy(unix_ns)

    owner, because, decides = blame.owner_of(blame.place(material, hot, states))
    rates = sorted(side.rates.goodput_bps for _, side in busy)
    other = Direction.DOWN if direction is Direction.UP else Direction.UP
    yield finding(
        3,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"On {len(low)} of {len(days)} days the median {DIRECTION_WORDS[direction]} of the busy hours "
        f"({material.busy.said()}) was at least 10 % below that of the same day's other hours, on "
        f"{len(high)} above it; on those days {rate_text(median(rates))} against {rate_text(other_bps)}, "
        f"the lowest twentieth of {len(rates)} runs at {rate_text(rates[len(rates) // 20])} or less"
        f"{_shape(hours)}{_other_way(material, other)}.",
        owner=owner,
        because=because,
        decides=decides,
        when=(busy[0][0].started_unix_ns, busy[-1][0].started_unix_ns),
        chance=chance,
        counts={
            "days": len(low),
            "of_days": len(days),
            "runs": len(rates),
            "p50_bps": round(median(rates)),
            "p5_bps": rates[len(rates) // 20],
            "other_p50_bps": round(other_bps),
        },
    )


def _days(material: Material, runs: Sequence[tuple[RateRun, RateSide]]) -> list[_Day]:
    by_day: dict[date, tuple[list[int], list[int]]] = {}
    for run, side in runs:
        busy, other = by_day.setdefault(material.day(run.started_unix_ns), ([], []))
        (busy if material.is_busy(run.started_unix_ns) else other).append(side.rates.goodput_bps)
    return [
        _Day(day, median(busy), median(other), len(busy) + len(other))
        for day, (busy, other) in sorted(by_day.items())
        if len(busy) >= 3 and len(other) >= 3
    ]


def _endpoint_state(
    material: Material,
    runs: Sequence[tuple[RateRun, RateSide]],
    name: str,
    bad: set[date],
    hours: Mapping[bool, Sequence[int]],
    other_bps: float,
) -> State:
    """Whether one endpoint has the trouble on these days, by its own runs in the hours that are low."""
    low = []
    for run, side in runs:
        day, hour = material.day(run.started_unix_ns), material.hour(run.started_unix_ns)
        if run.endpoint == name and day in bad and hour in hours[day.weekday() >= _SATURDAY]:
            low.append(side.rates.goodput_bps <= LESS * other_bps)
    if len(low) < _LEVEL_RUNS:
        return State.NOTHING
    if sum(low) >= 0.5 * len(low):
        return State.HIT
    return State.CLEAR if sum(low) <= 0.1 * len(low) else State.NOTHING


def _low_hours(
    material: Material, runs: Sequence[tuple[RateRun, RateSide]], bad: set[date], other_bps: float
) -> dict[bool, list[int]]:
    """The clock hours whose median is low on these days, on weekdays (False) and on weekends."""
    rates: dict[bool, dict[int, list[int]]] = {False: {}, True: {}}
    for run, side in runs:
        day, hour = material.day(run.started_unix_ns), material.hour(run.started_unix_ns)
        if day in bad:
            rates[day.weekday() >= _SATURDAY].setdefault(hour, []).append(side.rates.goodput_bps)
    return {
        weekend: sorted(hour for hour, found in by_hour.items() if median(found) <= LESS * other_bps)
        for weekend, by_hour in rates.items()
    }


def _shape(hours: Mapping[bool, Sequence[int]]) -> str:
    """From which to which hour it shows, on weekdays and on weekends."""
    told = [
        f"{word} in the hours from {hours[weekend][0]:02d}:00 to {hours[weekend][-1] + 1:02d}:00"
        for weekend, word in ((False, "on weekdays"), (True, "on weekends"))
        if hours[weekend]
    ]
    return f"; {', '.join(told)}" if told else ""


def _other_way(material: Material, direction: Direction) -> str:
    days = _days(material, material.sides(direction))
    low = sum(one.busy_bps <= LESS * one.other_bps for one in days)
    if not days or low > 0.1 * len(days):
        return ""
    return f"; {DIRECTION_WORDS[direction]} it shows on {low} of {len(days)} days"


# One endpoint


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two runs within minutes of each other, to two endpoints."""

    unix_ns: int
    one_bps: int
    other_bps: int

    @property
    def low(self) -> bool:
        return self.one_bps <= SLIGHTLY_LESS * self.other_bps

    @property
    def high(self) -> bool:
        return self.other_bps <= SLIGHTLY_LESS * self.one_bps


def one_endpoint(material: Material, direction: Direction) -> Iterator[Finding]:
    """4, 33: hours in which one endpoint is slower than another in the same minutes.

    An hour of a day is low when at least two of its pairs of runs are, and most. Low hours to this endpoint
    are held against low hours to the other one; then the clock hour that holds most of them is told.
    """
    names = [name for name in material.outside if name not in material.reflectors]
    runs = material.sides(direction)
    for name in names:
        for other in names:
            if name != other and (found := _slower(material, direction, runs, name, other)):
                yield found


def _slower(
    material: Material,
    direction: Direction,
    runs: Sequence[tuple[RateRun, RateSide]],
    name: str,
    other: str,
) -> Finding | None:
    cells: dict[tuple[date, int], list[_Pair]] = {}
    for pair in _pairs(runs, lambda run: run.endpoint == name, lambda run: run.endpoint == other):
        cells.setdefault((material.day(pair.unix_ns), material.hour(pair.unix_ns)), []).append(pair)
    low = {at: pairs for at, pairs in cells.items() if _mostly([pair.low for pair in pairs])}
    high = [at for at, pairs in cells.items() if _mostly([pair.high for pair in pairs])]
    if not low:
        return None
    hours = Counter(hour for _, hour in low)
    hour, days = hours.most_common(1)[0]
    at_hour = [at for at in cells if at[1] == hour]
    elsewhere = [at for at in cells if at[1] != hour]
    low_elsewhere = len(low) - days
    signs = sampling.chance_of_as_many(len(low), len(low) + len(high))
    # the hour was chosen of those that there are, so its chance counts as many times
    at_one_hour = len({at[1] for at in cells}) * sampling.chance_of_as_few(
        low_elsewhere, len(elsewhere), days, len(at_hour)
    )
    chance = min(1.0, signs if len(low) >= 7 and at_one_hour > signs else at_one_hour)
    if chance > CHANCE:
        return None
    pairs = [pair for at in low for pair in low[at]]
    rates = sorted(pair.one_bps for pair in pairs)
    level = sum(rate >= 0.95 * rates[-1] for rate in rates) >= 0.5 * len(rates)
    daily = days >= 0.6 * len(at_hour)
    first, last = min(low)[0], max(low)[0]
    return finding(
        4 if daily and not level else 33,
        handoff=material.handoff.name,
        endpoint=name,
        direction=direction,
        seen=f"In {len(low)} hours, {days} of them from {hour:02d}:00 to {hour + 1:02d}:00 (of "
        f"{len(at_hour)} "
        f"days with runs then), between {first} and {last}, the {DIRECTION_WORDS[direction]} to {name} "
        f"was at "
        f"least 7 % below that to {other} in the same {_PAIR_NS // (60 * NS_PER_S)} minutes: "
        f"{rate_text(median(rates))} against {rate_text(median(pair.other_bps for pair in pairs))}, "
        f"{len(pairs)} pairs of runs, the most {rate_text(rates[-1])}; the other way round in "
        f"{len(high)} hours.",
        owner=Owner.ENDPOINT,
        because=f"{name} was slower while {other} was not, over the same line in the same minutes",
        when=(
            min(pair.unix_ns for pair in pairs),
            max(pair.unix_ns for pair in pairs),
        ),
        chance=chance,
        counts={
            "hours": len(low),
            "days": days,
            "hour": hour,
            "pairs": len(pairs),
            "p50_bps": round(median(rates)),
            "most_bps": rates[-1],
            "other_p50_bps": round(median(pair.other_bps for pair in pairs)),
        },
    )


def _mostly(found: Sequence[bool]) -> bool:
    return sum(found) >= max(2, 0.5 * len(found))


def _pairs(
    runs: Sequence[tuple[RateRun, RateSide]],
    one: Callable[[RateRun], bool],
    other: Callable[[RateRun], bool],
    *,
    within_ns: int = _PAIR_NS,
) -> Iterator[_Pair]:
    """Each run of the first kind with the nearest of the second that is near enough; none is taken twice."""
    first = [(run, side) for run, side in runs if one(run)]
    second = [(run, side) for run, side in runs if other(run)]
    at = 0
    for run, side in first:
        while at < len(second) and second[at][0].started_unix_ns < run.started_unix_ns - within_ns:
            at += 1
        if at < len(second) and second[at][0].started_unix_ns <= run.started_unix_ns + within_ns:
            yield _Pair(run.started_unix_ns, side.rates.goodput_bps, second[at][1].rates.goodput_bps)
            at += 1


# One flow against many, both ways, both handoffs, IP versions


def one_flow(material: Material, direction: Direction) -> Iterator[Finding]:
    """6, 7: one flow slower than four or more in the same hour: with repeats a burst, without a window."""
    runs = material.sides(direction)
    pairs = list(
        _pairs(runs, lambda run: run.flows == 1, lambda run: run.flows >= 4, within_ns=3600 * NS_PER_S)
    )
    low = [pair for pair in pairs if pair.one_bps <= MUCH_LESS * pair.other_bps]
    high = [pair for pair in pairs if pair.other_bps <= MUCH_LESS * pair.one_bps]
    chance = sampling.chance_of_as_many(len(low), len(low) + len(high))
    if len(low) < 0.5 * len(pairs) or not low or chance > CHANCE:
        return
    single = [(run, side) for run, side in runs if run.flows == 1]
    repeats = median(side.retransmitted_ratio for _, side in single)
    added_us = [
        run.rtt_loaded_us.p50 - run.rtt_idle_us.p50
        for run, _ in single
        if run.rtt_loaded_us is not None and run.rtt_idle_us is not None
    ]
    windows = sum(side.limited_by is Limit.WINDOW for _, side in single)
    said = (
        f"{len(low)} of {len(pairs)} {DIRECTION_WORDS[direction]} runs of one flow came to less than 85 "
        f"% of a "
        f"run of many flows in the same hour: {rate_text(median(pair.one_bps for pair in low))} against "
        f"{rate_text(median(pair.other_bps for pair in low))}; {percent(repeats, 2)} of it sent again"
        f"{f', round trip {median(added_us) / 1000:.1f} ms longer under load' if added_us else ''}."
    )
    counts = {
        "pairs": len(low),
        "of_pairs": len(pairs),
        "one_bps": round(median(pair.one_bps for pair in low)),
        "many_bps": round(median(pair.other_bps for pair in low)),
        "retransmitted_ratio": repeats,
    }
    when = (low[0].unix_ns, low[-1].unix_ns)
    if repeats < _NO_REPEATS:
        yield finding(
            7,
            handoff=material.handoff.name,
            direction=direction,
            seen=said,
            owner=Owner.HOUSE if windows * 2 > len(single) else Owner.UNKNOWN,
            because=f"nothing was lost, and the window held {windows} of {len(single)} of these runs",
            when=when,
            chance=chance,
            counts={
                **counts,
            },
        )
    elif not added_us or median(added_us) < _NO_DELAY_US:
        yield finding(
            6,
            handoff=material.handoff.name,
            direction=direction,
            seen=said,
            owner=Owner.UNKNOWN,
            because="packets are lost and no queue forms, so something drops what comes at once; which "
            "device does is not told by rates",
            when=when,
            chance=chance,
            counts={
                **counts,
            },
        )


_NO_REPEATS = 0.0001  # less was hardly lost
_NO_DELAY_US = 5_000  # less is no queue


def both_ways(material: Material, direction: Direction) -> Iterator[Finding]:
    """20: a direction much slower while the other one runs; acknowledgements alone take some 3 %."""
    alone = [
        (run, run.sides()[direction])
        for run in material.runs
        if run.standing is Standing.VALID and not run.light and run.side(direction) is not None
    ]
    alone.sort(key=lambda one: one[0].started_unix_ns)
    pairs = list(
        _pairs(
            alone,
            lambda run: run.direction is Direction.BOTH,
            lambda run: run.direction is direction,
            within_ns=3600 * NS_PER_S,
        )
    )
    low = [pair for pair in pairs if pair.one_bps <= 0.7 * pair.other_bps]
    chance = sampling.chance_of_as_many(len(low), len(pairs))
    if not low or chance > CHANCE:
        return
    one_bps = median(pair.one_bps for pair in low)
    yield finding(
        20,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"In {len(low)} of {len(pairs)} runs both ways at once the {DIRECTION_WORDS[direction]} "
        f"fell below "
        f"70 % of a run alone in the same hour: {rate_text(one_bps)} against "
        f"{rate_text(median(pair.other_bps for pair in low))}.",
        owner=Owner.UNKNOWN,
        because="the run does not tell a shared medium or half duplex from a router at its limit",
        when=(low[0].unix_ns, low[-1].unix_ns),
        chance=chance,
        counts={
            "runs": len(low),
            "of": len(pairs),
            "both_bps": round(one_bps),
            "alone_bps": round(median(pair.other_bps for pair in low)),
        },
    )


def handoffs_together(material: Material, direction: Direction) -> Iterator[Finding]:
    """21: a handoff slower while another handoff of the site is filled the same way."""
    spans = [
        (run.started_unix_ns, run.started_unix_ns + round(run.seconds * NS_PER_S))
        for run in material.others
        if run.standing is Standing.VALID and not run.light and run.side(direction) is not None
    ]
    if not spans:
        return

    def together(run: RateRun) -> bool:
        start_ns, length_ns = run.started_unix_ns, round(run.seconds * NS_PER_S)
        return any(
            min(start_ns + length_ns, end) - max(start_ns, start) >= 0.5 * length_ns for start, end in spans
        )

    runs = material.sides(direction)
    near = {id(run): together(run) for run, _ in runs}
    pairs = list(
        _pairs(runs, lambda run: near[id(run)], lambda run: not near[id(run)], within_ns=12 * 3600 * NS_PER_S)
    )
    low = [pair for pair in pairs if pair.one_bps <= LESS * pair.other_bps]
    chance = sampling.chance_of_as_many(len(low), len(pairs))
    if not low or chance > CHANCE:
        return
    yield finding(
        21,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"In {len(low)} of {len(pairs)} {DIRECTION_WORDS[direction]} runs beside a run on another "
        f"handoff "
        f"the rate was at least 10 % below one alone: {rate_text(median(pair.one_bps for pair in low))} "
        f"against {rate_text(median(pair.other_bps for pair in low))}.",
        owner=Owner.UNKNOWN,
        because="the house shares the probe's host and its router between them, unless a run went straight "
        "at the handoffs",
        when=(low[0].unix_ns, low[-1].unix_ns),
        chance=chance,
        counts={
            "runs": len(low),
            "of": len(pairs),
        },
    )


def ip_versions(material: Material) -> Iterator[Finding]:
    """19: IPv6 slower than IPv4, or its idle round trip longer, to the same endpoint within some hours."""
    by_run = {way: {id(run): side for run, side in material.sides(way)} for way in _WAYS}

    def rate_bps(way: Direction) -> Callable[[RateRun], float]:
        return lambda run: -by_run[way][id(run)].rates.goodput_bps

    yield from _versions(material, None, _idle_us, lambda new, old: new >= old + _LONGER_US, _longer_said)
    for way in _WAYS:
        yield from _versions(material, way, rate_bps(way), lambda new, old: new >= LESS * old, _slower_said)


_Compare = Callable[[float, float], bool]


def _versions(
    material: Material,
    way: Direction | None,
    value: Callable[[RateRun], float],
    worse: _Compare,
    said: Callable[[str, float, float], str],
) -> Iterator[Finding]:
    """Endpoints to which one version is worse than the other by `value`, which grows with what is worse."""
    hit: dict[str, tuple[list[tuple[float, float]], int, int, float, tuple[int, int]]] = {}
    for name in material.outside:
        sides = [
            (run, side)
            for direction in (_WAYS if way is None else (way,))
            for run, side in material.sides(direction)
            if run.endpoint == name
        ]
        sides.sort(key=lambda one: one[0].started_unix_ns)
        pairs = list(_version_pairs(sides, {id(run): side.ip_version for run, side in sides}))
        values = [(value(new), value(old), value(later)) for new, old, later in pairs]
        behind = [nth for nth, (new, *old) in enumerate(values) if worse(new, max(old))]
        ahead = sum(worse(min(old), new) for new, *old in values)
        chance = sampling.chance_of_as_many(len(behind), len(behind) + ahead)
        if behind and chance <= CHANCE:
            when = pairs[behind[0]][0].started_unix_ns, pairs[behind[-1]][0].started_unix_ns
            shown = [(values[nth][0], max(values[nth][1:])) for nth in behind]
            hit[name] = shown, len(pairs), ahead, chance, when
    asked = [name for name in material.outside if name not in material.reflectors]
    for name, (shown, of, ahead, chance, when) in hit.items():
        alone = len(asked) > 1 and set(hit) & set(asked) == {name}
        new, old = (median(pair[nth] for pair in shown) for nth in (0, 1))
        yield finding(
            19,
            handoff=material.handoff.name,
            endpoint=name,
            direction=way,
            seen=f"{said(name, new, old)} in {len(shown)} of {of} comparisons with the runs before and "
            f"after, the other way round in {ahead}.",
            owner=None if alone else Owner.UNKNOWN,
            because="to the other endpoint it is not, so it is the way between two networks"
            if alone
            else "it is so to every endpoint that was measured",
            when=when,
            chance=chance,
            counts={"pairs": len(shown), "of_pairs": of}
            | ({"added_ms": round((new - old) / 1000, 1)} if way is None else {"ipv6_bps": round(-new)}),
        )


def _longer_said(name: str, new: float, old: float) -> str:
    return f"The idle round trip to {name} was {(new - old) / 1000:.1f} ms longer with IPv6 than with IPv4"


def _slower_said(name: str, new: float, old: float) -> str:
    return f"To {name} IPv6 carried {rate_text(-new)} and IPv4 {rate_text(-old)}, at least 10 % more,"


_LONGER_US = 5_000
_NEAR_NS = 6 * 3600 * NS_PER_S


def _idle_us(run: RateRun) -> int:
    return 0 if run.rtt_idle_us is None else run.rtt_idle_us.p50


def _version_pairs(
    runs: Sequence[tuple[RateRun, RateSide]], versions: dict[int, int]
) -> Iterator[tuple[RateRun, RateRun, RateRun]]:
    """(IPv6 run, the IPv4 run before it, the one after it), all within six hours and with an idle round trip.

    Two of them, so that what comes and goes with the hour is not taken for the version.
    """
    before: RateRun | None = None
    waiting: list[tuple[RateRun, RateRun]] = []
    for run, _ in runs:
        if run.rtt_idle_us is None:
            continue
        if versions[id(run)] == 6:
            waiting += [] if before is None else [(run, before)]
            continue
        for new, old in waiting:
            if run.started_unix_ns - _NEAR_NS <= new.started_unix_ns <= old.started_unix_ns + _NEAR_NS:
                yield new, old, run
        before, waiting = run, []


# Shapes in time


def fast_start(material: Material, direction: Direction) -> Iterator[Finding]:
    """24: in runs of 20 s and more, the seconds up to the tenth faster than those from the twelfth on."""
    shown = []
    for run, side in material.sides(direction):
        if run.seconds < 20 or not side.bins:
            continue
        early = [one.bytes for one in side.bins if 2000 <= one.start_ms < 10_000]
        late = [one.bytes for one in side.bins if 12_000 <= one.start_ms < run.seconds * 1000 - 500]
        if early and late:
            shown.append((run, sum(early) / len(early) * 80, sum(late) / len(late) * 80))
    fast = [one for one in shown if one[2] <= MUCH_LESS * one[1]]
    slow = [one for one in shown if one[1] <= MUCH_LESS * one[2]]
    chance = sampling.chance_of_as_many(len(fast), len(fast) + len(slow))
    if not fast or len(fast) < 0.5 * len(shown) or chance > CHANCE:
        return
    yield finding(
        24,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"In {len(fast)} of {len(shown)} long {DIRECTION_WORDS[direction]} runs the first ten "
        f"seconds came "
        f"to {rate_text(median(one[1] for one in fast))} and those from the twelfth on to "
        f"{rate_text(median(one[2] for one in fast))}.",
        owner=Owner.UNKNOWN,
        because="a clause of the contract and a hot port look the same in rates",
        when=(fast[0][0].started_unix_ns, fast[-1][0].started_unix_ns),
        chance=chance,
        counts={
            "runs": len(fast),
            "of": len(shown),
        },
    )


def decline(material: Material, direction: Direction) -> Iterator[Finding]:
    """30: the 5th percentile of weeks sinks: Mann and Kendall's test on 8 weeks or more, and 10 % in all."""
    weeks: dict[tuple[int, int], list[int]] = {}
    runs = material.sides(direction)
    for run, side in runs:
        year, week, _ = material.day(run.started_unix_ns).isocalendar()
        weeks.setdefault((year, week), []).append(side.rates.goodput_bps)
    low = [sorted(rates)[len(rates) // 20] for _, rates in sorted(weeks.items()) if len(rates) >= 40]
    if len(low) < _LEAST_WEEKS:
        return
    pairs = [
        (low[later] - low[nth], later - nth) for nth in range(len(low)) for later in range(nth + 1, len(low))
    ]
    score = sum((change > 0) - (change < 0) for change, _ in pairs)
    n = len(low)
    spread = (n * (n - 1) * (2 * n + 5) / 18) ** 0.5
    chance = sampling.normal_below((score + 1) / spread)  # one-sided, with the correction for continuity
    slope = median(change / apart for change, apart in pairs)
    sunk = -slope * (n - 1) / (median(low[: max(1, n // 4)]) or 1)
    if chance > CHANCE or sunk < 1 - LESS:
        return
    yield finding(
        30,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"The lowest twentieth of a week's {DIRECTION_WORDS[direction]} sank from "
        f"{rate_text(median(low[: n // 4]))} to {rate_text(median(low[-(n // 4) :]))} over {n} weeks, by "
        f"{rate_text(-slope)} a week at the median.",
        owner=Owner.UNKNOWN,
        because="rates do not tell growth of others on the segment from an optic that ages or new "
        "traffic here",
        when=(runs[0][0].started_unix_ns, runs[-1][0].started_unix_ns),
        chance=chance,
        counts={
            "weeks": n,
            "a_week_bps": round(slope),
        },
    )


_LEAST_WEEKS = 8


def two_values(material: Material, direction: Direction) -> Iterator[Finding]:
    """31: outside the busy hours, runs to one endpoint in two groups apart, in no order of time."""
    for name in material.outside:
        runs = [
            (run.started_unix_ns, side.rates.goodput_bps)
            for run, side in material.sides(direction)
            if run.endpoint == name and run.flows == 1 and not material.is_busy(run.started_unix_ns)
        ]
        if len(runs) < _LEAST_OF_TWO:
            continue
        rates = sorted(rate for _, rate in runs)
        edge = max(
            range(len(rates) // 5, len(rates) - len(rates) // 5), key=lambda n: rates[n] - rates[n - 1]
        )
        below, above = rates[:edge], rates[edge:]
        gap = rates[edge] - rates[edge - 1]
        if median(below) > MUCH_LESS * median(above) or gap < 3 * max(_spread(below), _spread(above)):
            continue
        order = [rate >= rates[edge] for _, rate in runs]
        changes = sum(a != b for a, b in pairwise(order))
        expected = 2 * len(below) * len(above) / len(runs)
        if changes < 0.5 * expected:
            continue  # one after the other in time: a change, not two paths
        yield finding(
            31,
            handoff=material.handoff.name,
            endpoint=name,
            direction=direction,
            seen=f"Of {len(runs)} runs of one flow {DIRECTION_WORDS[direction]} to {name}, {len(below)} lie "
            f"around {rate_text(median(below))} and {len(above)} around {rate_text(median(above))}, none "
            f"between; they change places {changes} times, as often as chance would have it.",
            owner=Owner.UNKNOWN,
            because="which links share the load is not on record",
            when=(runs[0][0], runs[-1][0]),
            counts={
                "low": len(below),
                "high": len(above),
                "low_bps": round(median(below)),
                "high_bps": round(median(above)),
            },
        )


_LEAST_OF_TWO = 20


def _spread(rates: Sequence[int]) -> float:
    """The range of the middle half."""
    return rates[len(rates) * 3 // 4] - rates[len(rates) // 4]


# The house


def probe_limit(material: Material) -> Iterator[Finding]:
    """22: valid rates are of other runs; these the host itself held back."""
    codes = {"probe_limit", "host_ceiling"}
    held = [run for run in material.runs if codes & set(run.reasons)]
    if len(held) < _LEVEL_RUNS:
        return
    rates = [side.rates.goodput_bps for run in held for side in run.sides().values()]
    yield finding(
        22,
        handoff=material.handoff.name,
        seen=f"{len(held)} of {len(material.runs)} runs came to what this host carries, "
        f"{rate_text(max(rates))} at "
        "most; they are void.",
        owner=Owner.HOUSE,
        because="the host's processor or its measured ceiling was reached",
        when=(held[0].started_unix_ns, held[-1].started_unix_ns),
        counts={
            "runs": len(held),
            "of": len(material.runs),
        },
    )


def own_traffic(material: Material) -> Iterator[Finding]:
    """23: runs left out for other traffic of this house that gather at one time of day."""
    asked = [run for run in material.runs if not run.light]
    met = [run for run in asked if "other_traffic" in run.reasons]
    if not met:
        return
    hours = Counter(material.hour(run.started_unix_ns) for run in met)
    hour, count = hours.most_common(1)[0]
    of_hour = sum(material.hour(run.started_unix_ns) == hour for run in asked)
    chance = min(
        1.0,
        24 * sampling.chance_of_as_few(len(met) - count, len(asked) - of_hour, count, of_hour),
    )
    if chance > CHANCE or count < 3:
        return
    there = [run for run in met if material.hour(run.started_unix_ns) == hour]
    minutes = [material.minute(run.started_unix_ns) for run in there]
    days = sorted({material.day(run.started_unix_ns) for run in there})
    moved = [run.circumstances.other_up_bps for run in there if run.circumstances.other_up_bps is not None]
    weekdays = sorted({day.weekday() for day in days})
    yield finding(
        23,
        handoff=material.handoff.name,
        seen=f"{count} of {len(met)} runs that met other traffic of this house began between "
        f"{_clock(min(minutes))} and {_clock(max(minutes))}, on {len(days)} days"
        f"{' from Monday to Friday' if weekdays and max(weekdays) < 5 else ''}"
        f"{f'; it moved {rate_text(median(moved))} up' if moved else ''}. They are left out.",
        owner=Owner.HOUSE,
        because="the interface's own counters show it",
        when=(there[0].started_unix_ns, there[-1].started_unix_ns),
        chance=chance,
        counts={
            "runs": count,
            "of": len(met),
            "days": len(days),
            "from_minute": min(minutes),
            "to_minute": max(minutes),
            "other_up_bps": round(median(moved)) if moved else 0,
        },
    )


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
