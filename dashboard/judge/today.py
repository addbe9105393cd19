"""What needs attention now, in sentences, most urgent first.

Each notice says what was measured or observed or did not reach what was stated, who must act, and the
next step. It never says why somebody did something, nor that a figure settles more than it does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.judge import evidence, hours
from dashboard.judge.deemed import Deemed
from dashboard.judge.evidence import Known
from dashboard.judge.incidents import silences
from dashboard.judge.layers import DIRECTION_WORDS
from dashboard.judge.stream import Answer, Check
from dashboard.judge.verdict import RateVerdict, Word
from store import case_words
from store.cases import Case, unended
from store.clock import NS_PER_S, local, zone
from store.events import EventKind
from store.quantities import counted
from store.records import (
    Correction,
    Direction,
    Failed,
    Owner,
    RateRun,
    Skipped,
    Stall,
    StallClass,
    Standing,
    Thinned,
    TrainSpan,
)
from store.rollup import Rolled
from store.site import Handoff, Method, Safety, Site, StreamPlan, Where
from store.unfinished import DOUBT_S

RECENT_S = 6 * 3600  # a working evening: what happened before is on the Circuit page
_URGENT_DAYS = 3  # working days left for a refusal: common practice, no source
AHEAD_S = 24 * 3600  # a show further off gets its answer when it comes near
_LATE_AFTER_SPANS = 3  # a newest record as old as so many of the shortest spans means that measuring stopped
_LATE_LEAST_S = 300
_COMPARE = "Compare with the house endpoint's train of the same seconds before naming an owner."
_PACKETS = {"lost": "every packet lost", "held": "every packet held", "mixed": "some lost and some held"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One thing to know. `owner` must act, None when nobody must; `weight` grows with urgency."""

    owner: Owner | None
    text: str
    next_step: str
    weight: int


def silence_counts(handoff: Handoff, deemed: Deemed) -> Notice | None:
    """The notice that a handoff soon counts as accepted; None where its time is not running."""
    if deemed.last_day is None or deemed.working_days_left is None or deemed.over:
        return None
    return Notice(
        owner=Owner.HOUSE,
        text=f"{handoff.title}: {deemed.because}",
        next_step="Finish its acceptance sheet and put your decision on record; a refusal goes in writing.",
        weight=85 if deemed.working_days_left <= _URGENT_DAYS else 60,
    )


def notices(
    site: Site,
    records: Iterable[Known],
    *,
    verdicts: Iterable[tuple[Handoff, RateVerdict]],
    checks: Mapping[str, Check],
    now_unix_ns: int,
    pending: Iterable[Notice] = (),
    cases: Sequence[Case] = (),
    measured: bool = False,
) -> tuple[Notice, ...]:
    """Everything worth a sentence; `records` are the site's of the last hours or more, and `measured` says
    whether there are others from before them.

    `verdicts` are those on each handoff's directions, `checks` the answers by plan name, both of this moment;
    `pending` are notices that others have found; whose the stalls are, `cases` tell.
    """
    kept = [record for record in records if _started(record) <= now_unix_ns]
    where = zone(site.timezone)
    doubted = any(what == "outage" for one in cases for what, _, _ in unended(one.events))
    silence = _silence(site, kept, measured, now_unix_ns=now_unix_ns, doubted=doubted)
    found: list[Notice] = [*silence, *pending]
    recent = [record for record in kept if _started(record) > now_unix_ns - RECENT_S * NS_PER_S]
    for handoff, verdict in verdicts:
        if verdict.needed_bps is not None:
            found += _contract(site, handoff, verdict, now_unix_ns=now_unix_ns, where=where)
    for handoff in site.handoffs:
        line = evidence.of_line(site, handoff.name, recent)
        since_ns = now_unix_ns - RECENT_S * NS_PER_S
        own = [one for one in cases if one.handoff == handoff.name and one.last_unix_ns >= since_ns]
        found += _stalls(handoff, line, where, own)
        found += _not_run(handoff, line)
    for plan in site.plans:
        found += _show(plan, checks[plan.name], where, now_unix_ns=now_unix_ns)
    return tuple(sorted(found, key=lambda notice: (-notice.weight, notice.text)))


def _contract(
    site: Site, handoff: Handoff, verdict: RateVerdict, *, now_unix_ns: int, where: tzinfo
) -> Iterator[Notice]:
    owner, step, weight = _AFTER[verdict.word]
    if verdict.word is Word.NOT_TESTED:
        card, day = handoff.card_at(now_unix_ns), local(now_unix_ns, where).date()
        if day < (card.handover or card.service_start or day):
            return  # nobody has it yet
        if _unanswered(handoff.safety):
            step, weight = "Answer the safety questions in the site file: until then no rate run is made.", 50
        elif _scheduled(site, handoff, verdict.direction):
            owner, step, weight = None, "Let the schedule run on: its runs in this direction will tell.", 30
    if verdict.word is Word.UNDECIDED and verdict.question:
        owner, step, weight = Owner.HOUSE, f"Ask the provider in writing: {verdict.question}", 50
    yield Notice(
        owner=owner,
        text=f"{handoff.title}, {DIRECTION_WORDS[verdict.direction]}: {verdict.word}. {verdict.because}",
        next_step=step,
        weight=weight,
    )


def _unanswered(safety: Safety) -> bool:
    return None in (safety.emergency_calls, safety.alarms, safety.medical_devices)


def _scheduled(site: Site, handoff: Handoff, direction: Direction) -> bool:
    """Whether the schedule has full rate runs to an endpoint outside this way."""
    outside = {one.name for one in site.endpoints if one.where is Where.OUTSIDE}
    return any(
        run.method is Method.RATE and not run.light and run.direction in (direction, Direction.BOTH)
        for run in site.runs
        if run.handoff == handoff.name and run.endpoint in outside
    )


_AFTER: dict[Word, tuple[Owner | None, str, int]] = {
    Word.NOT_MET: (
        Owner.PROVIDER,
        "Show the house segment clean in the same hours, then open a ticket in writing with these figures.",
        80,
    ),
    Word.UNDECIDED: (None, "Let the schedule run on: the sentence says how many runs are still wanted.", 30),
    Word.NOT_TESTED: (Owner.HOUSE, "Schedule rate runs in this direction in the site file.", 40),
    Word.MET: (None, "Nothing to do.", 10),
}


def _show(plan: StreamPlan, check: Check, where: tzinfo, *, now_unix_ns: int) -> Iterator[Notice]:
    """The answer for a plan whose next show runs now or starts within a day."""
    show = hours.next_show(plan.times, where, now_unix_ns=now_unix_ns, within_s=AHEAD_S)
    if show is None:
        return
    weight, step = _ADVICE[check.answer]
    yield Notice(
        owner=None if check.answer is Answer.GO else Owner.HOUSE,
        text=f"{plan.title} on handoff {plan.handoff}, {local(show.start_unix_ns, where):%a %d %b %H:%M}: "
        f"{check.answer.capitalize()}. {check.because}",
        next_step=check.smallest_change or step,
        weight=weight,
    )


_ADVICE = {
    Answer.HOLD: (90, "Mend what the reason names, or move the show to other hours."),
    Answer.UNKNOWN: (
        70,
        "Check it just before the show; let the schedule measure in these hours from now on.",
    ),
    Answer.TIGHT: (60, "Keep everything else off the line during the show."),
    Answer.GO: (20, "Nothing to do."),
}


def _stalls(
    handoff: Handoff, recent: Sequence[Known], where: tzinfo, cases: Sequence[Case]
) -> Iterator[Notice]:
    """The stalls of the last hours, the longest named; an outage weighs more. One of several trains is one.

    They are whose all of their `cases` are.
    """
    spans = [record for record in recent if isinstance(record, TrainSpan | Rolled)]
    watched = evidence.Watched(span for span in spans if span.standing is Standing.VALID)
    stalls = [record for record in recent if isinstance(record, Stall) and record in watched]
    if not stalls:
        return
    longest = max(stalls, key=lambda stall: stall.duration_us)
    seen = [max(each, key=lambda stall: stall.duration_us) for each in silences(stalls)]
    outages = sum(stall.class_ is StallClass.OUTAGE for stall in seen)
    how = Counter(stall.how for stall in seen)
    kinds = ", ".join(f"{how[word]} with {_PACKETS[word]}" for word in _PACKETS if how[word])
    said = f", {outages} of them over 10 s," if outages and len(seen) > 1 else ""
    owners = {one.owner for one in cases if one.of(EventKind.STALL, EventKind.OUTAGE_START)}
    owner = owners.pop() if len(owners) == 1 else Owner.UNKNOWN
    yield Notice(
        owner=owner,
        text=(
            f"{handoff.title}: {counted(len(seen), 'stall')}{said} observed in the last "
            f"{RECENT_S // 3600} hours, the longest {longest.seconds:.1f} s at "
            f"{local(longest.started_unix_ns, where):%H:%M:%S}; {kinds}."
        ),
        next_step=_COMPARE if owner is Owner.UNKNOWN else case_words.step(EventKind.STALL, owner),
        weight=75 if outages else 55,
    )


def _not_run(handoff: Handoff, recent: Sequence[Known]) -> Iterator[Notice]:
    """Measurements of the last hours that failed or were skipped, the newest reason of each given."""
    failed = [record for record in recent if isinstance(record, Failed)]
    if failed:
        newest = max(failed, key=_started)
        yield Notice(
            owner=newest.whose,
            text=f"{handoff.title}: {counted(len(failed), 'measurement')} failed in the last "
            f"{RECENT_S // 3600} hours; the newest ({newest.what}): {newest.why.rstrip('.')}.",
            next_step="Mend the cause named; until then there is a gap in the record.",
            weight=65,
        )
    skipped = [record for record in recent if isinstance(record, Skipped)]
    if skipped:
        last = max(skipped, key=_started)
        yield Notice(
            owner=None,
            text=f"{handoff.title}: {counted(len(skipped), 'planned run')} skipped in the last "
            f"{RECENT_S // 3600} hours; the newest: {last.why.rstrip('.')}.",
            next_step="Nothing to do where a show or quiet window forbade it.",
            weight=15,
        )


def _silence(
    site: Site, records: Sequence[Known], before: bool, *, now_unix_ns: int, doubted: bool
) -> Iterator[Notice]:
    """No data, or none lately: then everything else on the page is old.

    While an outage lasts, its minutes may be `doubted`: they wait until it is known whose they are.
    """
    step = "See that the probe runs: `linebook probe` with this site file."
    measured = [record for record in records if isinstance(record, RateRun | TrainSpan)]
    if not measured:
        text = "Nothing has been measured for weeks." if before else "Nothing has been measured yet."
        yield Notice(owner=Owner.HOUSE, text=text, next_step=step, weight=100)
        return
    newest_ns = max(int(record.started_unix_ns + record.seconds * NS_PER_S) for record in measured)
    age_s = (now_unix_ns - newest_ns) // NS_PER_S
    due_s = min([plan.span_s for plan in site.trains] + [plan.every_s for plan in site.runs], default=3600)
    if age_s > max(_LATE_AFTER_SPANS * due_s, _LATE_LEAST_S) + DOUBT_S * doubted:
        text = f"The newest measurement is {_age(age_s)} old; that time is a gap, neither good nor bad."
        yield Notice(owner=Owner.HOUSE, text=text, next_step=step, weight=95)


def _started(record: Known) -> int:
    match record:
        case Skipped():
            return record.planned_unix_ns
        case Correction():
            return record.written_unix_ns
        case Thinned():
            return record.thinned_unix_ns
        case _:
            return record.started_unix_ns


def _age(seconds: int) -> str:
    if seconds < 2 * 3600:
        return f"{seconds // 60} min"
    return f"{seconds // 3600} h" if seconds < 48 * 3600 else f"{seconds // 86_400} days"
