"""The signature of runs that meet a show: slower while one is on than at the same hours without one.

No planned run starts in a show, so such runs are those that were asked for by hand, or that began before the
show was noticed. A show counts once, by the median of its runs, since one bad evening is one. Sizes below
which a difference does not matter are common practice, no source. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from dashboard.judge import sampling
from dashboard.judge.finding import CHANCE, Finding, finding
from dashboard.judge.layers import DIRECTION_WORDS, rate_text
from dashboard.judge.material import Material
from dashboard.judge.rate_signs import MUCH_LESS, SLIGHTLY_LESS
from store.clock import NS_PER_S
from store.records import Direction, Opener, OpenKind, Owner, RateRun, Standing, WindowClosed, WindowOpened

_NOTICED_NS = 60 * NS_PER_S  # a show that is told by its upload began so long before its window
_ALIKE = 3  # runs at the same hours without a show, at least
_CPU_RATIO = 0.9


@dataclass(frozen=True, slots=True)
class _Show:
    """The median run of one show against that of the same hours without one; `other_bps` went beside it."""

    unix_ns: int
    rate_bps: float
    usual_bps: float
    other_bps: float
    cpu_ratio: float
    runs: int


def find(material: Material) -> Iterator[Finding]:
    """28, in each direction."""
    spans = list(_spans(material))
    for direction in (Direction.UP, Direction.DOWN) if spans else ():
        yield from _slower(material, direction, spans)


def _spans(material: Material) -> Iterator[tuple[int, int]]:
    """From when to when shows were on."""
    closed = {
        (one.name, one.handoff, one.opened_unix_ns): one.started_unix_ns
        for one in material.windows
        if isinstance(one, WindowClosed)
    }
    for one in material.windows:
        if not isinstance(one, WindowOpened) or one.window is not OpenKind.SHOW:
            continue
        if one.handoff in ("", material.handoff.name):
            before_ns = _NOTICED_NS if one.opener is Opener.UPLOAD else 0
            ends_ns = one.ends_unix_ns or material.until_ns
            ended_ns = closed.get((one.name, one.handoff, one.started_unix_ns), ends_ns)
            yield one.started_unix_ns - before_ns, ended_ns


def _slower(material: Material, direction: Direction, spans: Sequence[tuple[int, int]]) -> Iterator[Finding]:
    shows = list(_shows(material, direction, spans))
    low = [one for one in shows if one.rate_bps <= MUCH_LESS * one.usual_bps]
    high = [one for one in shows if one.usual_bps <= MUCH_LESS * one.rate_bps]
    chance = sampling.chance_of_as_many(len(low), len(low) + len(high))
    if not low or chance > CHANCE:
        return
    owner, because = _whose(low)
    rate, usual = (median(getattr(one, name) for one in low) for name in ("rate_bps", "usual_bps"))
    yield finding(
        28,
        handoff=material.handoff.name,
        direction=direction,
        seen=f"In {len(low)} of {len(shows)} shows the {DIRECTION_WORDS[direction]} was at least 15 % below "
        f"that of the same hours without one: {rate_text(rate)} against {rate_text(usual)}, by "
        f"{sum(one.runs for one in low)} runs; the other way round in {len(high)}.",
        owner=owner,
        because=because,
        when=(low[0].unix_ns, low[-1].unix_ns),
        chance=chance,
        counts={
            "shows": len(low),
            "of_shows": len(shows),
            "p50_bps": round(rate),
            "usual_p50_bps": round(usual),
            "other_bps": round(median(one.other_bps for one in low)),
        },
    )


def _shows(material: Material, direction: Direction, spans: Sequence[tuple[int, int]]) -> Iterator[_Show]:
    runs = [run for run in material.runs if _speaks(run, direction) and run.endpoint in material.outside]
    shown = {id(run) for run in runs if any(low <= run.started_unix_ns < high for low, high in spans)}
    plain = [run for run in runs if id(run) not in shown and run.standing is Standing.VALID]
    for low, high in sorted(spans):
        pairs = []
        for run in runs:
            if low <= run.started_unix_ns < high:
                alike = [_bps(one, direction) for one in plain if _alike(material, one, run)]
                if len(alike) >= _ALIKE:
                    pairs.append((run, median(alike)))
        if pairs:
            beside = [one.circumstances for one, _ in pairs]
            way = "other_up_bps" if direction is Direction.UP else "other_down_bps"
            yield _Show(
                pairs[0][0].started_unix_ns,
                median(_bps(one, direction) for one, _ in pairs),
                median(usual for _, usual in pairs),
                median(getattr(one, way) or 0 for one in beside),
                median(one.host_cpu_ratio or one.probe_cpu_ratio or 0.0 for one in beside),
                len(pairs),
            )


def _speaks(run: RateRun, direction: Direction) -> bool:
    """A full run of one direction against which nothing but other traffic speaks, which is looked for."""
    return run.direction is direction and not run.light and not set(run.reasons) - {"other_traffic"}


def _alike(material: Material, one: RateRun, run: RateRun) -> bool:
    """Whether a run was made to the same endpoint, as many flows, within an hour of the clock."""
    apart = abs(material.minute(one.started_unix_ns) - material.minute(run.started_unix_ns))
    return one.endpoint == run.endpoint and one.flows == run.flows and min(apart, 24 * 60 - apart) <= 60


def _bps(run: RateRun, direction: Direction) -> int:
    return run.sides()[direction].rates.goodput_bps


def _whose(low: Sequence[_Show]) -> tuple[Owner, str]:
    """The house's where its own counters explain what is missing, else nobody's yet."""
    rest = median((one.rate_bps + one.other_bps) / one.usual_bps for one in low)
    if rest >= SLIGHTLY_LESS:
        other = rate_text(median(one.other_bps for one in low))
        return Owner.HOUSE, (
            f"the show goes out by the probe's own interface: {other} beside the runs, by its counters, are "
            "what they had less"
        )
    if median(one.cpu_ratio for one in low) >= _CPU_RATIO:
        return (
            Owner.HOUSE,
            "this host's processors were busy meanwhile, as where an encoder runs beside the probe",
        )
    return Owner.UNKNOWN, (
        "this host moved little else, so it is a router of the house or a class of service; rates do not "
        "tell which"
    )
