"""On which part of the way a trouble of certain hours lies, by what each station shows in and out of them.

What splits do in 45 s, over weeks: a trouble that adds delay adds it to every station beyond its place and to
none before it. Each station's median round trip within the trouble is held against the one outside of it;
then the rule for every placing decides (`dashboard.judge.placing`). Where the trouble adds no delay the hops
say nothing. Pure. Imports placing, material, sampling.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from dashboard.judge import placing, sampling
from dashboard.judge.material import Cell, Hot, Material
from dashboard.judge.placing import Hop, Outside, Placed, State
from store.clock import NS_PER_S
from store.records import Owner
from store.segments import Hops

ADDED_US = 1_500  # less is no delay that a station could show; common practice, no source
LOSS_RATIO = 0.001  # loss that matters; common practice, no source
_AS_MUCH, _LITTLE = 0.5, 0.25  # of what the endpoints outside show: hit from the one, clear up to the other
_ENOUGH = 3  # cells or records in and out of the trouble
_ANSWERS = 0.5  # of its packets that a hop must answer so that its delay says something


def place(material: Material, hot: Hot, outside: dict[str, State]) -> Placed | None:
    """Where a trouble lies that shows when `hot`; `outside` says which endpoints have it.

    Those of the provider's own network stand among the hops, as they lie on everybody's way.
    """
    added = [
        _added(material.cells_of(name), hot)
        for name, state in outside.items()
        if state is State.HIT and name not in material.reflectors
    ]
    shown = [one for one in added if one is not None]
    shows_us = median(shown) if shown else 0.0
    beyond = {name: state for name, state in outside.items() if name not in material.reflectors}
    house_hops = material.handoff.hops.house
    hops = _hops(material, hot, shows_us)
    last = max((hop.ttl for hop in hops), default=house_hops)
    hops += [
        Hop(ttl=last + nth, name=name, state=_state(_added(material.cells_of(name), hot), shows_us))
        for nth, name in enumerate(material.reflectors, 1)
    ]
    return placing.place(
        house=house_state(material, hot, shows_us),
        hops=hops,
        outside=[Outside(name=name, state=state) for name, state in beyond.items()],
        house_hops=house_hops,
    )


def house_state(material: Material, hot: Hot, shows_us: float = 0.0) -> State:
    """What the house endpoints' trains say: hit with loss or the same added delay, clear without either."""
    cells = [cell for name in material.house for cell in material.cells_of(name)]
    within = [cell for cell in cells if hot(cell.started_unix_ns)]
    sent, lost = sum(one.sent for one in within), sum(one.lost for one in within)
    added = _added(cells, hot)
    if len(within) < _ENOUGH or not sent or added is None:
        return State.NOTHING
    if sampling.lower_bound(lost, sent) > LOSS_RATIO or (
        shows_us >= ADDED_US and added >= _AS_MUCH * shows_us
    ):
        return State.HIT
    return (
        State.CLEAR if added < ADDED_US and sampling.upper_bound(lost, sent) < LOSS_RATIO else State.NOTHING
    )


def owner_of(placed: Placed | None) -> tuple[Owner, str, str | None]:
    """(who must act, why, what would decide) of a placing; nobody is named where it names nobody."""
    if placed is None:
        return Owner.UNKNOWN, "no station says where it lies", "a split while it lasts"
    return placed.owner or Owner.UNKNOWN, placed.because, placed.decides or None


def merged(times: Iterable[tuple[int, int]], *, gap_s: float = 0.0) -> list[tuple[int, int]]:
    """The same times, those that touch or lie within the gap as one, oldest first."""
    found: list[tuple[int, int]] = []
    for start, end in sorted(times):
        if found and start <= found[-1][1] + gap_s * NS_PER_S:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def _hops(material: Material, hot: Hot, shows_us: float) -> list[Hop]:
    in_, out, names = _hop_delays(material, hot)
    hops = []
    for ttl in sorted(names):
        within, outside = in_.get(ttl, []), out.get(ttl, [])
        enough = len(within) >= _ENOUGH and len(outside) >= _ENOUGH
        added = median(within) - median(outside) if enough else None
        hops.append(Hop(ttl=ttl, name=names[ttl], state=_state(added, shows_us)))
    return hops


def _hop_delays(
    material: Material, hot: Hot
) -> tuple[dict[int, list[int]], dict[int, list[int]], dict[int, str]]:
    """Median round trips by TTL, of records within the trouble and of those outside, and the hops' names."""
    in_: dict[int, list[int]] = {}
    out: dict[int, list[int]] = {}
    names: dict[int, str] = {}
    for record in material.of(Hops):
        middle_ns = record.started_unix_ns + record.minutes * 30 * NS_PER_S
        for count in record.counts:
            if count.p50_us is None or sum(count.answered) < _ANSWERS * sum(count.sent):
                continue
            names[count.ttl] = count.names[0] if count.names else f"at TTL {count.ttl}"
            (in_ if hot(middle_ns) else out).setdefault(count.ttl, []).append(count.p50_us)
    return in_, out, names


def _state(added_us: float | None, shows_us: float) -> State:
    if added_us is None or shows_us < ADDED_US:
        return State.NOTHING
    if added_us >= _AS_MUCH * shows_us:
        return State.HIT
    return State.CLEAR if added_us < _LITTLE * shows_us else State.NOTHING


def _added(cells: Sequence[Cell], hot: Hot) -> float | None:
    """The median round trip within the trouble less that outside of it; None with too few of either."""
    in_ = [cell.rtt.p50 for cell in cells if cell.rtt is not None and hot(cell.started_unix_ns)]
    out = [cell.rtt.p50 for cell in cells if cell.rtt is not None and not hot(cell.started_unix_ns)]
    if len(in_) < _ENOUGH or len(out) < _ENOUGH:
        return None
    return median(in_) - median(out)
