"""The evidence pack's paper: what is found of one handoff over some days, and how it is put to its provider.

Reads with a `Reader`, so `find` runs in that reader's thread. The judges are those of the pages; here are
only the order of the parts and what the objections look at. Imports store, judge, pages' tables and the
paper.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta, tzinfo
from typing import Any

from dashboard import case_owners, method, quality, rate_history, rates_told, seen, statements, text_findings
from dashboard import found as signatures
from dashboard.judge import evidence as counting
from dashboard.judge import finding, months, objections
from dashboard.judge.availability import Availability
from dashboard.judge.finding import Finding
from dashboard.judge.months import Span
from dashboard.judge.objections import House, Objection, Proof, Ruled
from dashboard.pages import card_rows, rate_parts, segments, statement_rows
from dashboard.pages.contracts import MARKS, of_one
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, counted, grouped, mbps, moment, offset, percent, span
from dashboard.papers import drawing, phrases
from dashboard.papers.drawing import Point
from dashboard.papers.paper import Drawing, Fact, Paper, Part
from dashboard.papers.redaction import Redaction
from dashboard.quality import Quality
from dashboard.rate_history import Rates
from store import case_words, ceilings
from store.cases import Case
from store.ceilings import Ceiling
from store.cells import Length
from store.clock import NS_PER_S, rfc3339, zone
from store.clock_change import ClockChange
from store.events import EventKind
from store.paced import PacedRun
from store.reader import Reader
from store.records import Direction, Failed, RateRun, Skipped, Stall
from store.segments import Split
from store.site import EndpointRef, Handoff, Site, Where
from store.tickets import TicketNote, current

_TOLD = frozenset(EventKind) - {EventKind.STALL, EventKind.ALLOWANCE}  # what makes a case one of the list
_CARD = (  # clauses that a verdict rests on
    *("provider", "reference", "rate_up", "rate_down", "layer", "commitment", "both_at_once", "reach", "met"),
    *(
        "delay",
        "delay_variation",
        "loss",
        "loss_interval",
        "measured_to",
        "availability",
        "availability_rule",
    ),
    *("maintenance_cap", "repair", "port_rate", "mtu", "from"),
)
_NOTED = Mark(word="Noted", look="none")
_LOOKS = {Ruled.OUT: "firm", Ruled.IN_PART: "unsure", Ruled.NOT: "bad"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a pack is about: a handoff, its days (both included), and the question it answers."""

    handoff: Handoff
    first: date
    last: date
    question: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Everything that the paper says, judged."""

    site: Site
    asked: Asked
    span: Span
    now_ns: int
    version: str
    rates: Rates
    runs: tuple[RateRun, ...]
    skipped: tuple[Skipped, ...]
    failed: tuple[Failed, ...]
    availability: Availability
    quality: tuple[Quality, ...]
    cases: tuple[Case, ...]
    findings: tuple[Finding, ...]
    splits: tuple[segments.FoundSplit, ...]
    stalls: tuple[Stall, ...]
    ceilings: tuple[Ceiling, ...]
    clock: tuple[ClockChange, ...]
    tickets: tuple[TicketNote, ...]
    campaigns: tuple[str, ...]
    objections: tuple[Objection, ...]
    proof: Proof

    @property
    def where(self) -> tzinfo:
        return zone(self.site.timezone)

    @property
    def since_ns(self) -> int:
        return self.span.from_s * NS_PER_S

    @property
    def until_ns(self) -> int:
        return min(self.span.until_s * NS_PER_S, self.now_ns)


def find(
    reader: Reader, site: Site, asked: Asked, *, now_ns: int, version: str, heads: int, stamped: int
) -> Found:
    """Read and judge everything of the days asked for."""
    where = zone(site.timezone)
    span_ = months.between(asked.first, asked.last + timedelta(days=1), where)
    since_ns, until_ns = span_.from_s * NS_PER_S, min(span_.until_s * NS_PER_S, now_ns)
    handoff, name = asked.handoff, asked.handoff.name
    runs = tuple(
        counting.of_line(
            site, name, reader.rate_runs(handoff=name, since_ns=since_ns, until_ns=until_ns, bins=False)
        )
    )
    troubles = counting.of_line(
        site, name, reader.troubles(handoff=name, since_ns=since_ns, until_ns=until_ns)
    )
    rates = rate_history.read(
        reader, site, handoff, now_unix_ns=until_ns, seconds=(until_ns - since_ns) // NS_PER_S, runs=runs
    )
    availability = statements.judged(reader, site, handoff, span_, now_s=now_ns // NS_PER_S)
    stalls = tuple(reader.stalls(handoff=name, since_ns=since_ns, until_ns=until_ns))
    splits = tuple(_splits(reader, handoff, since_ns, until_ns))
    clock = tuple(reader.documents(ClockChange, since_ns=since_ns, until_ns=until_ns))
    tickets = tuple(
        one
        for one in current(reader.documents(TicketNote, handoff=name))
        if one.opened_unix_ns is not None and since_ns <= one.opened_unix_ns < until_ns
    )
    campaigns = tuple(
        one.name
        for one in reader.campaigns()
        if one.handoff == name
        and one.planned
        and one.planned[0].start_unix_ns < until_ns
        and one.planned[-1].start_unix_ns >= since_ns
    )
    known = tuple(
        one
        for one in reader.documents(Ceiling, until_ns=until_ns)
        if one.started_unix_ns >= since_ns - ceilings.VALID_NS
    )
    cases = case_owners.read(
        reader,
        site,
        since_ns=since_ns,
        until_ns=until_ns,
        now_ns=now_ns,
        handoff=name,
    )
    of_line = tuple(one for one in cases if _TOLD & {event.what for event in one.events})
    skipped = tuple(one for one in troubles if isinstance(one, Skipped) and "rate" in one.what)
    failed = tuple(one for one in troubles if isinstance(one, Failed) and "rate" in one.what)
    proof = Proof(
        runs=_counting(runs, rates),
        planned=len(runs),
        skipped=len(skipped),
        failed=len(failed),
        days=len({moment(run.started_unix_ns, where, form="%F").text for run in runs}),
        card=handoff.card_at(until_ns),
        networks=tuple(dict.fromkeys((*handoff.addresses, *(handoff.card_at(until_ns).addresses or ())))),
        endpoints=tuple(sorted(_ends(site, Where.OUTSIDE))),
        inside=tuple(one for one in signatures.reflectors(site, handoff) if (name, one) in reader.paths()),
        house=_house(reader, site, handoff, stalls, since_ns, until_ns),
        house_routers=handoff.hops.house,
        hops_watched=handoff.hops.watch,
        ceilings=len(known),
        paced_runs=len(reader.documents(PacedRun, handoff=name, since_ns=since_ns, until_ns=until_ns)),
        works=len(seen.announced(site, handoff, from_s=span_.from_s, until_s=span_.until_s)),
        excused_s=sum(high - low for low, high in availability.excuse.spans),
        clock_changes=len(clock),
        carrier_lost=sum(event.what is EventKind.CARRIER_LOST for case in cases for event in case.events),
        tickets=len(tickets),
        campaigns=len(campaigns),
        own_bytes=reader.spent_bytes(name, since_ns) - reader.spent_bytes(name, until_ns),
        cap_bytes=None if handoff.cap is None else handoff.cap.limit_bytes,
        heads=heads,
        stamped=stamped,
    )
    return Found(
        site=site,
        asked=asked,
        span=span_,
        now_ns=now_ns,
        version=version,
        rates=rates,
        runs=runs,
        skipped=skipped,
        failed=failed,
        availability=availability,
        quality=statements.delay_and_loss(reader, site, handoff, span_, availability),
        cases=of_line,
        findings=signatures.examined(reader, site, handoff, since_ns=since_ns, until_ns=until_ns).found,
        splits=splits,
        stalls=tuple(one for one in stalls if one.endpoint in _ends(site, Where.OUTSIDE)),
        ceilings=known,
        clock=clock,
        tickets=tickets,
        campaigns=campaigns,
        objections=objections.judge(proof),
        proof=proof,
    )


def _ends(site: Site, where: Where) -> set[str]:
    return {one.name for one in site.endpoints if one.where is where}


def _counting(runs: Sequence[RateRun], rates: Rates) -> tuple[RateRun, ...]:
    """The runs that count for either direction of any version of the card."""
    found: dict[int, RateRun] = {}
    for version in rates.versions:
        own = [run for run in runs if version.from_unix_ns <= run.started_unix_ns < version.until_unix_ns]
        for way in (Direction.UP, Direction.DOWN):
            ignoring = (counting.BOTH_AT_ONCE,) if version.card.both_at_once else ()
            found |= {id(run): run for run, _ in counting.counted(own, way, ignoring=ignoring)[0]}
    return tuple(run for run in runs if id(run) in found)


def _splits(reader: Reader, handoff: Handoff, since_ns: int, until_ns: int) -> Iterator[segments.FoundSplit]:
    from dashboard import history
    from dashboard.judge import segments as judge

    for one in reader.documents(Split, handoff=handoff.name, since_ns=since_ns, until_ns=until_ns):
        usual = history.hops_usual(reader, handoff.name, before_ns=one.started_unix_ns)
        yield segments.FoundSplit(split=one, judged=judge.judge(one, answered_before=usual))


def _house(
    reader: Reader, site: Site, handoff: Handoff, stalls: Sequence[Stall], since_ns: int, until_ns: int
) -> House | None:
    """What trains to house endpoints showed, and which of the line's stalls they had as well."""
    inside = _ends(site, Where.HOUSE)
    sums = [
        one
        for endpoint in sorted(inside)
        for one in reader.train_sums(
            handoff=handoff.name,
            endpoint=endpoint,
            since_ns=since_ns,
            until_ns=until_ns,
            longest=Length.DAY,
            histograms=False,
        )
    ]
    if not sums:
        return None
    spans = sorted(
        (one.started_unix_ns, one.started_unix_ns + one.duration_us * 1000)
        for one in stalls
        if one.endpoint in inside
    )
    starts = [low for low, _ in spans]
    line = [one for one in stalls if one.endpoint not in inside]

    def shared(stall: Stall) -> bool:
        end_ns = stall.started_unix_ns + stall.duration_us * 1000
        at = bisect_right(starts, end_ns)
        return any(high >= stall.started_unix_ns for _, high in spans[max(0, at - 5) : at])

    return House(
        sent=sum(one.sent for one in sums),
        lost=sum(one.lost_up + one.lost_down + one.lost_unattributed for one in sums),
        line_stalls=len(line),
        shared_stalls=sum(shared(one) for one in line),
    )


# The paper


def paper(found: Found, redaction: Redaction, *, rows: Sequence[tuple[str, int]]) -> Paper:
    """The paper as it is before redaction; `rows` are the files of raw data with their rows."""
    asked, where = found.asked, found.where
    card = asked.handoff.card_at(found.until_ns)
    days = f"{asked.first:%d %B %Y} to {asked.last:%d %B %Y}"
    who = found.site.name if not redaction.on else "withheld"
    facts = (
        ("Kept by", who),
        ("For", card.provider or "the provider"),
        ("Circuit", f"{card.reference or 'reference not stated'}, handoff {asked.handoff.name}"),
        ("Days", f"{days}, {found.site.timezone} ({offset(found.since_ns, where)} on the first day)"),
        ("Question", asked.question),
        ("Redaction", "on: see “What is withheld”" if redaction.on else "off: nothing is withheld"),
        ("Software", f"Linebook {found.version}"),
    )
    parts = (
        _finding(found),
        _contract(found),
        _method(found),
        _rates(found),
        _availability(found),
        _delay(found),
        _cases(found),
        _ledger(found, redaction),
        _house_part(found),
        _signatures(found),
        _objections(found),
        _limits(found),
        _clock(found),
        _withheld(redaction),
        _data(rows),
        _verify(),
    )
    return Paper(
        title="Evidence pack",
        number=f"{asked.handoff.name}, {asked.first} to {asked.last}",
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=tuple(part for part in parts if part is not None),
        invented=found.site.invented,
        contents=True,
        written=written_at(found.now_ns, where),
    )


def written_at(now_ns: int, where: tzinfo) -> str:
    """When a paper was written, in local time with its offset."""
    return f"{moment(now_ns, where, form='%A %d %B %Y, %H:%M:%S').text}, {offset(now_ns, where)}"


def question(handoff: Handoff) -> str:
    """The question that a pack answers unless somebody asks another."""
    return f"Did handoff {handoff.name} carry, on these days, what its contract card states?"


def _finding(found: Found) -> Part:
    """One page: what was found, a sentence each."""
    entries = [
        Entry(
            mark=MARKS[detail.whole.word],
            moment=None,
            text=f"Rate {detail.whole.direction}: {detail.whole.because}",
        )
        for detail in found.rates.newest.details
    ]
    contract = found.availability.contract
    count = contract or found.availability.counts[0]
    rule = "the contract’s rule" if contract else f"the rule “{count.rule.rule}”, since the card names none"
    entries.append(
        Entry(mark=MARKS[count.word], moment=None, text=f"Availability by {rule}: {count.because}")
    )
    for one in found.quality:
        worst = quality.word(one, found.asked.handoff.card_at(found.until_ns))
        entries.append(
            Entry(
                mark=MARKS[worst],
                moment=None,
                text=f"Delay and loss to {one.endpoint}, {span(one.seconds)} watched outside of outages: "
                + " ".join(part.because for part in one.loss),
            )
        )
    entries.append(Entry(mark=None, moment=None, text=_stalls(found)))
    out = [one for one in found.objections if one.word is Ruled.OUT]
    left_out = len(found.runs) - len(found.proof.runs)
    sentences = (
        f"{counted(len(found.runs), 'rate run was', 'rate runs were')} made to endpoints outside; "
        f"{grouped(len(found.proof.runs))} count, {grouped(left_out)} are left out by rules "
        f"(part “Exclusions ledger”), {len(found.failed)} failed and {len(found.skipped)} were skipped.",
        f"Of the twenty usual objections the record rules out {len(out)}; “Twenty objections” has the "
        "others, and what is missing.",
    )
    return Part(heading="Finding", sentences=sentences, entries=tuple(entries))


def _stalls(found: Found) -> str:
    if not found.stalls:
        return "No stall of 0.5 s or more was observed by trains to endpoints outside."
    lost = sum(one.how == "lost" for one in found.stalls)
    up = sum(one.direction is Direction.UP for one in found.stalls)
    total = sum(one.seconds for one in found.stalls)
    return (
        f"{counted(len(found.stalls), 'stall')} of 0.5 s or more seen by trains to endpoints outside "
        f"(each endpoint’s train counts by itself), {span(total)} in all; in "
        f"{percent(lost / len(found.stalls))} of "
        f"them every packet was lost on the way, in the others packets came late; {grouped(up)} were up."
    )


def _contract(found: Found) -> Part:
    card = found.asked.handoff.card_at(found.until_ns)
    rows = [row for row in card_rows.card_rows(card, found.where) if row.key in _CARD]
    table = Table(
        caption="Clauses that the verdicts rest on",
        headings=(
            Heading(text="Clause"),
            Heading(text="As noted", kind="prose"),
            Heading(text="Where", kind="prose"),
        ),
        rows=tuple(cells(row.name, row.value, row.where or DASH) for row in rows),
        note="“Not stated” means that the contract was not found to say so; nothing is guessed.",
    )
    earlier = rate_parts.earlier(found.rates, found.where)
    return Part(heading="Contract extract", tables=(table,), entries=earlier)


def _method(found: Found) -> Part:
    runs, site, handoff = found.proof.runs, found.site, found.asked.handoff
    trains = [one for one in site.trains if one.handoff == handoff.name]
    plans = [one for one in site.runs if one.handoff == handoff.name]
    carriers = Counter(str(run.circumstances.carrier) for run in runs)
    ports = Counter(
        f"{run.circumstances.port_rate_bps / 1e6:g} Mb/s {run.circumstances.duplex or 'duplex unknown'}"
        for run in runs
        if run.circumstances.port_rate_bps
    )
    stamps = Counter(str(run.timestamps) for run in runs)
    versions = Counter(f"IPv{side.ip_version}" for run in runs for side in run.sides().values())
    mss = sorted({side.mss_bytes for run in runs for side in run.sides().values()})
    points = [
        f"Probe: reached the line by {_shares(carriers)}; port {_shares(ports)}.",
        "Endpoints: "
        + "; ".join(
            f"{one.name} ({_place(found, one)})"
            for one in site.endpoints
            if one.name in {train.endpoint for train in trains} | {run.endpoint for run in found.runs}
        )
        + ".",
        f"Runs that count: {_shares(Counter(_flows(run) for run in runs))}.",
        f"Protocol: TCP, {_shares(versions)}; payload of a full segment "
        f"{', '.join(map(str, mss)) or 'not known'} bytes; delays stamped by the {_shares(stamps)}.",
        "Schedule as planned now: "
        + (
            "; ".join(
                f"{one.called} {one.direction} to {one.endpoint} every {span(one.every_s)}"
                + (f", {one.times.said()}" if one.times else "")
                for one in plans
            )
            or "no run for this handoff"
        )
        + ". Trains: "
        + (
            "; ".join(
                f"{one.endpoint} {one.per_second:g} packets/s"
                + (f", {one.times.said()}" if one.times else "")
                for one in trains
            )
            or "none"
        )
        + ".",
        f"Busy hours: {site.busy.said()}.",
        f"Rules of evidence: "
        f"{'as usual' if site.rules.evidence.changed() is None else site.rules.evidence.changed()}; "
        "they are in the ledger.",
    ]
    points += [
        f"Conversion, {detail.whole.direction}: {detail.whole.conversion}."
        for detail in found.rates.newest.details
        if detail.whole.conversion
    ]
    if found.campaigns:
        points.append(f"Campaigns fixed and sealed beforehand: {', '.join(found.campaigns)}.")
    contract = found.availability.contract
    if contract:
        points.append(f"Outage rule: {contract.rule.said()} ({contract.rule.source}).")
    ways = (method.WAYS[one] for one in phrases.METHOD)
    how = tuple(f"{one.figure}: {one.how} (Source: {one.source}.)" for one in ways)
    return Part(heading="Method statement", sentences=(), points=(*how, *points))


def _place(found: Found, one: EndpointRef) -> str:
    if one.where is Where.HOUSE:
        return "in the house"
    return "in the provider’s own network" if one.name in found.proof.inside else "outside"


def _flows(run: RateRun) -> str:
    return f"{run.seconds:g} s {run.direction}, {counted(run.flows, 'flow')}"


def _shares(counts: Counter[str]) -> str:
    """What there was, most first: ``wired (480), tunnel (2)``; what all had stands alone."""
    if not counts:
        return "not on record"
    if len(counts) == 1:
        return next(iter(counts))
    return ", ".join(f"{name} ({grouped(count)})" for name, count in counts.most_common(6)) + (
        f" and {len(counts) - 6} others" if len(counts) > 6 else ""
    )


def _rates(found: Found) -> Part:
    newest = found.rates.newest
    drawings = [
        made for detail in newest.details if (made := _drawn(found, detail.whole.direction)) is not None
    ]
    tables = (
        of_one(
            found.asked.handoff,
            [detail.whole for detail in newest.details],
            caption="Verdicts on the stated rates",
        ),
        rate_parts.parts(newest.details, caption="By hours"),
        rate_parts.days(newest.details, caption="Day by day, newest first"),
    )
    entries = tuple(
        Entry(mark=MARKS[one.whole.word], moment=None, text=one.whole.because, more=tuple(one.sentences))
        for one in newest.details
    )
    return Part(
        heading="Rates",
        entries=entries,
        drawings=tuple(drawings),
        tables=tuple(one for one in tables if one is not None),
    )


def _drawn(found: Found, way: Direction) -> Drawing | None:
    card = found.rates.newest.card
    counting_ = {id(run) for run, _ in counting.counted(list(found.proof.runs), way)[0]}
    layer = card.layer
    points = []
    for run in found.runs:
        side = run.sides().get(way)
        if side is None or run.light:
            continue
        rates = side.rates
        named = {"payload": rates.goodput_bps, "IP": rates.ip_bps, "layer 2": rates.ethernet_bps}
        rate = named.get(str(layer), rates.goodput_bps)
        points.append(Point(unix_ns=run.started_unix_ns, mbps=rate / 1e6, counts=id(run) in counting_))
    stated = card.rate_bps(way)
    return drawing.rates(
        points,
        stated_mbps=None if stated is None else stated / 1e6,
        span=(found.since_ns, found.until_ns),
        where=found.where,
        what=f"Rate {way}",
    )


def _availability(found: Found) -> Part:
    contract = found.availability.contract
    count = contract or found.availability.counts[0]
    rule = f"{'The contract’s rule' if contract else 'Rule, since the card names none'}: {count.rule.said()}."
    outages = statement_rows.outage_table(count, found.where)
    tables = [statement_rows.rule_table(found.availability)] + ([outages] if outages else [])
    return Part(
        heading="Availability and outages",
        sentences=(count.because, rule, *statement_rows.unseen(count), *found.availability.excuse.notes),
        tables=tuple(tables),
        after=() if outages else ("No outage was observed by this rule.",),
    )


def _delay(found: Found) -> Part | None:
    table = statement_rows.promise_table(found.quality)
    return None if table is None else Part(heading="Delay, variation and loss", tables=(table,))


def _cases(found: Found) -> Part:
    rows = [
        cells(
            moment(case.started_unix_ns, found.where, form="%d %b %H:%M:%S"),
            _lasted(case),
            str(case.owner),
            case_words.says(case),
        )
        for case in found.cases
    ]
    tickets = [
        cells(
            one.reference,
            moment(one.opened_unix_ns or 0, found.where, form="%d %b %H:%M"),
            DASH
            if one.closed_unix_ns is None
            else moment(one.closed_unix_ns, found.where, form="%d %b %H:%M"),
            one.says or DASH,
        )
        for one in found.tickets
    ]
    tables = []
    if rows:
        tables.append(
            Table(
                caption="Cases, oldest first; those of stalls alone are in data/event.csv",
                headings=(
                    Heading(text="Began"),
                    Heading(text="Lasted"),
                    Heading(text="Owner"),
                    Heading(text="What", kind="prose"),
                ),
                rows=tuple(rows),
                note="An owner is named only where trains that went at the same time tell it.",
            )
        )
    if tickets:
        tables.append(
            Table(
                caption="Tickets and letters",
                headings=(
                    Heading(text="Reference"),
                    Heading(text="Opened"),
                    Heading(text="Closed"),
                    Heading(text="Noted", kind="prose"),
                ),
                rows=tuple(tickets),
            )
        )
    sentences = (
        f"{counted(len(found.cases), 'case')} beside those of stalls alone; "
        f"{counted(len(found.tickets), 'ticket')} on record in this time.",
    )
    return Part(heading="Cases and tickets", sentences=sentences, tables=tuple(tables))


def _lasted(case: Case) -> str:
    seconds = (case.last_unix_ns - case.started_unix_ns) / NS_PER_S
    return case_words.length(seconds) if seconds >= 0.05 else DASH


def _ledger(found: Found, redaction: Redaction) -> Part:
    table = rate_parts.rules(found.rates.newest, caption="Verdicts with and without each rule")
    sentences = [f"Rate {one.direction}: {one.because}" for one in found.rates.newest.ledgers]
    never = Counter(("failed", redaction.text(one.why)) for one in found.failed)
    never.update(("skipped", redaction.text(one.why)) for one in found.skipped)
    rows = tuple(cells(what, grouped(count), why) for (what, why), count in never.most_common(12))
    tables = [] if table is None else [table]
    if rows:
        tables.append(
            Table(
                caption="Runs that were never made",
                headings=(Heading(text="What"), number("Runs"), Heading(text="Why", kind="prose")),
                rows=rows,
            )
        )
    return Part(heading="Exclusions ledger", sentences=tuple(sentences), tables=tuple(tables))


def _house_part(found: Found) -> Part:
    proof, rows = found.proof, []
    factor = found.site.rules.evidence.ceiling_factor
    newest = ceilings.newest(found.ceilings)
    for (_, endpoint, flows), one in sorted(newest.items()):
        rows.append(
            cells(
                "this host" if not endpoint else f"endpoint {endpoint}",
                str(flows),
                mbps(one.carries_bps),
                moment(one.started_unix_ns, found.where, form="%d %b %Y %H:%M"),
            )
        )
    tables = (
        []
        if not rows
        else [
            Table(
                caption="Ceilings: the most that this host and the endpoints were measured to carry",
                headings=(
                    Heading(text="Whose"),
                    number("Flows"),
                    number("Carries", "Mb/s, payload"),
                    Heading(text="Measured"),
                ),
                rows=tuple(rows),
                note=f"A rate run is void where {factor:g} times its rate is more than either.",
            )
        ]
    )
    split = segments.finding_table(found.splits, where=found.where)
    tables += [split] if split else []
    house = proof.house
    if house is None:
        said = "No train ran to an endpoint inside the house in this time, so its segment is not shown."
    else:
        said = (
            f"Trains to endpoints inside the house lost {grouped(house.lost)} of {grouped(house.sent)} "
            f"packets "
            f"({percent(house.lost / house.sent) if house.sent else DASH}). Of {grouped(house.line_stalls)} "
            f"stalls of "
            f"trains to endpoints outside, {grouped(house.shared_stalls)} coincided with a stall inside the "
            f"house."
        )
    return Part(heading="In-house segment, host and endpoints", sentences=(said,), tables=tuple(tables))


def _signatures(found: Found) -> Part:
    entries = tuple(
        Entry(
            mark=_NOTED if one.owner is None else Mark(word=f"Owner: {one.owner}", look="unsure"),
            moment=None,
            text=f"{one.number}. {text_findings.title(one)}. {one.seen}",
            more=(
                _sentence(one.because),
                *((_sentence(f"Would confirm it: {one.decides}"),) if one.decides else ()),
                *((_sentence(f"Asked of its owner: {one.ask}"),) if one.ask else ()),
            ),
        )
        for one in found.findings
    )
    said = (
        "What engineers look for first, where the record shows it. A signature is a likeness, not a cause: "
        "each says "
        "what would confirm it."
    )
    return Part(
        heading="Signatures in the record",
        sentences=(said if entries else "None of the signatures that are looked for shows in these days.",),
        entries=entries,
    )


def _sentence(text: str) -> str:
    """A clause as a sentence."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?')) else '.'}"


def _objections(found: Found) -> Part:
    rows = tuple(cells(str(one.number), one.says, _ruled(one.word), one.because) for one in found.objections)
    table = Table(
        caption="What a careful reader may object, and what the record says to it",
        headings=(
            number("No."),
            Heading(text="Objection", kind="sentence"),
            Heading(text="The record"),
            Heading(text="Because", kind="prose"),
        ),
        rows=rows,
        note="Of the rate runs that count, as named in “Finding”. What is not ruled out may still be untrue.",
    )
    return Part(heading="Twenty objections", tables=(table,), breaks=True)


def _ruled(word: Ruled) -> Mark:
    return Mark(word=str(word).capitalize(), look=_LOOKS[word])


def _limits(found: Found) -> Part:
    own = found.proof.own_bytes
    load = (
        f"Measuring itself moved {own / 1e9:.1f} GB over this handoff in these days, runs and trains, "
        "both ways."
    )
    gaps = found.availability.contract or found.availability.counts[0]
    unseen = f"{span(gaps.unwatched_s)} of the time was not measured." if gaps.unwatched_s else ""
    return Part(
        heading="Limitations, and what is not claimed",
        points=tuple(filter(None, (*phrases.LIMITATIONS, load, unseen, *phrases.NOT_CLAIMED))),
    )


def _clock(found: Found) -> Part:
    runs = found.proof.runs
    known = [one.circumstances for one in runs if one.circumstances.clock_synchronised is not None]
    good = sum(bool(one.clock_synchronised) for one in known)
    worst = max((one.clock_error_us or 0 for one in known), default=None)
    sentences = [
        f"The kernel held the clock synchronised in {good} of {len(runs)} runs that count"
        + (f", its own bound on the error {worst / 1000:.1f} ms at most." if worst is not None else ".")
    ]
    rows = tuple(
        cells(
            moment(one.started_unix_ns, found.where, form="%d %b %H:%M:%S"),
            str(one.how),
            DASH if one.by_us is None else f"{one.by_us / 1000:.1f}",
        )
        for one in found.clock
    )
    table = Table(
        caption="Changes of the clock",
        headings=(Heading(text="When"), Heading(text="How"), number("By", "ms")),
        rows=rows,
    )
    if not rows:
        sentences.append("No change of the clock is on record in these days.")
    return Part(heading="Clock record", sentences=tuple(sentences), tables=(table,) if rows else ())


def _withheld(redaction: Redaction) -> Part:
    if not redaction.on:
        return Part(
            heading="What is withheld",
            sentences=(
                "Nothing but secrets: keys, invitations and passwords are in no pack.",
                "The folder record has the sealed days of all handoffs, from the day before the first on, "
                "as far as they are signed; `linebook verify record` checks them.",
            ),
        )
    return Part(
        heading="What is withheld",
        sentences=(
            "Names of the site, its plans, windows and hosts, addresses, other traffic of the house and the "
            "names "
            "of its interfaces are withheld; each address has a number that stays the same throughout. The "
            "originals "
            "are unchanged in the sealed record, to which the signed heads in the folder seal are the link; "
            "they can "
            "be shown and compared. Columns that are withheld are marked in data/dictionary.csv.",
        ),
        after=(f"Words that stay as the keeper wrote them: {', '.join(redaction.kept)}.",),
    )


def _data(rows: Sequence[tuple[str, int]]) -> Part:
    table = Table(
        caption="Raw data",
        headings=(Heading(text="File"), number("Rows")),
        rows=tuple(cells(name, grouped(count)) for name, count in rows),
        note="CSV, RFC 4180, UTF-8, with headings. Times are UTC, local with offset, and Unix time.",
    )
    others = (
        "data/dictionary.csv: every column with unit, layer, meaning and source",
        "verdicts.json: every verdict of this paper with its counts, for programs",
        "seal/: the signed heads of the record that this was made from, with time stamps where there are any",
        "manifest.json, manifest.sig, key.pem, SHA256SUMS, check.py: to check all of it",
    )
    return Part(heading="Contents of the folder", tables=(table,), points=others)


def _verify() -> Part:
    return Part(
        heading="How to verify",
        sentences=(
            "1. The files are those of the manifest. 2. The manifest is the one that was signed. 3. The key "
            "is the one "
            "whose fingerprint its keeper told you by another way. Without Linebook, in this folder:",
        ),
        code=(
            *phrases.CHECK_WITHOUT,
            "# each signed head, and its time stamp where there is one:",
            *phrases.CHECK_HEAD,
            *phrases.CHECK_STAMP,
            "# with Linebook:",
            *phrases.CHECK_WITH,
        ),
    )


# For programs


def as_json(found: Found, redaction: Redaction) -> dict[str, Any]:
    """Every verdict of the paper with its counts."""
    asked = found.asked
    return {
        "kind": "verdicts",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "handoff": asked.handoff.name,
        "first_day": asked.first.isoformat(),
        "last_day": asked.last.isoformat(),
        "timezone": found.site.timezone,
        "question": redaction.text(asked.question),
        "invented": found.site.invented,
        "redacted": redaction.on,
        "rates": [rates_told.version_json(one) for one in found.rates.versions],
        "availability": [statements.count_json(one) for one in found.availability.counts],
        "contract_rule": None
        if found.availability.contract is None
        else str(found.availability.contract.rule.rule),
        "delay_and_loss": [
            statements.plain(quality.as_json(one, asked.handoff.card_at(found.until_ns)))
            for one in found.quality
        ],
        "cases": [case_words.as_json(one) for one in found.cases],
        "findings": [finding.as_json(one) for one in found.findings],
        "objections": [asdict(one) | {"word": str(one.word)} for one in found.objections],
        "runs": {
            "made": len(found.runs),
            "count": len(found.proof.runs),
            "failed": len(found.failed),
            "skipped": len(found.skipped),
        },
    }
