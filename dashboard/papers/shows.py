"""The day sheet before a show and the report after it, a page each.

The day sheet says what holds, whom to call and what is plan B, with boxes for each look at it.
Imports the judges' values, store and the paper.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from dashboard.judge import hours
from dashboard.judge.changes import Kind
from dashboard.judge.hours import Show
from dashboard.judge.stream import Answer, Check
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, grouped, mbps, moment, offset, percent, stated_mbps
from dashboard.papers.evidence import written_at
from dashboard.papers.paper import Fact, Paper, Part
from dashboard.planned import Planned
from store.clock import local, unix_ns_of, zone
from store.shows import Forecast, ShowReport
from store.site import Site, StreamPlan, WindowKind

_BOXES = "☐ Go ☐ Tight ☐ Hold".replace(" ", "\u00a0")  # on one line
_LOOKS = {Answer.GO: "firm", Answer.TIGHT: "unsure", Answer.HOLD: "bad", Answer.UNKNOWN: "none"}
_STEPS = (
    ("24 h before", "Full run on each uplink; maintenance, cap, failover; this sheet"),
    ("1 h before", "Capped run on each uplink; house segment; port rates; backups paused"),
    ("10 min before", "Light run; stalls of the last 30 min"),
    ("During", "Passive only: no run fills the line. Quiet unless something can be done"),
    ("After", "List of the encoder’s drops; show report"),
)


def day_sheet(site: Site, found: Planned, *, now_ns: int) -> Paper:
    """The sheet for the next show."""
    where, plan, show, check = zone(site.timezone), found.plan, found.show, found.check
    facts = (
        ("Show", _when(show, where)),
        ("Plan", f"{plan.title} ({plan.name})"),
        ("Uplink", f"handoff {plan.handoff}"),
        ("Needs", f"{mbps(check.demand_bps)} Mb/s, peak {mbps(check.peak_bps)} Mb/s, at the IP layer"),
        ("Comparable hours", f"{check.hours}, {check.n_runs} runs"),
    )
    mark = Mark(word=check.answer.capitalize(), look=_LOOKS[check.answer])
    holds = Part(
        heading="Answer",
        entries=(Entry(mark=mark, moment=None, text=check.because),),
        sentences=(),
        points=found.notes,
        tables=_rows(found.looked, where),
    )
    return Paper(
        title="Day sheet",
        number=plan.title,
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=(
            holds,
            _destinations(plan),
            _plan_b(site, plan, check),
            _call(site, plan, where, show, now_ns=now_ns),
            _looks(),
        ),
        invented=site.invented,
        written=written_at(now_ns, where),
    )


def report(site: Site, plan: StreamPlan, found: ShowReport, *, now_ns: int) -> Paper:
    """What became of a show."""
    where = zone(site.timezone)
    start = local(found.show_start_unix_ns, where)
    word = {True: "Line clean", False: "Line not clean", None: "Not known"}[found.line_clean]
    look = {True: "firm", False: "bad", None: "none"}[found.line_clean]
    facts = (
        ("Show", _hours(found.show_start_unix_ns, found.show_end_unix_ns, where)),
        ("Plan", f"{plan.title} ({plan.name})"),
        ("Uplink", f"handoff {found.handoff}"),
        ("Watched", percent(found.watched_ratio)),
        ("Stalls up", f"{found.stalls}, {found.stalled_s:.1f} s in all; {found.freezes} outlast the buffers"),
    )
    drops = Table(
        caption="Drops that the encoder noted, with whose each was",
        headings=(
            Heading(text="At"),
            number("Lasted", "s"),
            Heading(text="Destination"),
            Heading(text="Owner"),
            Heading(text="Because", kind="prose"),
        ),
        rows=tuple(
            cells(
                moment(one.at_unix_ns, where, form="%H:%M:%S"),
                f"{one.seconds:g}",
                one.destination or "all",
                str(one.owner),
                one.why,
            )
            for one in found.drops
        ),
    )
    noted = "No drop was noted." if found.drops_known else "No list of the encoder’s drops was given."
    parts = (
        Part(
            heading="What became of it",
            entries=(Entry(mark=Mark(word=word, look=look), moment=None, text=found.because),),
        ),
        Part(heading="Drops", tables=(drops,) if found.drops else (), after=() if found.drops else (noted,)),
        _scored(found),
    )
    return Paper(
        title="Show report",
        number=f"{plan.title}, {start:%d %B %Y}",
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=parts,
        invented=site.invented,
        written=written_at(now_ns, where),
    )


def _when(show: Show | None, where: tzinfo) -> str:
    if show is None:
        return "none in the next 31 days"
    return _hours(show.start_unix_ns, show.end_unix_ns, where)


def _hours(start_ns: int, end_ns: int, where: tzinfo) -> str:
    """When a show is, with the offset of that time: the clocks may change between the sheet and the show."""
    start, end = local(start_ns, where), local(end_ns, where)
    at_end = f" {offset(end_ns, where)}" if start.utcoffset() != end.utcoffset() else ""
    return f"{start:%A %d %B %Y, %H:%M} {offset(start_ns, where)} to {end:%H:%M}{at_end}"


def _rows(found: Forecast | None, where: tzinfo) -> tuple[Table, ...]:
    if found is None or not found.rows:
        return ()
    return (
        Table(
            caption=f"Looked at {found.before} before, {local(found.started_unix_ns, where):%a %d %b %H:%M}",
            headings=(Heading(text="What"), Heading(text="Found"), Heading(text="Because", kind="prose")),
            rows=tuple(cells(row.what, str(row.found), row.said) for row in found.rows),
        ),
    )


def _destinations(plan: StreamPlan) -> Part:
    table = Table(
        caption="What goes out",
        headings=(
            Heading(text="Destination"),
            Heading(text="Picture"),
            number("Video", "Mb/s"),
            number("Audio", "kb/s"),
            Heading(text="Transport"),
            number("Buffer", "s"),
        ),
        rows=tuple(
            cells(
                one.name,
                one.picture or DASH,
                stated_mbps(one.video_bps),
                grouped(round(one.audio_bps / 1000)),
                str(one.transport),
                f"{one.buffer_s:g}",
            )
            for one in plan.destinations
        ),
    )
    return Part(heading="Destinations", tables=(table,))


def _plan_b(site: Site, plan: StreamPlan, check: Check) -> Part:
    """What helps, then every other uplink with its own answer: none is named as a way out that is Hold."""
    points = [one.text for one in check.options if one.kind is not Kind.UPLINK]
    answers = dict(check.elsewhere)
    others = [one.name for one in site.handoffs if one.name != plan.handoff]
    points += [_moved(name, answers.get(name)) for name in others]
    if not others:
        points.append("There is no other handoff.")
    if not check.options and not any(word in (Answer.GO, Answer.TIGHT) for word in answers.values()):
        points.append("No other uplink is known to carry this plan: plan B is another hour.")
    return Part(heading="Plan B", points=tuple(points), after=("Decided by: ____________  at: ______",))


def _moved(handoff: str, answer: Answer | None) -> str:
    """What comparable hours say of the whole plan on another uplink."""
    match answer:
        case None:
            return f"Handoff {handoff} is metered or kept for a failover, so it was not judged for this plan."
        case Answer.UNKNOWN:
            return f"Handoff {handoff}: Unknown. Too little was measured there in these hours to move to it."
        case Answer.HOLD:
            return f"Handoff {handoff}: Hold. By its own comparable hours it would not carry this plan."
    return f"Handoff {handoff}: {answer.capitalize()} by its own comparable hours. Check it before you move."


def _call(site: Site, plan: StreamPlan, where: tzinfo, show: Show | None, *, now_ns: int) -> Part:
    cards = [
        (one.name, one.card_at(now_ns if show is None else show.start_unix_ns))
        for one in sorted(site.handoffs, key=lambda one: one.name != plan.handoff)
    ]
    rows = tuple(
        cells(
            name,
            card.provider or "not stated",
            card.reference or "not stated",
            card.escalation or "not stated",
        )
        for name, card in cards
    )
    table = Table(
        caption="Uplinks, the show’s own first",
        headings=(
            Heading(text="Handoff"),
            Heading(text="Provider"),
            Heading(text="Circuit"),
            Heading(text="Escalation", kind="sentence"),
        ),
        rows=rows,
    )
    works = (
        () if show is None else tuple(_works(site, show, where)) or ("No works are announced for that day.",)
    )
    return Part(heading="Whom to call", tables=(table,), points=works)


def _works(site: Site, show: Show, where: tzinfo) -> Iterator[str]:
    """The provider's announced works between the midnight before the show and its end."""
    start = local(show.start_unix_ns, where)
    day_ns = unix_ns_of(start.replace(hour=0, minute=0, second=0, tzinfo=None), where)
    for one in site.windows:
        if one.kind is not WindowKind.MAINTENANCE:
            continue
        for from_ns, to_ns in hours.held(one.times, where, from_ns=day_ns, to_ns=show.end_unix_ns):
            whose = f" on handoff {' and '.join(one.handoffs)}" if one.handoffs else ""
            times = f"{local(from_ns, where):%a %d %b %H:%M} to {local(to_ns, where):%H:%M}"
            reference = f", reference {one.reference}" if one.reference else ""
            yield f"Announced works{whose}: {one.name}, {times}{reference}"


def _looks() -> Part:
    table = Table(
        caption="To be filled in",
        headings=(
            Heading(text="When"),
            Heading(text="What", kind="prose"),
            Heading(text="Answer"),
            Heading(text="At"),
            Heading(text="By"),
        ),
        rows=tuple(cells(when, what, _BOXES, "______", "________") for when, what in _STEPS),
    )
    return Part(heading="Looks", tables=(table,))


def _scored(found: ShowReport) -> Part:
    if found.forecast_before is None:
        said = "No forecast was on record before it."
    elif found.brier is None:
        said = f"Forecast ({found.forecast_before} before): {found.answer}; not scored."
    else:
        said = (
            f"Forecast ({found.forecast_before} before): {found.answer}, clean with a chance "
            f"of {(found.chance or 0) * 100:.0f} %; Brier score {found.brier:.3f} (0 is best, "
            "0.25 what a coin gets)."
        )
    return Part(heading="Was the forecast right?", sentences=(said,))
