"""A month's statement as a paper: committed against delivered, availability, credits, by when to claim.

Issued, it has a number and a version and is frozen (`store.papers`); what changed since the version before is
found by comparing what programs get. Imports statements, pages' tables and the paper.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from dashboard import rate_history, statements, text_statement
from dashboard.pages import rate_parts, statement_rows
from dashboard.pages.contracts import MARKS, of_one
from dashboard.pages.ledger import Entry
from dashboard.papers import files
from dashboard.papers.evidence import written_at
from dashboard.papers.files import Texts
from dashboard.papers.paper import Fact, Paper, Part
from dashboard.rate_history import Rates, Version
from dashboard.statements import Statement
from store.clock import NS_PER_S, zone
from store.papers import STATEMENT, IssuedPaper, newest, sha256_of
from store.reader import Reader
from store.site import Handoff, Site

_PASSING = ("days_left", "over", "started")  # what is otherwise on another day without the month being so


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A statement with its rates by version of the card."""

    statement: Statement
    rates: Rates

    @property
    def number(self) -> str:
        """``A-2026-11``."""
        return f"{self.statement.handoff.name}-{self.statement.month.first_day:%Y-%m}"


def read(reader: Reader, site: Site, handoff: Handoff, found: Statement) -> Made:
    """The rates of the statement's month beside it."""
    since_s, until_s = found.parts[0].month.from_s, min(found.month.until_s, found.now_s)
    rates = rate_history.read(
        reader, site, handoff, now_unix_ns=until_s * NS_PER_S, seconds=max(1, until_s - since_s)
    )
    return Made(statement=found, rates=rates)


def paper(made: Made, site: Site, where: tzinfo, *, version: int | None, changed: Sequence[str]) -> Paper:
    """The paper; `version` None for a draft that nobody issued."""
    found = made.statement
    card, month = found.handoff.card, found.month.first_day
    issued = "draft, not issued" if version is None else f"v{version}"
    facts = [
        ("Number", f"{made.number} {issued}"),
        ("Month", f"{month:%B %Y}" + ("" if found.over else ", not over yet")),
        ("Circuit", f"{card.reference or 'reference not stated'}, handoff {found.handoff.name}"),
        ("Provider", card.provider or "not stated"),
        ("Kept by", site.name),
    ]
    if version is not None and version > 1:
        facts.append(("Takes the place of", f"{made.number} v{version - 1}"))
    changes = Part(heading=f"What changed since v{(version or 2) - 1}", points=tuple(changed))
    parts = [changes] if changed else []
    for one in found.parts:
        parts += _month(one, where)
    parts += [_rates(made, one, where) for one in made.rates.versions]
    parts.append(_basis(found))
    return Paper(
        title="Statement",
        number=f"{made.number} {issued}",
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=tuple(parts),
        invented=site.invented,
        written=written_at(found.now_s * NS_PER_S, where),
    )


def issue(reader: Reader, made: Made, site: Site, *, now_ns: int) -> tuple[IssuedPaper, bool]:
    """The next version of a month that is over, not on record yet; or the last one, where nothing changed."""
    name, told = made.statement.handoff.name, figures(made)
    known = reader.documents(IssuedPaper, handoff=name)
    before = newest(known, paper=STATEMENT, number=made.number)
    changed = () if before is None else changes(before, told)
    if before is not None and not changed:
        return before, True
    version = 1 if before is None else before.version + 1
    sheet = paper(made, site, zone(site.timezone), version=version, changed=changed)
    texts = files.texts(sheet, told)
    issued = IssuedPaper(
        handoff=name,
        started_unix_ns=now_ns,
        paper=STATEMENT,
        number=made.number,
        version=version,
        sha256=sha256_of(texts.html),
        changed=changed,
        html=texts.html,
        figures=texts.figures,
        tables=texts.tables,
    )
    return issued, False


def frozen(issued: IssuedPaper) -> Texts:
    """An issued paper as it was."""
    return Texts(html=issued.html or "", tables=issued.tables or "", figures=issued.figures or "")


def figures(made: Made) -> dict[str, Any]:
    """What programs get of it."""
    return statements.as_json(made.statement)


def changes(before: IssuedPaper, now: Mapping[str, Any]) -> tuple[str, ...]:
    """What is otherwise than in a version that was issued, in sentences; empty where nothing is."""
    old, new = json.loads(before.figures or "{}"), json.loads(json.dumps(now))
    if dict(_flat(old)) == dict(_flat(new)):
        return ()
    was, is_ = dict(_told(old)), dict(_told(new))
    told = [
        f"{what}: {is_.get(what, 'not there any more')} Before: {was.get(what, 'not there.')}"
        for what in dict.fromkeys((*is_, *was))
        if is_.get(what) != was.get(what)
    ]
    return tuple(told) or ("Figures behind the sentences changed; the JSON of both versions has them.",)


def _told(found: Any) -> Iterator[tuple[str, str]]:
    """What a statement's figures say, in sentences by what they are about."""
    for part in (*found.get("earlier", ()), found):
        when = f"{part.get('from', '')[:10]}, " if found.get("earlier") else ""
        for one in part.get("availability", ()):
            tickets = sum(each["ticket"] is not None for each in one["outages"])
            yield f"{when}availability by {one['rule']}", one["because"]
            yield f"{when}outages by {one['rule']}", f"{len(one['outages'])}, {tickets} with a ticket."
        credit = part.get("credits") or {"because": part.get("no_credits")}
        yield f"{when}credit", str(credit["because"])
        if part.get("repeated_failure"):
            yield f"{when}repeated failure", part["repeated_failure"]["because"]
        for one in part.get("rates", ()):
            yield f"{when}rate {one['direction']}", one["because"]


def _flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    match value:
        case dict():
            for name, each in value.items():
                if name not in _PASSING:
                    yield from _flat(each, f"{path}.{name}")
        case list():
            for nth, each in enumerate(value):
                yield from _flat(each, f"{path}.{nth}")
        case _:
            yield path, value


def _month(one: Statement, where: tzinfo) -> Iterator[Part]:
    count = one.availability.contract or next(each for each in one.availability.counts if each.rule.of_trains)
    said = f", {one.part_said(where)}" if one.of_changed else ""
    changed = (text_statement.changed_said(one),) if one.of_changed else ()
    outages = statement_rows.outage_table(count, where)
    yield Part(
        heading=f"What the month came to{said}",
        sentences=changed,
        entries=tuple(statement_rows.entries(one)),
    )
    if one.credits:
        yield Part(
            heading=f"Credit, step by step{said}",
            code=one.credits.ours.steps,
            after=tuple(_claim(one)),
        )
    yield Part(
        heading=f"Availability{said}",
        tables=tuple(
            each
            for each in (
                outages,
                statement_rows.rule_table(one.availability),
                statement_rows.day_table(one, count, where),
            )
            if each is not None
        ),
        after=() if outages else ("No outage was observed by this rule.",),
    )
    promises = statement_rows.promise_table(one.quality)
    if promises is not None:
        yield Part(heading=f"Delay, variation and loss{said}", tables=(promises,))


def _claim(one: Statement) -> Iterator[str]:
    found = one.credits
    if found is None:
        return
    if found.ours.share and found.claim_until is not None:
        yield f"To be claimed by {found.claim_until:%d %B %Y}."
    if found.theirs.share != found.ours.share:
        yield "The provider’s own counting, from the ticket and without overruns, comes to another figure:"
        yield from found.theirs.steps
        for clause in found.clauses:
            decides = "; this clause alone decides" if clause.decides else ""
            yield f"{clause.name}: {clause.says}{decides}."
    yield from (f"Another reading is open: {each}" for each in found.open_readings)


def _rates(made: Made, version: Version, where: tzinfo) -> Part:
    tables = (
        of_one(
            made.statement.handoff,
            [detail.whole for detail in version.details],
            caption="Committed against delivered",
        ),
        rate_parts.parts(version.details, caption="By hours"),
        rate_parts.rules(version, caption="With and without each rule that left out a run"),
    )
    several = len(made.rates.versions) > 1
    since = f" by the card in force until {written_at(version.until_unix_ns, where)}" if several else ""
    return Part(
        heading=f"Rates{since}",
        entries=tuple(
            Entry(mark=MARKS[one.whole.word], moment=None, text=one.whole.because, more=tuple(one.sentences))
            for one in version.details
        ),
        tables=tuple(one for one in tables if one is not None),
    )


def _basis(found: Statement) -> Part:
    contract = found.availability.contract
    points = [
        f"Outages: {contract.rule.said()} ({contract.rule.source})." if contract else "",
        "A gap in measuring is neither good nor bad; the availability is told with what the gaps allow.",
        "Bounds are exact, one-sided, at 95 %, for the number of independent runs that neighbours are worth.",
        "An issued statement is frozen in the sealed record; what is judged otherwise is a new version.",
        "A credit is what the clauses as noted on the card come to. Whether it is owed the contract decides.",
    ]
    return Part(heading="What this rests on", points=tuple(filter(None, points)))
