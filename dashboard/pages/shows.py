"""Shows: each plan with its next show, the answer with its reason and every change that helps, what was
looked at just before, and what became of the shows that are over, with the forecasts' scores.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any
from urllib.parse import quote

from dashboard import history, text_shows
from dashboard import planned as planned_
from dashboard.api import Json
from dashboard.figures import stalls as stalls_figure
from dashboard.figures.pooling import Stretch
from dashboard.judge import hours
from dashboard.judge.after import WATCHED_ENOUGH, Seen
from dashboard.judge.hours import Show
from dashboard.judge.incidents import silences
from dashboard.judge.stream import Check
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Chart, Heading, Mark, Table, cells, number
from dashboard.pages.today import ANSWERS, STAGES, when
from dashboard.pages.wording import DASH, Moment, counted, mbps, moment, percent
from dashboard.planned import AHEAD_S, Planned
from store import jsonform
from store.before_show import stage_of
from store.clock import NS_PER_S, rfc3339, zone
from store.quantities import size_text
from store.reader import Reader
from store.records import Gap, Stall
from store.shows import Forecast, ShowReport
from store.site import Site, StreamPlan, Window

MOST_REPORTS = 30
MOST_STALLS = 50  # of one show; a worse one is told by its number
COIN = 0.25  # the Brier score of who says 50 % of everything

FOUND = {
    "fine": Mark(word="Fine", look="firm"),
    "amiss": Mark(word="Amiss", look="unsure"),
    "bad": Mark(word="Bad", look="bad"),
    "not done": Mark(word="Not done", look="none"),
    "note": Mark(word="Note", look="none"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """The last show of a plan that is over, and what the line's trains saw of it."""

    plan: StreamPlan
    show: Show
    seen: tuple[Seen, ...]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known of all shows just now; `reports` has the newest of each show, oldest show first."""

    site: Site
    now_ns: int
    planned: tuple[Planned, ...]
    on_air: Mapping[str, tuple[Seen, ...]]  # of each plan: what the trains saw of its show since that began
    reports: tuple[ShowReport, ...]
    sent: tuple[Sent, ...]

    @property
    def zone(self) -> tzinfo:
        return zone(self.site.timezone)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowEntry:
    """One plan as the page says it."""

    mark: Mark
    start: Moment | None
    name: str
    handoff: str
    title: str
    when: str
    because: str
    changes: tuple[str, ...]
    notes: tuple[str, ...]
    figures: tuple[tuple[str, str], ...]
    looked: Table | None
    stage: str  # of the check that there is time for; empty without a show, and while it is on


@dataclass(frozen=True, slots=True, kw_only=True)
class SentEntry:
    """A show that is over, with its stalls, as the page says it."""

    title: str
    message: str
    chart: Chart | None
    stalls: Table | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowsPage:
    """What shows.html may use, and nothing else."""

    frame: Frame
    planned: tuple[ShowEntry, ...]
    stages: tuple[tuple[str, str], ...]
    sent: tuple[SentEntry, ...]
    windows: Table | None
    reports: Table | None
    drops: Table | None
    score: str
    handoffs: tuple[str, ...]


def find(reader: Reader, *, site: Site, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    records = history.of_site(reader, site, now_unix_ns=now_ns, elsewhere=True)
    limits = history.limits_of(reader, site, records, now_unix_ns=now_ns)
    planned = []
    for plan in site.plans:
        check = history.check(
            site, plan, records, now_unix_ns=now_ns, limits=limits, elsewhere=True, thorough=True
        )
        planned.append(planned_.planned(reader, site, plan, check, now_ns=now_ns))
    return Findings(
        site=site,
        now_ns=now_ns,
        planned=planned_.next_first(planned),
        on_air={one.plan.name: _on_air(reader, site, one.plan, one.show, now_ns) for one in planned},
        reports=newest(reader.documents(ShowReport, until_ns=now_ns + 1)),
        sent=tuple(_sent(reader, site, now_ns)),
    )


def _sent(reader: Reader, site: Site, now_ns: int) -> Iterator[Sent]:
    where = zone(site.timezone)
    for plan in site.plans:
        show = hours.last_show(plan.times, where, now_unix_ns=now_ns, within_s=AHEAD_S)
        if show is None:
            continue
        troubles = reader.troubles(since_ns=show.start_unix_ns, until_ns=show.end_unix_ns)
        seen = history.trains_in(reader, site, plan, show)[0]
        yield Sent(
            plan=plan,
            show=show,
            seen=tuple(replace(one, stalls=_within(one.stalls, show)) for one in seen),
            gaps=tuple(one for one in troubles if isinstance(one, Gap) and one.handoff in ("", plan.handoff)),
        )


def _within(stalls: Iterable[Stall], show: Show) -> tuple[Stall, ...]:
    return tuple(one for one in stalls if show.start_unix_ns <= one.started_unix_ns < show.end_unix_ns)


def figure(found: Findings, name: str) -> str | None:
    """The stalls of this plan's last show as JSON text; None without such a show."""
    for one in found.sent:
        if one.plan.name == name:
            stretch = Stretch(from_ns=one.show.start_unix_ns, to_ns=one.show.end_unix_ns, zone=found.zone)
            return stalls_figure.figure(one.plan, one.seen, gaps=one.gaps, stretch=stretch)
    return None


def _sent_entry(sent: Sent, where: tzinfo) -> SentEntry:
    plan, show = sent.plan, sent.show
    when = moment(show.start_unix_ns, where, form="%a %d %b %H:%M").text
    title = f"{plan.title}, {when} to {moment(show.end_unix_ns, where, form='%H:%M').text}"
    every = sorted(
        ((one.endpoint, stall) for one in sent.seen for stall in one.stalls),
        key=lambda each: each[1].started_unix_ns,
    )
    lasted = [max(stall.seconds for stall in each) for each in silences(stall for _, stall in every)]
    lengths = [*stalls_figure.buffers(plan)]
    held = " to ".join(f"{one:g} s" for one in sorted({lengths[0], lengths[-1]}))
    if not sent.seen:
        return SentEntry(title=title, message="No train watched that show.", chart=None, stalls=None)
    outlast = sum(seconds > lengths[0] for seconds in lasted)
    message = (
        f"The trains saw {counted(len(lasted), 'stall') if lasted else 'no stall'} on the way up"
        + (f", {outlast or 'none'} longer than the shortest buffer" if lasted else "")
        + f"; the buffers hold {held}."
    )
    length_s = (show.end_unix_ns - show.start_unix_ns) / NS_PER_S
    watched = max(one.seconds_in(show) for one in sent.seen) / length_s
    if watched < WATCHED_ENOUGH:
        message += f" They watched {percent(watched)} of it."
    left = max(0, len(every) - MOST_STALLS)
    if not every:
        return SentEntry(title=title, message=message, chart=None, stalls=None)
    return SentEntry(
        title=title,
        message=message,
        chart=Chart(
            url=f"/figures/shows/{quote(plan.name, safe='')}.json",
            message=message,
            key="A sign is a stall, as high as it was long, a sign of its own for each train; a line is "
            "what the send buffer of those destinations holds. Grey bands were not measured.",
        ),
        stalls=Table(
            caption=f"Stalls of {title}",
            headings=(
                Heading(text="Began"),
                Heading(text="Train to"),
                number("Lasted", "s"),
                Heading(text="How"),
                Heading(text="Outlasts the buffer of", kind="sentence"),
            ),
            rows=tuple(
                cells(
                    moment(stall.started_unix_ns, where, form="%a %d %b %H:%M:%S"),
                    endpoint,
                    f"{stall.seconds:.2f}",
                    stall.how,
                    ", ".join(one.name for one in plan.destinations if one.buffer_s < stall.seconds)
                    or "none",
                )
                for endpoint, stall in every[-MOST_STALLS:]
            ),
            note="A stall that several trains saw has a row for each."
            + (f" {counted(left, 'earlier row')} left out here." if left else ""),
        ),
    )


def newest(found: Iterable[ShowReport]) -> tuple[ShowReport, ...]:
    """The newest report of each show, oldest show first."""
    by = {(one.plan, one.show_start_unix_ns): one for one in found}
    return tuple(sorted(by.values(), key=lambda one: (one.show_start_unix_ns, one.plan)))


def score(reports: Iterable[ShowReport]) -> tuple[int, float | None, float | None]:
    """How many forecasts were scored, their mean Brier score, and what always saying the share of clean shows
    would have got; None without one."""
    scored = [one for one in reports if one.brier is not None]
    if not scored:
        return 0, None, None
    clean = sum(bool(one.line_clean) for one in scored) / len(scored)
    return len(scored), sum(one.brier or 0.0 for one in scored) / len(scored), clean * (1 - clean)


def _on_air(reader: Reader, site: Site, plan: StreamPlan, show: Show | None, now_ns: int) -> tuple[Seen, ...]:
    if show is None or show.start_unix_ns > now_ns:
        return ()
    line, _ = history.trains_in(reader, site, plan, show)
    return tuple(line)


# The page


def page(found: Findings, *, frame: Frame) -> ShowsPage:
    """The findings as the page says them."""
    reports = found.reports[-MOST_REPORTS:]
    return ShowsPage(
        frame=frame,
        planned=tuple(_entry(one, found) for one in found.planned),
        stages=STAGES,
        sent=tuple(_sent_entry(one, found.zone) for one in found.sent),
        windows=_windows(found.site),
        reports=_reports(reports, found) if reports else None,
        drops=_drops(reports, found),
        score=_score(found.reports),
        handoffs=tuple(one.name for one in found.site.handoffs),
    )


def _entry(one: Planned, found: Findings) -> ShowEntry:
    check, show = one.check, one.show
    ahead_s = 0.0 if show is None else (show.start_unix_ns - found.now_ns) / NS_PER_S
    return ShowEntry(
        mark=ANSWERS[check.answer],
        start=None if show is None else moment(show.start_unix_ns, found.zone, form="%a %d %b %H:%M"),
        name=one.plan.name,
        handoff=one.plan.handoff,
        title=f"{one.plan.title}, on handoff {one.plan.handoff}",
        when=_when(show, found),
        because=check.because,
        changes=tuple(each.text for each in check.options),
        notes=(*one.notes, *_so_far(one.show, found.on_air[one.plan.name])),
        figures=_figures(one),
        looked=_looked(one.looked, found.zone),
        stage="" if show is None or ahead_s <= 0 else str(stage_of(ahead_s)),
    )


def _when(show: Show | None, found: Findings) -> str:
    quiet = ": no run fills the line" if show is not None and show.start_unix_ns <= found.now_ns else ""
    return f"{when(show, found.zone, now_ns=found.now_ns)}{quiet}"


def _so_far(show: Show | None, seen: Sequence[Seen]) -> tuple[str, ...]:
    """What the trains saw of a show that is on."""
    if show is None or not seen:
        return ()
    start_ns = show.start_unix_ns
    counts = [
        (each.endpoint, [stall for stall in each.stalls if stall.started_unix_ns >= start_ns])
        for each in seen
    ]
    said = (
        f"{counted(len(stalls), 'stall')} to {endpoint}"
        + (f", the longest {max(each.seconds for each in stalls):.1f} s" if stalls else "")
        for endpoint, stalls in counts
    )
    return (f"Since it began: {'; '.join(said)}.",)


def _figures(one: Planned) -> tuple[tuple[str, str], ...]:
    check = one.check
    floor = "none yet" if check.floor_bps is None else f"{mbps(check.floor_bps)} Mb/s at the IP layer"
    found = [
        ("Demand", f"{mbps(check.demand_bps)} Mb/s at the IP layer, at its peak {mbps(check.peak_bps)}"),
        ("Floor", f"{floor}, {counted(check.n_runs, 'run')} in {check.hours}"),
        ("Keyframes at one instant", _keyframes(check)),
        ("Stays clean", _chance(check)),
    ]
    found += [(f"Latency of {name}", latency.because) for name, latency in check.latencies]
    return tuple(found)


def _keyframes(check: Check) -> str:
    size = size_text(check.keyframes_bytes)
    return size if check.keyframes_ms is None else f"{size}, {check.keyframes_ms} ms at the floor"


def _chance(check: Check) -> str:
    chance = check.chance
    if chance is None or not chance.days:
        return "no comparable day was watched through"
    return (
        f"{chance.clean:.3g} of {counted(chance.days, 'comparable show')} would have; chance "
        f"{percent(chance.low)} to {percent(chance.high)}, each bound with 95 % confidence"
    )


def _looked(forecast: Forecast | None, where: tzinfo) -> Table | None:
    """What the last check before the show looked at."""
    if forecast is None or not forecast.rows:
        return None
    given = moment(forecast.started_unix_ns, where, form="%a %d %b %H:%M").text
    return Table(
        caption=f"Looked at {forecast.before} before, {given}: {forecast.answer.capitalize()}",
        headings=(Heading(text="What"), Heading(text="Found"), Heading(text="Said", kind="prose")),
        rows=tuple(cells(row.what, FOUND[row.found], row.said) for row in forecast.rows),
    )


def _windows(site: Site) -> Table | None:
    """The windows of the site file; a plan's hours are one by themselves."""
    if not site.windows and not site.plans:
        return None
    rows = [
        *(cells(plan.title, "show", plan.times.said(), plan.handoff) for plan in site.plans),
        *(cells(one.name, str(one.kind), one.times.said(), _concerned(one)) for one in site.windows),
    ]
    return Table(
        caption="Windows: in a show or quiet window no run starts",
        headings=(
            Heading(text="Window"),
            Heading(text="Kind"),
            Heading(text="Hours"),
            Heading(text="Handoffs"),
        ),
        rows=tuple(rows),
    )


def _concerned(window: Window) -> str:
    return ", ".join(window.handoffs) or "all"


def _reports(reports: Sequence[ShowReport], found: Findings) -> Table:
    return Table(
        caption="Shows that are over, newest first",
        headings=(
            Heading(text="Show"),
            Heading(text="Plan"),
            Heading(text="Line"),
            number("Stalls"),
            number("Froze"),
            number("Drops"),
            Heading(text="Forecast"),
            number("Chance given"),
            number("Brier score"),
            Heading(text="Why", kind="prose"),
        ),
        rows=tuple(
            cells(
                moment(one.show_start_unix_ns, found.zone, form="%a %d %b %Y %H:%M"),
                one.plan,
                _line_word(one),
                str(one.stalls),
                str(one.freezes),
                str(len(one.drops)) if one.drops_known else DASH,
                DASH if one.answer is None else one.answer.capitalize(),
                percent(one.chance),
                DASH if one.brier is None else f"{one.brier:.3f}",
                one.because,
            )
            for one in reversed(reports)
        ),
    )


def _line_word(report: ShowReport) -> str:
    return {True: "clean", False: "not clean", None: "not known"}[report.line_clean]


def _drops(reports: Sequence[ShowReport], found: Findings) -> Table | None:
    """The drops of the last show that had some."""
    last = next((one for one in reversed(reports) if one.drops), None)
    if last is None:
        return None
    day = moment(last.show_start_unix_ns, found.zone, form="%a %d %b %Y").text
    return Table(
        caption=f"Drops that the encoder noted on {day}, {last.plan}",
        headings=(
            Heading(text="At"),
            number("Lasted", "s"),
            Heading(text="Destination"),
            Heading(text="Owner"),
            Heading(text="Why", kind="prose"),
        ),
        rows=tuple(
            cells(
                moment(drop.at_unix_ns, found.zone, form="%H:%M:%S"),
                f"{drop.seconds:g}",
                drop.destination or DASH,
                drop.owner,
                drop.why,
            )
            for drop in last.drops
        ),
    )


def _score(reports: Iterable[ShowReport]) -> str:
    n, mean, same = score(reports)
    if mean is None or same is None:
        return (
            "No forecast has been scored yet: linebook check --before or --keep puts one on record before a "
            "show, linebook show report scores it after."
        )
    return (
        f"{counted(n, 'forecast')} scored: mean Brier score {mean:.3f}, where 0 is best, {COIN} what a coin "
        f"gets, and {same:.3f} who always says the share of clean shows."
    )


# For programs


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    n, mean, same = score(found.reports)
    return {
        "kind": "shows",
        "schema": jsonform.SCHEMA,
        "written": rfc3339(found.now_ns),
        "site": found.site.name,
        "invented": found.site.invented,
        "plans": [_planned_json(one) for one in found.planned],
        "reports": [text_shows.report_json(one) for one in found.reports],
        "score": {"n": n, "brier": _rounded(mean), "brier_of_the_share": _rounded(same)},
    }


def _planned_json(one: Planned) -> dict[str, Any]:
    show = one.show
    return planned_.as_json(one) | {
        "title": one.plan.title,
        "show_start": None if show is None else rfc3339(show.start_unix_ns),
        "show_end": None if show is None else rfc3339(show.end_unix_ns),
        "forecast": None if one.looked is None else text_shows.forecast_json(one.looked),
    }


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 4)
