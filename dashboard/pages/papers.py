"""Papers: what was issued, what can be printed now, packs made since this start, and what they withhold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.parse import quote, urlencode

from dashboard import show_reports, text_uploads
from dashboard.judge import hours
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells
from dashboard.pages.wording import counted, moment
from dashboard.papers import data, redaction
from dashboard.papers.files import ENDINGS
from dashboard.papers.packs import Job
from dashboard.papers.redaction import Hidden
from store.clock import local, rfc3339, zone
from store.papers import PACK, STATEMENT, IssuedPaper
from store.receipts import Receipt
from store.site import Site

MOST_RECEIPTS = 10  # the newest

_FORMS = tuple((ending[1:], ending[1:].upper()) for ending in ENDINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A paper in one form: where it is."""

    text: str
    url: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A paper with its forms."""

    title: str
    says: str
    forms: tuple[Form, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Papers that belong together."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is on record, and what this start of the dashboard made."""

    site: Site
    now_ns: int
    issued: tuple[IssuedPaper, ...]
    jobs: tuple[Job, ...]
    receipts: tuple[Receipt, ...]
    hidden: tuple[Hidden, ...]
    kept: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PapersPage:
    """What papers.html may use, and nothing else."""

    frame: Frame
    said: str
    issued: tuple[Line, ...]
    drafts: tuple[Group, ...]
    packs: tuple[Entry, ...]
    pack_links: tuple[Form, ...]
    under_way: bool
    handoffs: tuple[str, ...]
    first: str
    last: str
    month: str
    hidden: Table
    kept: str


def find(
    site: Site,
    issued: Sequence[IssuedPaper],
    jobs: Sequence[Job],
    *,
    receipts: Sequence[Receipt] = (),
    now_ns: int,
) -> Findings:
    """Put together what the page shows."""
    withheld = redaction.redaction_of(site, on=True)
    return Findings(
        site=site,
        now_ns=now_ns,
        issued=tuple(issued),
        jobs=tuple(jobs),
        receipts=tuple(receipts),
        hidden=redaction.preview(withheld, data.columns()),
        kept=withheld.kept,
    )


def page(found: Findings, *, frame: Frame) -> PapersPage:
    """The page as it is read."""
    where = zone(found.site.timezone)
    today = local(found.now_ns, where).date()
    month = today.replace(day=1) - timedelta(days=1)
    return PapersPage(
        frame=frame,
        said=f"{counted(len(found.issued), 'paper') if found.issued else 'No paper is'} on record"
        f"{'' if found.issued else ' yet'}. A statement that was issued stays as it was.",
        issued=tuple(_issued(found)),
        drafts=tuple(_drafts(found, f"{month:%Y-%m}")),
        packs=tuple(_job(job) for job in reversed(found.jobs)),
        pack_links=tuple(
            Form(text=job.made.zip.name, url=f"/paper/pack/{job.number}")
            for job in found.jobs
            if job.made is not None and not job.gone
        ),
        under_way=any(_state(job) == "under way" for job in found.jobs),
        handoffs=tuple(one.name for one in found.site.handoffs),
        first=f"{today - timedelta(days=28)}",
        last=f"{today - timedelta(days=1)}",
        month=f"{month:%Y-%m}",
        hidden=Table(
            caption="What an evidence pack withholds",
            headings=(Heading(text="Kind"), Heading(text="What", kind="prose")),
            rows=tuple(cells(one.kind, one.what) for one in found.hidden),
            note="Keys, invitations and passwords are in no paper. The originals stay in the sealed record.",
        ),
        kept=", ".join(found.kept),
    )


def as_json(found: Findings) -> dict[str, Any]:
    """The same for programs."""
    return {
        "kind": "papers",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "issued": [
            {
                "paper": one.paper,
                "number": one.number,
                "version": one.version,
                "handoff": one.handoff,
                "issued": rfc3339(one.started_unix_ns),
                "sha256": one.sha256,
                "changed": list(one.changed),
            }
            for one in found.issued
        ],
        "packs": [
            {
                "number": job.number,
                "handoff": job.asked.handoff.name,
                "first_day": job.asked.first.isoformat(),
                "last_day": job.asked.last.isoformat(),
                "state": _state(job),
                "why": job.trouble or None,
                "verified": None if job.checked is None else job.checked.verified,
                "fingerprint": None if job.checked is None else job.checked.fingerprint,
            }
            for job in found.jobs
        ],
        "withheld": [{"kind": one.kind, "what": one.what} for one in found.hidden],
        "kept": list(found.kept),
    }


def draft_url(what: str, name: str, form: str, **more: str) -> str:
    return f"/paper/{what}/{quote(name, safe='')}?{urlencode({'form': form, **more})}"


def _issued(found: Findings) -> Iterator[Line]:
    where = zone(found.site.timezone)
    for one in sorted(found.issued, key=lambda each: each.started_unix_ns, reverse=True):
        when = moment(one.started_unix_ns, where, form="%d %b %Y, %H:%M").text
        changed = f" {_changed(one)}" if one.changed else ""
        forms = tuple(
            Form(text=text, url=draft_url("issued", one.number, form, version=str(one.version)))
            for form, text in _FORMS
            if one.paper == STATEMENT
        )
        name = one.called if one.paper == STATEMENT else one.number
        what = "Statement" if one.paper == STATEMENT else "Evidence pack, by the hash of its manifest"
        assert one.paper in (STATEMENT, PACK)  # noqa: S101 - what is issued
        yield Line(title=name, says=f"{what}, {when}, SHA-256 {one.sha256[:16]}….{changed}", forms=forms)


def _changed(one: IssuedPaper) -> str:
    """What a version changed, in short: the first of it, and how much more there is."""
    more = len(one.changed) - 1
    rest = f" ({counted(more, 'more change')}, in the paper)" if more else ""
    return f"Takes the place of v{one.version - 1}: {one.changed[0].rstrip('.')}{rest}."


def _drafts(found: Findings, month: str) -> Iterator[Group]:
    for title, lines in (
        ("Of the circuits", _of_circuits(found, month)),
        ("Of the shows", _of_shows(found)),
        ("Of uploads", _of_uploads(found)),
    ):
        if made := tuple(lines):
            yield Group(title=title, lines=made)


def _of_circuits(found: Findings, month: str) -> Iterator[Line]:
    for handoff in found.site.handoffs:
        for what, says in (
            ("statement", f"Statement of {month}, as a draft"),
            ("acceptance", "Acceptance sheet, with lines to sign"),
            ("renewal", "Renewal sheet"),
        ):
            more = {"month": month} if what == "statement" else {}
            forms = _forms(what, handoff.name, **more)
            yield Line(title=f"Handoff {handoff.name}", says=says, forms=forms)


def _of_shows(found: Findings) -> Iterator[Line]:
    """The day sheet of each plan's next show, and the report of its last one."""
    where, within_s = zone(found.site.timezone), show_reports.WITHIN_S
    for plan in found.site.plans:
        title = f"{plan.title} on {plan.handoff}"
        yield Line(title=title, says="Day sheet of the next show", forms=_forms("day-sheet", plan.name))
        last = hours.last_show(plan.times, where, now_unix_ns=found.now_ns, within_s=within_s)
        if last is not None:
            began = moment(last.start_unix_ns, where, form="%a %d %b, %H:%M").text
            yield Line(title=title, says=f"Show report of {began}", forms=_forms("show-report", plan.name))


def _of_uploads(found: Findings) -> Iterator[Line]:
    where = zone(found.site.timezone)
    for one in reversed(found.receipts):
        when = moment(one.ended_unix_ns, where, form="%a %d %b %Y, %H:%M").text
        yield Line(
            title=one.to,
            says=f"Upload receipt, {text_uploads.sizes(one.size_bytes)}, {when}",
            forms=_forms("receipt", str(one.started_unix_ns)),
        )


def _forms(what: str, name: str, **more: str) -> tuple[Form, ...]:
    return tuple(Form(text=text, url=draft_url(what, name, form, **more)) for form, text in _FORMS)


def _state(job: Job) -> str:
    if job.trouble:
        return "failed"
    return "made" if job.made is not None else "under way"


def _job(job: Job) -> Entry:
    asked = job.asked
    said = f"Handoff {asked.handoff.name}, {asked.first} to {asked.last}"
    if job.trouble:
        return Entry(mark=Mark(word="Not made", look="bad"), moment=None, text=f"{said}: {job.trouble}.")
    if job.made is None or job.checked is None:
        return Entry(
            mark=Mark(word="Under way", look="unsure"),
            moment=None,
            text=f"{said}: being made, which takes a minute or some.",
        )
    more = [f"Key {job.checked.fingerprint}."]
    more += [job.kept] if job.kept else []
    more += [f"No PDF: {job.made.no_pdf}."] if job.made.no_pdf else []
    out = job.made.objections.count("ruled out")
    if job.checked.verified:
        text = f"{said}: made and checked, {counted(job.checked.files, 'file')}, none wrong. "
        text += f"Of the twenty objections the record rules out {out}; read the others before you send it."
        return Entry(mark=Mark(word="Verified", look="firm"), moment=None, text=text, more=tuple(more))
    why = job.checked.findings[0].why
    return Entry(mark=Mark(word="Not verified", look="bad"), moment=None, text=f"{said}: {why}.")
