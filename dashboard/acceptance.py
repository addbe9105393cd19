"""A handoff's acceptance read from the record, and told: its sheet for programs and for a terminal.

Reads with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, TypeVar

from dashboard.judge import acceptance, ceilings, evidence, today
from dashboard.judge.acceptance import Sheet
from dashboard.judge.acceptance_material import Material, TrainDelays
from dashboard.judge.acceptance_rows import BY_ID, Row
from dashboard.judge.acceptance_verdict import RowVerdict
from dashboard.judge.deemed import deemed
from dashboard.judge.lifted import lifted
from dashboard.judge.today import Notice
from dashboard.judge.verdict import Word
from store.acceptance import About, AcceptanceNote
from store.bursts import BurstRun
from store.card import Card
from store.ceilings import EVERY_NS, VALID_NS, Ceiling
from store.cells import Length
from store.clock import NS_PER_S, local, rfc3339, unix_ns_of, zone
from store.events import Event
from store.failovers import Failover
from store.histogram import Histogram
from store.jsonform import SCHEMA
from store.light import Light
from store.loaded_delay import LoadedDelayRun
from store.lookups import Lookups
from store.paced import PacedRun
from store.path_mtu import PathMtu
from store.reader import Reader
from store.records import Document, RateRun
from store.site import Handoff, Site, Where
from store.sizes import SizesRun
from store.soaks import Soak
from store.steps import StepsRun

Json = dict[str, Any]
D = TypeVar("D", bound=Document)

_DAY_NS = 86_400 * NS_PER_S
_WITHOUT_HANDOVER_NS = 60 * _DAY_NS
_MOST_NS = 120 * _DAY_NS  # an acceptance takes days; a sheet that is read years later reads no years
_WITH_BINS_S = 300  # rate runs of this length are read with their bins, the newest of each direction
_WITH_BINS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One handoff's sheet, and the time whose records it rests on."""

    handoff: Handoff
    card: Card
    sheet: Sheet
    from_unix_ns: int
    until_unix_ns: int


def read(reader: Reader | None, site: Site, handoff: Handoff, *, now_unix_ns: int) -> Found:
    """From its handover, or 60 days ago, to the decision, or now. Without a reader there is no record yet."""
    where = zone(site.timezone)
    since_ns, until_ns = _time(site, handoff, now_unix_ns)
    found = material(reader, site, handoff, now_unix_ns=now_unix_ns)
    return Found(
        handoff=handoff,
        card=handoff.card_at(now_unix_ns),
        sheet=acceptance.sheet(found, today=local(now_unix_ns, where).date(), holidays=site.holidays),
        from_unix_ns=since_ns,
        until_unix_ns=until_ns,
    )


def material(reader: Reader | None, site: Site, handoff: Handoff, *, now_unix_ns: int) -> Material:
    """What the sheet of that time is judged from, with that of the handoffs of the same contract."""
    card = handoff.card_at(now_unix_ns)
    since_ns, until_ns = _time(site, handoff, now_unix_ns)
    mates = [
        each
        for each in site.handoffs
        if each is not handoff and card.same_contract(each.card_at(now_unix_ns))
    ]
    return replace(
        _material(reader, site, handoff, since_ns, until_ns, now_unix_ns),
        mates=tuple(_material(reader, site, each, since_ns, until_ns, now_unix_ns) for each in mates),
    )


def _time(site: Site, handoff: Handoff, now_unix_ns: int) -> tuple[int, int]:
    """From when to when records belong to the sheet."""
    card, where = handoff.card_at(now_unix_ns), zone(site.timezone)
    since_ns = now_unix_ns - _WITHOUT_HANDOVER_NS
    if card.handover is not None:
        since_ns = unix_ns_of(datetime(card.handover.year, card.handover.month, card.handover.day), where)  # noqa: DTZ001
    until_ns = min(now_unix_ns, since_ns + _MOST_NS) if since_ns < now_unix_ns else now_unix_ns
    return since_ns, until_ns


def _material(
    reader: Reader | None, site: Site, handoff: Handoff, since_ns: int, until_ns: int, now_ns: int
) -> Material:
    empty = Material(
        handoff=handoff.name,
        card=handoff.card_at(now_ns),
        zone=zone(site.timezone),
        busy=site.busy,
        failover_s=handoff.failover_within_s,
    )
    if reader is None:
        return empty
    name = handoff.name

    def documents(kind: type[D]) -> tuple[D, ...]:
        own = reader.documents(kind, handoff=name, since_ns=since_ns, until_ns=until_ns)
        return tuple(evidence.of_line(site, name, own))

    rates, paced = _rates(reader, site, name, since_ns, until_ns), documents(PacedRun)
    starts = [*(one.started_unix_ns for one in rates), *(one.started_unix_ns for one in paced)]
    run_ns = max(starts, default=until_ns)
    about_ns = min(until_ns, run_ns + EVERY_NS)  # a sheet read years later has the ceilings of its own time
    ceilings_ = reader.documents(Ceiling, since_ns=about_ns - VALID_NS, until_ns=about_ns + 1)
    return replace(
        empty,
        rates=rates,
        paced=paced,
        sizes=documents(SizesRun),
        steps=documents(StepsRun),
        bursts=documents(BurstRun),
        loaded=documents(LoadedDelayRun),
        mtus=documents(PathMtu),
        soaks=documents(Soak),
        failovers=documents(Failover),
        light=documents(Light),
        lookups=documents(Lookups),
        events=documents(Event),
        trains=tuple(_trains(reader, site, name, since_ns, until_ns)),
        rooms=ceilings.judge(ceilings_, site=site, handoff=handoff, now_ns=about_ns),
        notes=tuple(
            reader.documents(AcceptanceNote, handoff=name, since_ns=since_ns, until_ns=now_ns + _DAY_NS)
        ),
    )


def _rates(reader: Reader, site: Site, name: str, since_ns: int, until_ns: int) -> tuple[RateRun, ...]:
    """Rate runs, the newest long ones of each direction with their bins.

    A row of the sheet is run when somebody asks for it, so that such runs count here.
    """
    found = evidence.of_line(
        site, name, reader.rate_runs(handoff=name, since_ns=since_ns, until_ns=until_ns, bins=False)
    )
    whole = {}
    for way in {run.direction for run in found}:
        long = [run for run in found if run.direction is way and run.seconds >= _WITH_BINS_S]
        for run in long[-_WITH_BINS:]:
            start_ns = run.started_unix_ns
            for one in reader.rate_runs(handoff=name, since_ns=start_ns, until_ns=start_ns + 1):
                whole[one.started_unix_ns, one.endpoint] = one
    return tuple(
        lifted(whole.get((run.started_unix_ns, run.endpoint), run), {evidence.ASKED}) for run in found
    )


def _trains(reader: Reader, site: Site, name: str, since_ns: int, until_ns: int) -> Iterator[TrainDelays]:
    """What each train to an endpoint outside says of one-way delay."""
    outside = {one.name for one in site.endpoints if one.where is Where.OUTSIDE}
    for endpoint in sorted(each for owner, each in reader.paths() if owner == name and each in outside):
        sums = reader.train_sums(
            handoff=name, endpoint=endpoint, since_ns=since_ns, until_ns=until_ns, longest=Length.DAY
        )
        seconds = sum(one.seconds for one in sums)
        if seconds:
            yield TrainDelays(
                endpoint=endpoint,
                seconds=seconds,
                per_second=round(sum(one.sent for one in sums) / seconds, 1),
                pdv_up=_pooled(one.pdv_up for one in sums),
                pdv_down=_pooled(one.pdv_down for one in sums),
                started_unix_ns=min(one.started_unix_ns for one in sums),
            )


def _pooled(histograms: Iterable[Histogram]) -> Histogram:
    pooled = Histogram()
    for each in histograms:
        pooled.merge(each)
    return pooled


def pending(reader: Reader, site: Site, *, now_unix_ns: int) -> list[Notice]:
    """Of each handoff about which nobody has decided: how long a refusal is still in time, while it is."""
    today_ = local(now_unix_ns, zone(site.timezone)).date()
    found = []
    for handoff in site.handoffs:
        card = handoff.card_at(now_unix_ns)
        if card.handover is None or card.handover > today_:
            continue
        running = deemed(card, today=today_, holidays=site.holidays)
        notice = today.silence_counts(handoff, running)
        if notice is None:
            continue
        notes = reader.documents(AcceptanceNote, handoff=handoff.name)
        if not any(note.about is About.DECISION for note in notes):
            found.append(notice)
    return found


# For programs


def as_json(found: Found, site: Site, *, now_unix_ns: int) -> Json:
    """The sheet as one JSON object."""
    sheet = found.sheet
    return {
        "kind": "acceptance",
        "schema": SCHEMA,
        "started": rfc3339(now_unix_ns),
        "standing": "valid",
        "reasons": [],
        "site": site.name,
        "invented": site.invented,
        "handoff": found.handoff.name,
        "provider": found.card.provider,
        "reference": found.card.reference,
        "from": rfc3339(found.from_unix_ns),
        "until": rfc3339(found.until_unix_ns),
        "safety": [
            {"id": one.question.id, "asks": one.question.asks, "answer": one.answer, "holds": one.holds}
            for one in sheet.safety
        ],
        "rows": [row_json(one, site, found) for one in sheet.rows],
        "counts": {str(word): count for word, count in sheet.counts.items()},
        "defects": [
            {
                "name": one.name,
                "says": one.says,
                "since": None if one.since_unix_ns is None else rfc3339(one.since_unix_ns),
                "owner": str(one.owner),
                "mended": one.mended,
            }
            for one in sheet.defects
        ],
        "deemed": {
            "handover": _iso(sheet.deemed.handover),
            "working_days": sheet.deemed.working_days,
            "last_day": _iso(sheet.deemed.last_day),
            "working_days_left": sheet.deemed.working_days_left,
            "over": sheet.deemed.over,
            "because": sheet.deemed.because,
        },
        "decision": None
        if sheet.decision is None
        else {
            "word": sheet.decision.word,
            "says": sheet.decision.says,
            "written": rfc3339(sheet.decision.started_unix_ns),
        },
        "next_row": None if sheet.next_row is None else sheet.next_row.id,
        "next_step": sheet.next_step,
    }


def row_json(verdict: RowVerdict, site: Site, found: Found) -> Json:
    """One row: what it asks and what is known."""
    row = BY_ID[verdict.row]
    return {
        "row": row.id,
        "what": row.what,
        "how_long": row.how_long,
        "passes": row.passes,
        "source": row.source,
        "cautions": list(row.cautions),
        "command": command_of(row, site, found.handoff),
        "by_hand": row.by_hand,
        "applies": verdict.applies,
        "word": str(verdict.word),
        "because": verdict.because,
        "limit": verdict.limit,
        "found": verdict.found,
        "method_error": verdict.error,
        "record": None if verdict.started_unix_ns is None else rfc3339(verdict.started_unix_ns),
        "typed": verdict.typed,
        "owner": str(verdict.owner),
    }


# For a terminal


def as_text(found: Found, site: Site) -> str:
    """The sheet to read, to print and to sign."""
    sheet, where = found.sheet, zone(site.timezone)
    invented = " (invented data)" if site.invented else ""
    lines = [
        f"Acceptance of handoff {found.handoff.name}, {found.handoff.title}{invented}",
        f"{found.card.provider or 'provider not stated'}, contract {found.card.reference or 'not stated'}; "
        f"records from {local(found.from_unix_ns, where):%a %d %b %Y} on",
        "",
        f"Next: {sheet.next_step}",
        sheet.deemed.because,
        "",
        "Safety, before anything is filled or pulled:",
        *(
            f"  {one.question.id} {one.answer or 'NOT ANSWERED':<12} {one.question.asks}"
            for one in sheet.safety
        ),
        "",
    ]
    for verdict in sheet.rows:
        lines += _row_lines(verdict)
    counts = ", ".join(f"{count} {word}" for word, count in sheet.counts.items())
    lines += ["", f"Rows that apply: {counts}.", "", "Defects:"]
    for one in sheet.defects:
        since = "" if one.since_unix_ns is None else f", {local(one.since_unix_ns, where):%d %b %Y}"
        mended = " (mended)" if one.mended else ""
        lines.append(f"  {one.name}{mended}{since}, owner {one.owner}: {one.says}")
    if not sheet.defects:
        lines.append("  none on record")
    decision = sheet.decision
    lines += ["", f"Decision: {decision.word if decision else 'none yet'}"]
    if decision and decision.says:
        lines.append(f"  {decision.says}")
    signed = f"{'_' * 30}  date: {'_' * 12}"
    return "\n".join([*lines, "", f"For the customer: {signed}", f"For the provider: {signed}"])


def all_json(found: Sequence[Found], site: Site, *, now_unix_ns: int) -> Json:
    """Every handoff's sheet in one object."""
    return {
        "kind": "acceptances",
        "schema": SCHEMA,
        "started": rfc3339(now_unix_ns),
        "standing": "valid",
        "reasons": [],
        "handoffs": [as_json(one, site, now_unix_ns=now_unix_ns) for one in found],
    }


def all_text(found: Sequence[Found]) -> str:
    """Every handoff in some lines: where it stands, what comes next, until when a refusal is in time."""
    lines = []
    for one in found:
        counts = ", ".join(f"{count} {word}" for word, count in one.sheet.counts.items())
        decision = one.sheet.decision.word if one.sheet.decision else "no decision yet"
        lines += [
            f"Handoff {one.handoff.name}, {one.handoff.title}: {decision}; {counts}.",
            f"  {one.sheet.deemed.because}",
            f"  Next: {one.sheet.next_step}",
        ]
        lines += [f"  Not met: {each.name}" for each in one.sheet.defects if not each.mended]
    return "\n".join([*lines, "", "--handoff NAME shows one sheet."])


def row_text(verdict: RowVerdict, found: Found, site: Site) -> str:
    """One row with everything that somebody needs to run it."""
    row = BY_ID[verdict.row]
    lines = [f"{row.id} {row.what} ({row.how_long})", f"Passes when: {row.passes}.", f"Source: {row.source}."]
    lines += [f"Caution: {text}" for text in row.cautions]
    command = command_of(row, site, found.handoff)
    if command is None:
        name = f"linebook accept {site.file} --handoff {found.handoff.name} --row {row.id}"
        lines.append(f'By hand; then: {name} --answer met --says "what you saw"')
    else:
        lines.append(f"Run it: {command}")
    return "\n".join([*lines, "", *_row_lines(verdict)])


def command_of(row: Row, site: Site, handoff: Handoff) -> str | None:
    """The command that runs a row here; None where it is done by hand."""
    if row.command is None:
        return None
    others = [each.name for each in site.handoffs if each.name != handoff.name]
    if "OTHER" in row.command and not others:
        return None
    words = {"SITE": str(site.file), "HANDOFF": handoff.name, "OTHER": next(iter(others), "")}
    return " ".join(words.get(word, word) for word in row.command.split())


def _row_lines(verdict: RowVerdict) -> list[str]:
    row = BY_ID[verdict.row]
    word = "does not apply" if not verdict.applies else str(verdict.word).upper()
    lines = [f"{row.id:<4} {word:<14} {row.what}", f"       {verdict.because}"]
    if verdict.limit and verdict.word is not Word.NOT_TESTED:
        lines.append(f"       Limit: {verdict.limit}. Method error: {verdict.error}.")
    return lines


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def next_defect(found: Found) -> str:
    """The name of the next defect that somebody notes: D1, D2 ..."""
    known = [one.name for one in found.sheet.defects if one.name.startswith("D")]
    return f"D{len(known) + 1}"


def note(
    found: Found, about: About, of: str, word: str, *, says: str = "", now_unix_ns: int
) -> AcceptanceNote:
    """A note about this handoff, to be put on record."""
    return AcceptanceNote(
        handoff=found.handoff.name, started_unix_ns=now_unix_ns, about=about, of=of, word=word, says=says
    )
