"""Parts of Evenings: a month's rates by hour of the week, and how its runs are spread beside their floor.

Pure: runs in, sentences, tables and figures out. Imports judges, figures and the tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from urllib.parse import quote, urlencode

from dashboard.api import Json
from dashboard.figures import spread as spread_figure
from dashboard.figures import week as week_figure
from dashboard.figures.show import at_ip
from dashboard.figures.week import WEEKDAYS
from dashboard.judge import contract, hours
from dashboard.judge.rate_spread import RANKS, Spread, spread
from dashboard.judge.week_hours import DAYS, ENOUGH_RUNS, HOURS, Hours, WeekMap, week_map
from dashboard.pages.ledger import Cell, Chart, Heading, Table, cells, number
from dashboard.pages.wording import DASH, LAYERS, counted, mbps, stated_mbps
from store.card import Card
from store.clock import local
from store.layers import Layer
from store.records import Direction, RateRun
from store.site import Times

WAYS = {"up": Direction.UP, "down": Direction.DOWN}
FIGURES = tuple(f"{kind}-{way}" for kind in ("week", "spread") for way in WAYS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """What was found of one direction. `spreads` are of all hours and of the busy ones that have runs."""

    direction: Direction
    layer: Layer
    layer_stated: bool
    week: WeekMap
    spreads: dict[str, Spread]


@dataclass(frozen=True, slots=True, kw_only=True)
class WayPart:
    """What evenings.html may use of one direction."""

    id: str
    title: str
    message: str
    chart: Chart
    hours: Table
    spread_message: str
    spread_chart: Chart
    spreads: Table


def find(runs: Sequence[RateRun], card: Card, *, busy: Times, where: tzinfo) -> tuple[Way, ...]:
    """Both directions of a handoff's runs over a month, those that have a run that counts."""
    stated = card.layer is not Layer.NOT_STATED
    layer = card.layer if stated else Layer.WIRE
    in_busy, found = hours.inside(busy, where), []
    for direction in WAYS.values():
        kept = contract.counted(runs, card, direction)
        if not kept:
            continue
        values = {
            "all hours": [at_ip(side) for _, side in kept],
            "busy hours": [at_ip(side) for run, side in kept if in_busy(run.started_unix_ns)],
        }
        timed = [
            (
                local(run.started_unix_ns, where),
                side.rates.at(layer),
                contract.missed(run, side, card, direction),
            )
            for run, side in kept
        ]
        found.append(
            Way(
                direction=direction,
                layer=layer,
                layer_stated=stated,
                week=week_map(timed, stated_bps=card.rate_bps(direction)),
                spreads={name: spread(each) for name, each in values.items() if each},
            )
        )
    return tuple(found)


def figure(ways: Sequence[Way], name: str) -> str | None:
    """The figure of this name as JSON text; None when there is none."""
    kind, _, word = name.partition("-")
    way = next((one for one in ways if name in FIGURES and one.direction is WAYS[word]), None)
    if way is None:
        return None
    if kind == "week":
        return week_figure.figure(way.week)
    return spread_figure.figure(way.spreads, meta=str(way.direction))


def parts(ways: Sequence[Way], *, handoff: str, month: str) -> tuple[WayPart, ...]:
    """Both directions as the page says them; `month` is as in its address."""

    def url(name: str) -> str:
        return f"/figures/evenings/{quote(handoff, safe='')}/{name}.json?{urlencode({'month': month})}"

    return tuple(
        WayPart(
            id=f"hours-{way.direction}",
            title=_title(way),
            message=" ".join(_said(way)),
            chart=Chart(url=url(f"week-{way.direction}"), message=_said(way)[0], key=_key(way)),
            hours=_hours(way, month),
            spread_message=_spread_said(way),
            spread_chart=Chart(
                url=url(f"spread-{way.direction}"),
                message=_spread_said(way),
                key="A line tells how many of the runs had a slowest second of so much or less: the further "
                "left, the worse. The upright lines are the floors.",
            ),
            spreads=_spreads(way, month),
        )
        for way in ways
    )


def _title(way: Way) -> str:
    return "Upload" if way.direction is Direction.UP else "Download"


def _said(way: Way) -> list[str]:
    found, title = way.week, _title(way)
    many = [one for one in found.week.values() if one.enough]
    if not many:
        return [
            f"{title} by hour of the week: no hour has {ENOUGH_RUNS} runs, so none can be called the worst."
        ]
    if found.worst is None:
        good = "missed the stated rate" if found.stated_bps else "was clearly slower than the others"
        said = [f"{title} by hour of the week: of {len(many)} hours with enough runs, none {good}."]
    else:
        day, hour = found.worst
        said = [
            f"{title} was worst on {WEEKDAYS[day]} from {hour:02d}:00 to {(hour + 1) % 24:02d}:00: "
            f"{_hour_said(found, found.week[day, hour])}."
        ]
    if found.worst_of_day is not None:
        hour = found.worst_of_day
        said.append(
            f"Over all days it was worst from {hour:02d}:00 to {(hour + 1) % 24:02d}:00: "
            f"{_hour_said(found, found.day[hour])}."
        )
    return said


def _hour_said(found: WeekMap, one: Hours) -> str:
    of = f"the middle one of {counted(one.runs, 'run')} {mbps(one.middle_bps)} Mb/s"
    if found.stated_bps is None:
        return f"{of}, where that of all hours is {mbps(found.whole.middle_bps)}"
    rate = stated_mbps(found.stated_bps)
    return f"{one.missed} of {counted(one.runs, 'run')} missed the stated {rate} Mb/s, {of}"


def _layer_said(way: Way) -> str:
    if way.layer_stated:
        return f"Rates are at {_at(way.layer)}, as the card has it."
    return "Rates are at layer 1, which flatters the line, since the card does not say at which."


def _at(layer: Layer) -> str:
    return "the IP layer" if layer is Layer.IP else LAYERS[layer]


def _key(way: Way) -> str:
    return (
        "A mark for each hour of the week that was measured, the larger and darker the worse. "
        f"{_layer_said(way)}"
    )


def _hours(way: Way, month: str) -> Table:
    found, title = way.week, _title(way)
    what = "its runs"
    if found.stated_bps is not None:
        what = f"how many of its runs missed {stated_mbps(found.stated_bps)}"
    return Table(
        caption=f"{title} by hour of the week, {month}: middle rate in Mb/s, and {what}",
        headings=(Heading(text="Hour"), *(number(day) for day in WEEKDAYS), number("All days")),
        rows=tuple(
            (
                Cell(text=f"{hour:02d}:00"),
                *(Cell(text=_cell(found.week[day, hour])) for day in DAYS),
                Cell(text=_cell(found.day[hour])),
            )
            for hour in HOURS
            if found.day[hour].runs
        ),
        note=f"{_layer_said(way)} Hours of the day without a run are not listed.",
    )


def _cell(one: Hours) -> str:
    if not one.runs:
        return DASH
    count = str(one.runs) if one.missed is None else f"{one.missed}/{one.runs}"
    return f"{mbps(one.middle_bps)} ({count})"


def _spread_said(way: Way) -> str:
    said = []
    for name, found in way.spreads.items():
        floor = found.floor
        kind = "the assured floor is" if floor.exact else "too few for a floor; the least stands in:"
        middle = mbps(found.percentiles_bps[RANKS.index(0.5)])
        said.append(
            f"{name} {middle} Mb/s in the middle of {counted(found.n, 'run')}, {kind} {mbps(floor.bps)}"
        )
    return f"Slowest second of {_title(way).lower()} runs: {'; '.join(said)}."


def _spreads(way: Way, month: str) -> Table:
    return Table(
        caption=f"Slowest seconds of {_title(way).lower()} runs, {month}",
        headings=(
            Heading(text="Hours"),
            number("Runs"),
            number("Assured floor", "Mb/s"),
            number("Least", "Mb/s"),
            *(number(f"p{rank * 100:.0f}", "Mb/s") for rank in RANKS),
            number("Most", "Mb/s"),
        ),
        rows=tuple(
            cells(
                name,
                str(found.n),
                mbps(found.floor.bps) if found.floor.exact else DASH,
                mbps(found.values_bps[0]),
                *(mbps(one) for one in found.percentiles_bps),
                mbps(found.values_bps[-1]),
            )
            for name, found in way.spreads.items()
        ),
        note="At the IP layer, of runs that count. With 95 % confidence 95 % of such runs stay above the "
        "floor; it takes 59 of them. A show's own floor is of the hours like its own (Shows).",
    )


def as_json(way: Way) -> Json:
    """One direction for programs; rates in bit/s."""
    found = way.week
    return {
        "direction": str(way.direction),
        "layer": str(way.layer),
        "layer_stated": way.layer_stated,
        "stated_bps": found.stated_bps,
        "hours": [
            {
                "weekday": WEEKDAYS[day],
                "hour": hour,
                "runs": one.runs,
                "middle_bps": None if one.middle_bps is None else round(one.middle_bps),
                "least_bps": one.least_bps,
                "missed": one.missed,
            }
            for (day, hour), one in found.week.items()
            if one.runs
        ],
        "spreads": [
            {
                "hours": name,
                "runs": one.n,
                "floor_bps": one.floor.bps if one.floor.exact else None,
                "least_bps": one.values_bps[0],
                **{
                    f"p{rank * 100:.0f}_bps": bps
                    for rank, bps in zip(RANKS, one.percentiles_bps, strict=True)
                },
                "most_bps": one.values_bps[-1],
            }
            for name, one in way.spreads.items()
        ],
    }
