"""Today: what needs attention now, the answer for the next show, and what was measured last.

Sentences first, with owner and next step; then tables.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any
from urllib.parse import quote

from dashboard import acceptance, case_owners, history
from dashboard import planned as planned_
from dashboard.api import Json
from dashboard.figures import show
from dashboard.figures.pooling import Piece, Stretch
from dashboard.judge import evidence
from dashboard.judge import today as judge
from dashboard.judge.delay import summary_of_sums
from dashboard.judge.hours import Show
from dashboard.judge.stream import Answer, Check, few
from dashboard.judge.today import Notice
from dashboard.judge.verdict import RateVerdict
from dashboard.pages import budget, contracts, corrected, events, rehearsals, runs, trains
from dashboard.pages.budget import Used
from dashboard.pages.events import CaseEntry
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Cell, Chart, Entry, Heading, Mark, Table, cells, number
from dashboard.pages.now import NowPart
from dashboard.pages.recorded import Recorded
from dashboard.pages.wording import DASH, Moment, counted, grouped, mbps, moment, ms, path, span
from dashboard.planned import AHEAD_S, Planned
from store import case_words, fault_log, jsonform
from store.before_show import Stage, stage_of
from store.before_show import said as stage_said
from store.cases import Case
from store.cells import Length
from store.clock import NS_PER_S, rfc3339, zone
from store.corrections import Corrected, Corrections
from store.notices import Notice as SentNotice
from store.reader import Reader
from store.records import Direction, Gap, RateRun
from store.rehearsals import Rehearsal
from store.site import Handoff, Site, StreamPlan

MOST_RUNS = 10  # the latest ones; Circuit has more
MOST_CASES = 10  # beside the open ones; Events has more
HOUR_NS = 3600 * NS_PER_S
DAY_NS = 24 * HOUR_NS
_NEAR_S = 36 * 3600  # a show so near may be checked from here; Shows has the button for every one
SILENT_S = 30  # the probe leaves a sign of life every 10 s

ANSWERS = {
    Answer.GO: Mark(word="Go", look="firm"),
    Answer.TIGHT: Mark(word="Tight", look="unsure"),
    Answer.HOLD: Mark(word="Hold", look="bad"),
    Answer.UNKNOWN: Mark(word="Unknown", look="none"),
}

STAGES = tuple((str(one), stage_said(one)) for one in Stage)

WEIGHTS = (  # the least weight of a notice, how its margin says it
    (70, Mark(word="Now", look="bad")),
    (50, Mark(word="Soon", look="firm")),
    (30, Mark(word="Watch", look="unsure")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainHour:
    """The last hour of one train."""

    handoff: str
    endpoint: str
    hour: Piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known and judged of the whole site just now; `stretch` is the last day."""

    site: Site
    stretch: Stretch
    newest_ns: int | None
    alive_ns: int | None
    notices: tuple[Notice, ...]
    planned: tuple[Planned, ...]
    rehearsals: Mapping[str, Rehearsal | None]  # the last one of each plan
    verdicts: tuple[tuple[Handoff, RateVerdict], ...]
    trains: tuple[TrainHour, ...]
    runs: tuple[RateRun, ...]
    gaps: tuple[Gap, ...]
    cases: tuple[Case, ...]  # open, or of the last day
    told: tuple[SentNotice, ...]  # what became of the messages about them
    used: tuple[Used, ...]
    corrections: Corrections

    def corrected_behind(self, handoff: Handoff, verdict: RateVerdict) -> tuple[Corrected, ...]:
        """The records that a verdict looks at and that have been corrected."""
        return history.corrected_behind(
            self.corrections, self.site, handoff, verdict, now_unix_ns=self.now_ns
        )

    @property
    def now_ns(self) -> int:
        return self.stretch.to_ns

    @property
    def zone(self) -> tzinfo:
        return self.stretch.zone

    @property
    def running(self) -> bool:
        """Whether the probe gave a sign of life of late."""
        return self.alive_ns is not None and self.now_ns - self.alive_ns <= SILENT_S * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """The first line of the page: the answer for the next show."""

    mark: Mark
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeEntry:
    """A notice as the page says it."""

    mark: Mark
    text: str
    owner: str
    next_step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEntry:
    """The answer for one plan as the page says it."""

    mark: Mark
    start: Moment | None
    name: str
    title: str
    when: str
    because: str
    change: str
    figures: tuple[tuple[str, str], ...]
    looked: str
    stage: str  # of the check that there is time for; empty where no show is near


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayPage:
    """What today.html may use, and nothing else."""

    frame: Frame
    lead: Lead | None
    state: tuple[str, ...]
    notices: tuple[NoticeEntry, ...]
    events: tuple[CaseEntry, ...]
    events_left: str
    now: NowPart
    planned: tuple[PlanEntry, ...]
    stages: tuple[tuple[str, str], ...]
    verdicts: tuple[Entry, ...]
    verdict_table: Table
    budget: tuple[Entry, ...]
    trains: Table | None
    show: Chart | None
    runs: Table | None


def find(reader: Reader, *, site: Site, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    records = history.of_site(reader, site, now_unix_ns=now_ns)
    cases = case_owners.read(
        reader,
        site,
        since_ns=now_ns - DAY_NS,
        until_ns=now_ns + 1,
        now_ns=now_ns,
    )
    limits, newest_ns = history.limits_of(reader, site, records, now_unix_ns=now_ns), reader.newest_ns()
    planned, own = [], evidence.by_handoff(records)
    for plan in site.plans:
        mine = own.get(plan.handoff, [])
        check = history.answer(reader, site, plan, mine, now_unix_ns=now_ns, limits=limits)
        one = planned_.planned(reader, site, plan, check, now_ns=now_ns)
        if one.check.answer is not check.answer:  # lowered: what helps now is looked for on every uplink
            one = planned_.of_plan(reader, site, plan, now_ns=now_ns)
        planned.append(one)
    verdicts = tuple(
        one
        for handoff in site.handoffs
        for one in history.verdicts(site, handoff, records, now_unix_ns=now_ns)
    )
    return Findings(
        site=site,
        stretch=_stretch(reader, site, now_ns=now_ns),
        newest_ns=newest_ns,
        alive_ns=reader.last_alive_ns(),
        notices=judge.notices(
            site,
            records,
            verdicts=verdicts,
            checks={one.plan.name: one.check for one in planned},
            now_unix_ns=now_ns,
            pending=acceptance.pending(reader, site, now_unix_ns=now_ns),
            cases=cases,
            measured=newest_ns is not None,
        ),
        planned=planned_.next_first(planned),
        rehearsals={plan.name: rehearsals.last(reader, plan) for plan in site.plans},
        verdicts=verdicts,
        runs=tuple(
            one for one in records if isinstance(one, RateRun) and one.started_unix_ns >= now_ns - DAY_NS
        ),
        gaps=tuple(
            one for one in reader.troubles(since_ns=now_ns - DAY_NS, until_ns=now_ns) if isinstance(one, Gap)
        ),
        trains=_trains(reader, now_ns=now_ns),
        cases=cases,
        told=fault_log.notices(reader, cases),
        used=tuple(budget.find(reader, site, one, now_ns=now_ns, spent=False) for one in site.handoffs),
        corrections=reader.corrected(),
    )


def figure(found: Findings, name: str) -> str | None:
    """The last day's upload runs beside what the plan of this name asks for, as JSON text."""
    for planned in found.planned:
        if planned.plan.name == name:
            handoff = planned.plan.handoff
            return show.figure(
                _up(found.site, planned.plan, found.runs),
                check=planned.check,
                gaps=[gap for gap in found.gaps if gap.handoff in ("", handoff)],
                stretch=found.stretch,
            )
    return None


def _up(site: Site, plan: StreamPlan, runs_: Iterable[RateRun]) -> list[RateRun]:
    """Runs to endpoints outside on the plan's handoff."""
    found = evidence.of_line(site, plan.handoff, runs_)
    return [one for one in found if isinstance(one, RateRun)]


def _stretch(reader: Reader, site: Site, *, now_ns: int) -> Stretch:
    """The last day as far as there is a record of it: a young record fills its chart."""
    since_ns = now_ns - DAY_NS
    oldest = [reader.oldest_ns(handoff=handoff.name, since_ns=since_ns) for handoff in site.handoffs]
    first_ns = min((one for one in oldest if one is not None), default=since_ns)
    return Stretch(from_ns=max(since_ns, first_ns), to_ns=now_ns, zone=zone(site.timezone))


def _trains(reader: Reader, *, now_ns: int) -> tuple[TrainHour, ...]:
    since_ns = now_ns - HOUR_NS
    found = (
        (handoff, endpoint, sums)
        for handoff, endpoint in sorted(reader.paths())
        if (
            sums := reader.train_sums(
                handoff=handoff, endpoint=endpoint, since_ns=since_ns, until_ns=now_ns, longest=Length.HOUR
            )
        )
    )
    return tuple(
        TrainHour(
            handoff=handoff,
            endpoint=endpoint,
            hour=Piece(start_ns=since_ns, end_ns=now_ns, train=summary_of_sums(sums)),
        )
        for handoff, endpoint, sums in found
    )


# The page


def page(found: Findings, *, frame: Frame, now: NowPart) -> TodayPage:
    """The findings as the page says them. What a notice says already is not said again below it."""
    notices = tuple(entry for notice in found.notices if (entry := _notice(notice)) is not None)

    def said(head: str, because: str) -> bool:
        return any(one.text.startswith(head) and because in one.text for one in notices)

    return TodayPage(
        frame=frame,
        lead=_lead(found),
        state=_state(found),
        notices=notices,
        events=events.entries(_shown(found), found.told, where=found.zone, now_ns=found.now_ns),
        events_left=_events_left(found),
        now=now,
        planned=tuple(_plan_entry(planned, found, said) for planned in found.planned),
        stages=STAGES,
        verdicts=tuple(
            _verdict_entry(handoff, verdict, found)
            for handoff, verdict in found.verdicts
            if not said(handoff.title, verdict.because)
        ),
        verdict_table=contracts.table(
            found.verdicts,
            caption="Counts behind the verdicts, last 30 days",
            note=corrected.behind(_corrected_behind_any(found), "these verdicts"),
        ),
        budget=tuple(entry for used in found.used for entry in budget.entries(used, found.zone)),
        trains=_train_table(found),
        show=_show_chart(found),
        runs=runs.table(
            found.runs,
            Recorded(where=found.zone, most=MOST_RUNS, corrections=found.corrections),
            caption="Latest rate runs, newest first",
        )
        if found.runs
        else None,
    )


def _verdict_entry(handoff: Handoff, verdict: RateVerdict, found: Findings) -> Entry:
    """A verdict with its handoff's title, which is not the page's as on Circuit."""
    entry = contracts.entry(verdict, corrected_records=len(found.corrected_behind(handoff, verdict)))
    return replace(entry, text=f"{handoff.title}: {entry.text}")


def _shown(found: Findings) -> tuple[Case, ...]:
    """Every open case, and the newest of the others."""
    over = [case for case in found.cases if case.ended_unix_ns is not None]
    return tuple(case for case in found.cases if case not in over[:-MOST_CASES])


def _events_left(found: Findings) -> str:
    left = len(found.cases) - len(_shown(found))
    return f"{counted(left, 'earlier case')} of the last 24 hours left out here." if left else ""


def _corrected_behind_any(found: Findings) -> int:
    """How many corrected records any of the verdicts looks at, each counted once."""
    return len(
        {one.seq for handoff, verdict in found.verdicts for one in found.corrected_behind(handoff, verdict)}
    )


def _lead(found: Findings) -> Lead | None:
    for planned in found.planned:
        if planned.show is not None:
            plan, start_ns = planned.plan, planned.show.start_unix_ns
            start = moment(start_ns, found.zone, form="%a %d %b %H:%M").text
            said = when(planned.show, found.zone, now_ns=found.now_ns)
            text = f"{plan.title} on handoff {plan.handoff}, {start}, {said}."
            return Lead(
                mark=ANSWERS[planned.check.answer], text=f"{text}{_otherwise(planned, found.planned)}"
            )
    return None


def _otherwise(first: Planned, every: Sequence[Planned]) -> str:
    """What plans on air meanwhile get for another answer, so that no answer below contradicts the first."""
    others = [
        f"{ANSWERS[one.check.answer].word} for {one.plan.title} on handoff {one.plan.handoff}"
        for one in every
        if one.show is not None
        and first.show is not None
        and one.show.start_unix_ns < first.show.end_unix_ns
        and one.check.answer is not first.check.answer
    ]
    return f" At the same time: {', '.join(others)}." if others else ""


def _show_chart(found: Findings) -> Chart | None:
    """The chart of the next show's handoff; None without a plan or without a run up that counts."""
    if not found.planned:
        return None
    plan, check = found.planned[0].plan, found.planned[0].check
    values = sorted(
        show.at_ip(side) for _, side in evidence.counted(_up(found.site, plan, found.runs), Direction.UP)[0]
    )
    if not values:
        return None
    return Chart(
        url=f"/figures/today/{quote(plan.name, safe='')}.json",
        message=f"In the last 24 hours the slowest seconds of {counted(len(values), 'valid run')} up on "
        f"handoff {plan.handoff} lay between {mbps(values[0])} and {mbps(values[-1])} Mb/s at the IP layer; "
        f"{plan.title} needs {mbps(check.demand_bps)}, at its peak {mbps(check.peak_bps)}.",
        key="Mb/s at the IP layer. A triangle is a run’s slowest second; the lines are what the show needs, "
        "its peak, and the floor of its hours. Grey bands were not measured.",
    )


def _state(found: Findings) -> tuple[str, ...]:
    """How old the newest record is, and whether the probe runs."""
    if found.newest_ns is None:
        newest = "No record has been kept yet."
    else:
        newest = f"The newest record began {_ago(found.newest_ns, found)}."
    if found.running:
        return newest, "The probe is running."
    if found.alive_ns is None:
        return newest, "The probe has never run on this database: start it with linebook probe."
    gone = _ago(found.alive_ns, found)
    return newest, f"The probe gave its last sign of life {gone}: nothing is being measured."


def _ago(unix_ns: int, found: Findings) -> str:
    age_s = (found.now_ns - unix_ns) / NS_PER_S
    form = "%H:%M:%S" if abs(age_s) < 12 * 3600 else "%a %d %b %H:%M:%S"
    at = moment(unix_ns, found.zone, form=form).text
    return (
        f"{span(age_s)} ago, at {at}"
        if age_s >= 0
        else f"at {at}, by a clock {span(-age_s)} ahead of this one"
    )


def _notice(notice: Notice) -> NoticeEntry | None:
    """None for a notice that asks for nobody's attention."""
    for least, mark in WEIGHTS:
        if notice.weight >= least:
            return NoticeEntry(
                mark=mark,
                text=notice.text,
                owner="nobody yet" if notice.owner is None else str(notice.owner),
                next_step=notice.next_step,
            )
    return None


def _plan_entry(planned: Planned, found: Findings, said: Callable[[str, str], bool]) -> PlanEntry:
    plan, check, next_show = planned.plan, planned.check, planned.show
    return PlanEntry(
        mark=ANSWERS[check.answer],
        start=None
        if next_show is None
        else moment(next_show.start_unix_ns, found.zone, form="%a %d %b %H:%M"),
        name=plan.name,
        title=f"{plan.title}, on handoff {plan.handoff}",
        when=when(next_show, found.zone, now_ns=found.now_ns),
        because="" if said(f"{plan.title} on handoff {plan.handoff},", check.because) else check.because,
        change=check.smallest_change or "",
        figures=(*_plan_figures(check), *_rehearsed(planned, found)),
        looked=_looked(planned, found),
        stage=_stage(next_show, found.now_ns),
    )


def _looked(planned: Planned, found: Findings) -> str:
    """When the last check before this show was made."""
    looked = planned.looked
    if looked is None or not looked.rows:
        return ""
    made = moment(looked.started_unix_ns, found.zone, form="%a %d %b %H:%M").text
    return f"Checked {made} ({looked.before} before): {looked.answer.capitalize()}."


def _stage(on_air: Show | None, now_ns: int) -> str:
    """The check that there is time for; empty where no show is near, and where one is on."""
    ahead_s = 0.0 if on_air is None else (on_air.start_unix_ns - now_ns) / NS_PER_S
    return str(stage_of(ahead_s)) if 0 < ahead_s <= _NEAR_S else ""


def when(on_air: Show | None, where: tzinfo, *, now_ns: int) -> str:
    """How far off a show is, and until when it goes."""
    if on_air is None:
        return f"no show in the next {AHEAD_S // 86_400} days"
    end = moment(on_air.end_unix_ns, where, form="%H:%M").text
    if on_air.start_unix_ns <= now_ns:
        return f"on air until {end}"
    minutes = -(-(on_air.start_unix_ns - now_ns) // (60 * NS_PER_S))
    return f"in {span(minutes * 60)}, until {end}"


def _plan_figures(check: Check) -> tuple[tuple[str, str], ...]:
    kind = "assured floor" if check.floor_exact else "the slowest run, in place of a floor"
    runs_ = f"{kind}, {counted(check.n_runs, 'run')} in {check.hours}"
    floor = (
        "none yet" if check.floor_bps is None else f"{mbps(check.floor_bps)} Mb/s at the IP layer ({runs_})"
    )
    return (
        ("Demand", f"{mbps(check.demand_bps)} Mb/s at the IP layer, at its peak {mbps(check.peak_bps)}"),
        ("Floor", floor),
        ("Stalls", _plan_stalls(check)),
    )


def _rehearsed(planned: Planned, found: Findings) -> tuple[tuple[str, str], ...]:
    last = found.rehearsals[planned.plan.name]
    if last is None:
        return ()
    words = rehearsals.said(last, where=found.zone, corrections=found.corrections)
    return (("Last rehearsal", words),)


def _plan_stalls(check: Check) -> str:
    if check.stalls_per_hour is None:
        return "no train in comparable hours"
    rate = f"{few(check.stalls_per_hour)} an hour" if check.stalls_per_hour else "none"
    text = f"{rate} in {span(check.train_minutes * 60)} of trains"
    return (
        f"{text}, {few(check.lost_s_per_hour)} s of picture lost an hour" if check.lost_s_per_hour else text
    )


def _train_table(found: Findings) -> Table | None:
    if not found.trains:
        return None
    return Table(
        caption="Trains, the last hour",
        headings=(
            Heading(text="Handoff – endpoint"),
            number("Sent", "packets"),
            number("Lost up"),
            number("Lost down"),
            number("Held up"),
            number("Held down"),
            number("RTT p50", "ms"),
            number("RTT p95", "ms"),
            number("PDV up p99", "ms"),
            number("PDV down p99", "ms"),
            number("Stalls", "of 0.5 s and more"),
        ),
        rows=tuple(_train_row(train) for train in found.trains),
    )


def _train_row(train: TrainHour) -> tuple[Cell, ...]:
    said, measured = train.hour.train, train.hour.measured
    stalls = f"{said.stalls.count}, {span(said.stalls.seconds)} in all" if said.stalls.count else "0"
    return cells(
        path(train.handoff, train.endpoint),
        grouped(said.sent) if measured else "none valid",
        trains.lost(said.loss_up),
        trains.lost(said.loss_down),
        grouped(said.held_up) if measured else DASH,
        grouped(said.held_down) if measured else DASH,
        ms(said.rtt.p50 if said.rtt else None),
        ms(said.rtt.p95 if said.rtt else None),
        ms(said.pdv_up.p99 if said.pdv_up else None),
        ms(said.pdv_down.p99 if said.pdv_down else None),
        stalls if measured else DASH,
    )


# For programs


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object; rates in bit/s, delays in microseconds."""
    return {
        "kind": "today",
        "schema": jsonform.SCHEMA,
        "written": rfc3339(found.now_ns),
        "site": found.site.name,
        "invented": found.site.invented,
        "newest": None if found.newest_ns is None else rfc3339(found.newest_ns),
        "alive": None if found.alive_ns is None else rfc3339(found.alive_ns),
        "running": found.running,
        "notices": [_notice_json(notice) for notice in found.notices],
        "cases": [case_words.as_json(case) for case in found.cases],
        "plans": [_planned_json(planned, found) for planned in found.planned],
        "budget": [budget.as_json(used) for used in found.used],
        "verdicts": [
            contracts.as_json(
                handoff, verdict, corrected_records=len(found.corrected_behind(handoff, verdict))
            )
            for handoff, verdict in found.verdicts
        ],
        "runs": [runs.as_json(run, found.corrections) for run in found.runs],
        "trains": [
            {"handoff": train.handoff, "endpoint": train.endpoint, **trains.piece_json(train.hour)}
            for train in found.trains
        ],
    }


def _notice_json(notice: Notice) -> dict[str, Any]:
    owner = None if notice.owner is None else str(notice.owner)
    return {"owner": owner, "text": notice.text, "next_step": notice.next_step, "weight": notice.weight}


def _planned_json(planned: Planned, found: Findings) -> dict[str, Any]:
    on_air = planned.show
    times = {
        "show_start": None if on_air is None else rfc3339(on_air.start_unix_ns),
        "show_end": None if on_air is None else rfc3339(on_air.end_unix_ns),
    }
    rehearsal = {"rehearsal": rehearsals.as_json(found.rehearsals[planned.plan.name], found.corrections)}
    return planned_.as_json(planned) | {"title": planned.plan.title} | times | rehearsal
