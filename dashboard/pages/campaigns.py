"""Campaigns as Circuit shows them: the question, its answer, the counts, and every planned run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.campaign_results import Told
from dashboard.judge.campaign import Fate, Outcome
from dashboard.pages import contracts, corrected, runs
from dashboard.pages.ledger import Cell, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, counted, grouped, mbps, moment
from store.records import Direction, RateRun
from store.site import CampaignPlan

UNDER_WAY = Mark(word="Under way", look="unsure")
MEASURED = Mark(word="Measured", look="none")  # ended, with nothing to judge by

OPEN_ROWS = 12  # a longer list of runs is folded; it is on the page all the same


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignPart:
    """What the page says of one campaign."""

    mark: Mark
    question: str
    answer: tuple[str, ...]
    notes: tuple[str, ...]
    runs: Table
    folded: bool
    summary: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignsPart:
    """What the page says of all campaigns of a handoff: first the counts, then one by one."""

    counts: Table | None
    each: tuple[CampaignPart, ...]
    ahead: tuple[str, ...]


def part(
    told: tuple[Told, ...], ahead: tuple[CampaignPlan, ...], *, handoff: str, where: tzinfo
) -> CampaignsPart | None:
    """The section; None for a handoff without any campaign."""
    if not told and not ahead:
        return None
    return CampaignsPart(
        counts=_counts(told, handoff) if told else None,
        each=tuple(_part(one, where) for one in reversed(told)),
        ahead=tuple(
            f"{plan.name}: {plan.question} It has not begun; with every moment of its runs it is fixed when "
            f"it begins, on {plan.first_day:%a %d %b %Y}."
            for plan in ahead
        ),
    )


def _counts(told: tuple[Told, ...], handoff: str) -> Table:
    return Table(
        caption=f"What became of the planned runs of each campaign on {handoff}, the newest first",
        headings=(
            Heading(text="Campaign"),
            Heading(text="Answer"),
            number("Planned"),
            *(number(words(outcome).capitalize()) for outcome in Outcome),
        ),
        rows=tuple(
            cells(
                one.campaign.name,
                _mark(one),
                grouped(len(one.campaign.planned)),
                *(grouped(count) for count in one.result.counts.values()),
            )
            for one in reversed(told)
        ),
    )


def words(outcome: Outcome) -> str:
    """An outcome as a person reads it."""
    return str(outcome).replace("_", " ")


def _mark(told: Told) -> Mark:
    if told.answer.word is not None:
        return contracts.MARKS[told.answer.word]
    return MEASURED if told.result.ended else UNDER_WAY


def _part(told: Told, where: tzinfo) -> CampaignPart:
    campaign = told.campaign
    rows = len(campaign.planned)
    return CampaignPart(
        mark=_mark(told),
        question=f"{campaign.name}: {campaign.question}",
        answer=told.answer.sentences,
        notes=tuple(_notes(told, where)),
        runs=_runs(told, where),
        folded=rows > OPEN_ROWS,
        summary=f"Every planned run of {campaign.name} ({grouped(rows)})",
    )


def _notes(told: Told, where: tzinfo) -> Iterator[str]:
    """What the answer rests on, and what happened to that."""
    fixed = moment(told.campaign.started_unix_ns, where, form="%a %d %b %Y, %H:%M:%S").text
    count = counted(len(told.campaign.planned), "run")
    yield f"Question and moments of its {count} were fixed on {fixed}, as record {told.seq} of the chain."
    if told.thinned:
        yield f"The 100 ms bins of {counted(told.thinned, 'run')} were let go with age; all else is whole."
    if said := corrected.behind(len(told.corrected), "this campaign"):
        yield said


def _runs(told: Told, where: tzinfo) -> Table:
    campaign = told.campaign
    asked = [way for way in (Direction.UP, Direction.DOWN) if campaign.direction in (way, Direction.BOTH)]
    return Table(
        caption=f"Every planned run of {campaign.name}, in the order of their moments",
        headings=(
            Heading(text="Planned"),
            Heading(text="Outcome"),
            *(number(f"Payload {way}", "Mb/s") for way in asked),
            Heading(text="Why", kind="prose"),
            Heading(text="Started"),
        ),
        rows=tuple(
            corrected.marked(
                _row(fate, asked, where),
                None if fate.record is None else told.corrections.of(fate.record),
            )
            for fate in told.result.fates
        ),
        corrections=corrected.notes(told.corrected, where),
    )


def _row(fate: Fate, asked: list[Direction], where: tzinfo) -> tuple[Cell, ...]:
    run = fate.record if isinstance(fate.record, RateRun) else None
    sides = run.sides() if run else {}
    rates = (mbps(sides[way].rates.goodput_bps) if way in sides else DASH for way in asked)
    return cells(
        moment(fate.planned.start_unix_ns, where),
        words(fate.outcome),
        *rates,
        (runs.why(run) if run else fate.why if fate.record else "") or DASH,
        moment(run.started_unix_ns, where) if run else DASH,
    )
