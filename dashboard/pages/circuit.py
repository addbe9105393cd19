"""Circuit: one handoff, its contract card, what the runs say of it, and everything measured.

The verdict always rests on the last 30 days, whichever period the figures show: a reader must not
be able to choose the days that suit.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import tzinfo
from urllib.parse import quote, urlencode

from dashboard import campaign_results, history, house_paths, rate_history, rates_told, text_house
from dashboard.api import Json, Period
from dashboard.campaign_results import Told
from dashboard.figures import rates as rates_figure
from dashboard.figures import train as train_figure
from dashboard.figures.pooling import Stretch
from dashboard.judge import card_check, ceilings
from dashboard.judge.card_check import Warned
from dashboard.judge.house import PathJudged
from dashboard.judge.stall_places import StallPlace
from dashboard.judge.together import Together
from dashboard.judge.verdict import RateVerdict
from dashboard.pages import (
    budget,
    campaigns,
    capacity,
    card_rows,
    ceiling_rows,
    contracts,
    failovers,
    house,
    loaded_delay,
    paced,
    rate_parts,
    runs,
    segments,
    shapes,
    so_far,
    soaks,
    trains,
)
from dashboard.pages.budget import Used
from dashboard.pages.frame import Frame, Link, acceptance_url, circuit_url, findings_url, term_url
from dashboard.pages.house import HousePart
from dashboard.pages.ledger import Cell, Chart, Entry, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded
from dashboard.pages.trains import Train, TrainPart
from dashboard.pages.wording import (
    DASH,
    DIRECTIONS,
    LAYERS,
    PERIODS,
    Moment,
    counted,
    grouped,
    moment,
    span,
)
from dashboard.past import SoFar
from dashboard.rate_history import Rates
from store import jsonform
from store.capacity import CapacityRun
from store.card import Card
from store.ceilings import VALID_NS, Ceiling
from store.clock import NS_PER_S, rfc3339, zone
from store.corrections import Corrected, Corrections
from store.failovers import Failover
from store.layers import Layer
from store.loaded_delay import LoadedDelayRun
from store.paced import PacedRun
from store.reader import Reader
from store.records import Direction, Failed, Gap, RateRun, Skipped, Stall, TrainSpan
from store.site import Handoff, Site, Where
from store.soaks import Soak

MOST_ROWS = 40  # of a list on the page; the JSON has all


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known and judged of one handoff."""

    site: Site
    handoff: Handoff
    period: Period
    stretch: Stretch
    rates: Rates
    together: Together | None
    warned: tuple[Warned, ...]
    questions: tuple[str, ...]
    available: SoFar | None
    available_waits: bool
    runs: tuple[RateRun, ...]
    paced: tuple[PacedRun, ...]
    capacity: tuple[CapacityRun, ...]
    loaded_delays: tuple[LoadedDelayRun, ...]
    shapes: shapes.Shapes
    trains: tuple[Train, ...]
    soaks: tuple[Soak, ...]
    stalls: tuple[Stall, ...]
    troubles: tuple[Failed | Skipped | Gap, ...]
    splits: tuple[segments.FoundSplit, ...]
    places: dict[tuple[str, int], StallPlace]  # of the newest stalls
    failovers: tuple[Failover, ...]
    used: Used
    ceilings: tuple[ceilings.Room, ...]
    house: tuple[PathJudged, ...]
    corrections: Corrections
    campaigns: tuple[Told, ...]

    @property
    def verdicts(self) -> tuple[RateVerdict, ...]:
        """What the version of the card in force promises of each direction, and whether it is met."""
        return tuple(detail.whole for detail in self.rates.newest.details)

    @property
    def card(self) -> Card:
        """The version of the contract card in force at the end of the period."""
        return self.handoff.card_at(self.stretch.to_ns)

    def corrected_behind(self, verdict: RateVerdict) -> int:
        """How many of the records that a verdict looks at have been corrected."""
        now_ns = self.stretch.to_ns
        return len(
            history.corrected_behind(self.corrections, self.site, self.handoff, verdict, now_unix_ns=now_ns)
        )

    def corrected_minutes(self, train: Train) -> list[Corrected]:
        """The minutes of a train in the period that have been corrected."""
        return [
            one
            for one in self.corrections
            if isinstance(one.record, TrainSpan)
            and (one.record.handoff, one.record.endpoint) == (self.handoff.name, train.endpoint)
            and one.record.started_unix_ns >= self.stretch.from_ns
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitPage:
    """What circuit.html may use, and nothing else."""

    frame: Frame
    title: str
    handoff: str
    endpoints: tuple[str, ...]  # to which a run may be started, those outside first
    acceptance: str  # where its sheet is
    findings: str  # where its signatures are told
    term: str  # where its months are told
    period: str
    from_: Moment
    periods: tuple[Link, ...]
    verdicts: tuple[Entry, ...]
    available: tuple[Entry, ...]
    verdict_table: Table
    together: tuple[Entry, ...]
    part_table: Table | None
    day_table: Table | None
    rule_table: Table | None
    card: Table
    unstated: str  # the names of what else the card does not say
    versions: Table | None
    warned: tuple[Entry, ...]
    questions: tuple[str, ...]
    budget: tuple[Entry, ...]
    campaigns: campaigns.CampaignsPart | None
    rate_charts: tuple[Chart, ...]
    rate_table: Table
    paced_table: Table | None
    capacity_table: Table | None
    loaded_delay_table: Table | None
    shape_tables: tuple[Table, ...]
    ledger: Table | None
    ceilings: Table | None
    house: HousePart | None
    trains: tuple[TrainPart, ...]
    soak_table: Table | None
    stall_message: str
    stalls: Table | None
    split_message: str
    splits: Table | None
    segments: Table | None
    failovers: Table | None
    troubles: Table | None


def find(reader: Reader, *, site: Site, handoff: Handoff, period: Period, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread. What takes longer, availability, is `with_available`."""
    name, stretch = handoff.name, _stretch(reader, site, handoff, period, now_ns=now_ns)
    inside = {one.name for one in site.endpoints if one.where is Where.HOUSE}

    def outside_first(endpoint: str) -> tuple[bool, str]:
        return endpoint in inside, endpoint

    endpoints = sorted({endpoint for owner, endpoint in reader.paths() if owner == name}, key=outside_first)
    found = (trains.read(reader, name, endpoint, site=site, stretch=stretch) for endpoint in endpoints)
    since_ns = min(stretch.from_ns, now_ns - history.VERDICT_S * NS_PER_S)
    from_ns, to_ns = stretch.from_ns, stretch.to_ns
    stalls = tuple(reader.stalls(handoff=name, since_ns=from_ns, until_ns=to_ns))
    all_runs = reader.rate_runs(handoff=name, since_ns=since_ns, until_ns=now_ns, bins=False)
    return Findings(
        site=site,
        handoff=handoff,
        period=period,
        stretch=stretch,
        together=rate_history.read_together(reader, site, handoff, now_unix_ns=now_ns),
        rates=rate_history.read(reader, site, handoff, now_unix_ns=now_ns, runs=all_runs),
        warned=(
            *card_check.warnings_of(handoff, now_unix_ns=now_ns, where=zone(site.timezone)),
            *card_check.warnings_together(site.handoffs, now_unix_ns=now_ns)[handoff.name],
        ),
        questions=card_check.questions(handoff.card_at(now_ns)),
        available=None,
        available_waits=False,
        paced=tuple(reader.documents(PacedRun, handoff=name, since_ns=from_ns, until_ns=to_ns)),
        capacity=tuple(reader.documents(CapacityRun, handoff=name, since_ns=from_ns, until_ns=to_ns)),
        loaded_delays=tuple(reader.documents(LoadedDelayRun, handoff=name, since_ns=from_ns, until_ns=to_ns)),
        shapes=shapes.read(reader, name, stretch, stated_mtu_bytes=handoff.card_at(now_ns).mtu_bytes),
        runs=tuple(run for run in all_runs if run.started_unix_ns >= stretch.from_ns),
        trains=tuple(train for train in found if train is not None),
        soaks=soaks.read(reader, name, stretch),
        stalls=stalls,
        troubles=tuple(reader.troubles(handoff=name, since_ns=from_ns, until_ns=to_ns)),
        splits=segments.splits(reader, name, stretch),
        places=segments.places(reader, stalls[-MOST_ROWS:], site=site, handoff=handoff),
        failovers=failovers.read(reader, name),
        used=budget.find(reader, site, handoff, now_ns=now_ns, spent=handoff.allowance_bytes is not None),
        ceilings=ceilings.judge(
            reader.documents(Ceiling, since_ns=now_ns - VALID_NS), site=site, handoff=handoff, now_ns=now_ns
        ),
        house=house_paths.judged(site, handoff, all_runs, now_ns=now_ns),
        corrections=reader.corrected(),
        campaigns=campaign_results.read(reader, site=site, handoff=name, now_unix_ns=now_ns),
    )


def with_available(found: Findings, available: SoFar | None, *, waits: bool = False) -> Findings:
    """The findings with what availability comes to; `waits` says that it is being judged."""
    return replace(found, available=available, available_waits=waits)


def figure(found: Findings, name: str, endpoint: str | None) -> str | None:
    """The figure of this name as JSON text; `endpoint` says of which train. None when there is none."""
    gaps = [one for one in found.troubles if isinstance(one, Gap)]
    if name in RATE_FIGURES:
        direction = RATE_FIGURES[name]
        return rates_figure.figure(
            found.runs,
            direction=direction,
            layer=_layer(found.card),
            stated_bps=found.card.rate_bps(direction),
            gaps=gaps,
            stretch=found.stretch,
        )
    train = next((one for one in found.trains if one.endpoint == endpoint), None)
    if name != TRAIN_FIGURE or train is None:
        return None
    return train_figure.figure(train.drawn, gaps=gaps, stretch=found.stretch)


TRAIN_FIGURE = "train"
RATE_FIGURES = {"rates-up": Direction.UP, "rates-down": Direction.DOWN}
FIGURES = (*RATE_FIGURES, TRAIN_FIGURE)


def _stretch(reader: Reader, site: Site, handoff: Handoff, period: Period, *, now_ns: int) -> Stretch:
    """The period as far as there is a record of it: a young record fills its charts."""
    since_ns = now_ns - period.ns
    oldest_ns = reader.oldest_ns(handoff=handoff.name, since_ns=since_ns)
    return Stretch(from_ns=max(since_ns, oldest_ns or since_ns), to_ns=now_ns, zone=zone(site.timezone))


def _layer(card: Card) -> Layer:
    """The layer at which rates are drawn: the contract's, or payload where it states none."""
    stated = card.layer
    return Layer.PAYLOAD if stated is Layer.NOT_STATED else stated


# The page


def page(found: Findings, *, frame: Frame) -> CircuitPage:
    """The findings as the page says them."""
    handoff, where = found.handoff, found.stretch.zone
    shown = Recorded(where=where, most=MOST_ROWS, corrections=found.corrections)
    return CircuitPage(
        frame=frame,
        title=handoff.title,
        handoff=handoff.name,
        endpoints=_endpoints(found),
        acceptance=acceptance_url(handoff.name),
        findings=findings_url(handoff.name),
        term=term_url(handoff.name),
        period=PERIODS[found.period],
        from_=moment(found.stretch.from_ns, where, form="%a %d %b %Y, %H:%M"),
        periods=_periods(found),
        verdicts=tuple(
            contracts.entry(
                detail.whole,
                corrected_records=found.corrected_behind(detail.whole),
                parts=detail.sentences,
            )
            for detail in found.rates.newest.details
        )
        + rate_parts.earlier(found.rates, where),
        available=(so_far.WAITS,) if found.available_waits else tuple(so_far.entries(found.available, where)),
        verdict_table=contracts.table(
            [(handoff, verdict) for verdict in found.verdicts],
            caption=f"Counts behind the verdicts on {handoff.name}, last 30 days",
        ),
        together=rate_parts.together(found.together),
        part_table=rate_parts.parts(
            found.rates.newest.details, caption=f"Busy hours and all hours of {handoff.name}, last 30 days"
        ),
        day_table=rate_parts.days(
            found.rates.newest.details, caption=f"Verdicts on {handoff.name} day by day, last 30 days"
        ),
        rule_table=rate_parts.rules(
            found.rates.newest,
            caption=f"Verdicts on {handoff.name} with and without each rule, last 30 days",
        ),
        card=card_rows.table(found.card, where),
        unstated=", ".join(row.name for row in card_rows.card_rows(found.card, where) if row.folded),
        versions=card_rows.versions(handoff.cards, where),
        warned=tuple(card_rows.warning(one) for one in found.warned),
        questions=tuple(
            one for one in found.questions if one not in {each.question for each in found.warned}
        ),
        budget=budget.entries(found.used, where),
        campaigns=campaigns.part(
            found.campaigns,
            campaign_results.ahead(found.site, found.campaigns, handoff=handoff.name),
            handoff=handoff.name,
            where=where,
        ),
        rate_charts=_rate_charts(found),
        rate_table=runs.table(
            found.runs,
            shown,
            caption=f"Rate runs of {PERIODS[found.period]}, newest first",
        ),
        paced_table=paced.table(
            found.paced,
            shown,
            caption=f"Paced runs of {PERIODS[found.period]}, newest first",
        ),
        capacity_table=capacity.table(
            found.capacity,
            shown,
            caption=f"Capacity runs of {PERIODS[found.period]}, newest first",
        ),
        loaded_delay_table=loaded_delay.table(
            found.loaded_delays,
            shown,
            caption=f"Loaded-delay runs of {PERIODS[found.period]}, newest first",
        ),
        shape_tables=shapes.tables(found.shapes, shown, period=PERIODS[found.period]),
        ledger=runs.ledger(
            runs.left_out(found.runs)
            + paced.left_out((*found.paced, *found.capacity, *found.loaded_delays, *found.shapes.all)),
            sum((train.left_out for train in found.trains), Counter()),
            caption=f"Exclusions ledger of {PERIODS[found.period]}",
        ),
        ceilings=ceiling_rows.table(
            found.ceilings, where=where, factor=found.site.rules.evidence.ceiling_factor
        ),
        house=house.part(found.house),
        trains=tuple(
            trains.part(
                train,
                period=PERIODS[found.period],
                id=f"train-{place}",
                url=_figure_url(found, TRAIN_FIGURE, endpoint=train.endpoint),
                minutes=found.corrected_minutes(train),
            )
            for place, train in enumerate(found.trains)
        ),
        soak_table=soaks.table(
            found.soaks,
            shown,
            caption=f"Soaks that reach into {PERIODS[found.period]}, newest first",
        ),
        stall_message=_stall_message(found),
        stalls=_stall_table(found, shown),
        split_message=segments.message(found.splits),
        splits=segments.finding_table(found.splits, where=where),
        segments=segments.segment_table(found.splits, where=where),
        failovers=failovers.table(found.failovers, where=where, corrections=found.corrections),
        troubles=_trouble_table(found, shown),
    )


def _endpoints(found: Findings) -> tuple[str, ...]:
    order = sorted(found.site.endpoints, key=lambda one: one.where is not Where.OUTSIDE)
    return tuple(one.name for one in order)


def _periods(found: Findings) -> tuple[Link, ...]:
    url = circuit_url(found.handoff.name)
    return tuple(
        Link(text=PERIODS[period], url=f"{url}?period={period}", here=period is found.period)
        for period in Period
    )


def _figure_url(found: Findings, name: str, **query: str) -> str:
    wanted = urlencode({"period": str(found.period), **query})
    return f"/figures/circuit/{quote(found.handoff.name, safe='')}/{name}.json?{wanted}"


MANY = (
    " Of so many runs those are drawn that were the lowest, the highest and the middle one of each of "
    f"{rates_figure.PARTS} parts of the time; the JSON has all of them."
)


def _rate_charts(found: Findings) -> tuple[Chart, ...]:
    """One for each direction that was run, because on a lopsided line one axis would hide the smaller."""
    layer = _layer(found.card)
    return tuple(
        Chart(
            url=_figure_url(found, f"rates-{direction}"),
            message=runs.message(found.runs, direction, layer=layer, period=PERIODS[found.period]),
            key=f"Mb/s, {LAYERS[layer]}. A triangle is a run and points the way its payload went; a ring is "
            "a light run, which asked for no more; crosses are left out by rule; the broken line is what is "
            "stated; grey bands were not measured."
            + (
                MANY
                if sum(run.side(direction) is not None for run in found.runs) > 3 * rates_figure.PARTS
                else ""
            ),
        )
        for direction in (Direction.UP, Direction.DOWN)
        if any(run.side(direction) is not None for run in found.runs)
    )


def _stall_message(found: Findings) -> str:
    if not found.stalls:
        measured = any(train.whole.measured for train in found.trains)
        return f"No stall of 0.5 s or more in {PERIODS[found.period]}." if measured else "No train ran."
    longest = max(found.stalls, key=lambda stall: stall.duration_us)
    total_s = sum(stall.seconds for stall in found.stalls)
    ways = Counter(stall.how for stall in found.stalls)
    how = ", ".join(f"{grouped(count)} {how}" for how, count in ways.most_common())
    several = len({stall.endpoint for stall in found.stalls}) > 1
    each = " (each train counts by itself)" if several else ""
    return (
        f"{counted(len(found.stalls), 'stall')} of 0.5 s or more in {PERIODS[found.period]}{each}, "
        f"{span(total_s)} together, the longest {span(longest.seconds)}; by what became of their packets: "
        f"{how}."
    )


def _stall_table(found: Findings, shown: Recorded) -> Table | None:
    if not found.stalls:
        return None
    return shown.table(
        found.stalls,
        lambda one: [_stall_row(one, found)],
        caption=f"Stalls of {PERIODS[found.period]}, newest first",
        headings=(
            Heading(text="Started"),
            Heading(text="Endpoint"),
            number("Length", "s"),
            Heading(text="Class"),
            Heading(text="Direction"),
            Heading(text="Packets were"),
            number("Lost"),
            number("Held"),
            Heading(text="Where"),
        ),
        one="stall",
    )


def _stall_row(stall: Stall, found: Findings) -> tuple[Cell, ...]:
    return cells(
        moment(stall.started_unix_ns, found.stretch.zone),
        stall.endpoint,
        f"{stall.seconds:.2f}",
        str(stall.class_),
        DIRECTIONS[stall.direction],
        stall.how,
        grouped(stall.lost),
        grouped(stall.held),
        segments.place_text(found.places.get((stall.endpoint, stall.started_unix_ns))),
    )


def _trouble_table(found: Findings, shown: Recorded) -> Table | None:
    if not found.troubles:
        return None
    return shown.table(
        found.troubles,
        lambda one: [_trouble_row(one, shown.where)],
        caption=f"Failed, skipped and not measured in {PERIODS[found.period]}, newest first",
        headings=(
            Heading(text="When"),
            Heading(text="What", kind="prose"),
            Heading(text="Why", kind="prose"),
            Heading(text="Owner"),
        ),
        one="record",
    )


def _trouble_row(trouble: Failed | Skipped | Gap, where: tzinfo) -> tuple[Cell, ...]:
    match trouble:
        case Failed():
            when = moment(trouble.started_unix_ns, where)
            return cells(when, f"failed: {trouble.what}", trouble.why, str(trouble.whose))
        case Skipped():
            when = moment(trouble.planned_unix_ns, where)
            return cells(when, f"skipped: {trouble.what}", trouble.why, DASH)
        case Gap():
            length = span((trouble.ended_unix_ns - trouble.started_unix_ns) / NS_PER_S)
            return cells(moment(trouble.started_unix_ns, where), f"gap of {length}", trouble.why, DASH)


# For programs


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object; rates in bit/s, delays in microseconds."""
    return {
        "kind": "circuit",
        "schema": jsonform.SCHEMA,
        "written": rfc3339(found.stretch.to_ns),
        "site": found.site.name,
        "invented": found.site.invented,
        "handoff": found.handoff.name,
        "period": str(found.period),
        "from": rfc3339(found.stretch.from_ns),
        "card": card_rows.card_json(found.card),
        "cards": [card_rows.card_json(one) for one in found.handoff.cards],
        "card_warnings": [one.as_json() for one in found.warned],
        "verdicts": [
            contracts.as_json(found.handoff, verdict, corrected_records=found.corrected_behind(verdict))
            for verdict in found.verdicts
        ],
        "together": rates_told.together_json(found.together),
        "versions": [rates_told.version_json(version) for version in found.rates.versions],
        "questions": list(found.questions),
        "available": so_far.as_json(found.available),
        "budget": budget.as_json(found.used),
        "campaigns": [campaign_results.as_json(one) for one in found.campaigns],
        "runs": [runs.as_json(run, found.corrections) for run in found.runs],
        "paced": [paced.as_json(run, found.corrections) for run in found.paced],
        "house": [text_house.path_json(one) for one in found.house],
        "ceilings": [ceiling_rows.as_json(room) for room in found.ceilings],
        "loaded_delays": [loaded_delay.as_json(run, found.corrections) for run in found.loaded_delays],
        "capacity": [capacity.as_json(run, found.corrections) for run in found.capacity],
        **shapes.as_json(found.shapes, found.corrections),
        "trains": [trains.as_json(train, found.corrected_minutes(train)) for train in found.trains],
        "soaks": [soaks.as_json(soak, found.corrections) for soak in found.soaks],
        "stalls": [
            {
                **_json(stall, found),
                "place": segments.place_json(found.places.get((stall.endpoint, stall.started_unix_ns))),
            }
            for stall in found.stalls
        ],
        "splits": segments.splits_json(found.splits),
        "failovers": failovers.as_json(found.failovers, found.corrections),
        "troubles": [_json(trouble, found) for trouble in found.troubles],
    }


def _json(record: Stall | Failed | Skipped | Gap, found: Findings) -> Json:
    corrections = jsonform.corrected_json(found.corrections.of(record))
    return jsonform.as_json(record) | {"corrected": corrections}
