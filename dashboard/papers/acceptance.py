"""The acceptance sheet of a handoff on paper, with lines to sign for both sides.

Imports acceptance, pages' marks and the paper.
"""

from __future__ import annotations

from datetime import tzinfo

from dashboard.acceptance import Found
from dashboard.judge.acceptance_rows import BY_ID
from dashboard.judge.verdict import Word
from dashboard.pages.contracts import MARKS
from dashboard.pages.ledger import Heading, Mark, Table, cells
from dashboard.pages.wording import DASH, moment
from dashboard.papers.evidence import written_at
from dashboard.papers.paper import Fact, Paper, Part, Signer
from store.acceptance import Decision
from store.site import Site

_NOT_HERE = Mark(word="Does not apply", look="none")


def paper(found: Found, site: Site, where: tzinfo, *, now_ns: int) -> Paper:
    """The sheet as it stands."""
    card, sheet = found.card, found.sheet
    counts = ", ".join(f"{count} {word}" for word, count in sheet.counts.items())
    facts = (
        ("Circuit", f"{card.reference or 'reference not stated'}, handoff {found.handoff.name}"),
        ("Provider", card.provider or "not stated"),
        ("Site", site.name),
        ("Handover", "not stated" if card.handover is None else f"{card.handover:%d %B %Y}"),
        ("Rows that apply", counts),
    )
    parts = (_decision(found, where), _rows(found, where), _defects(found, where), _how(found), _basis())
    return Paper(
        title="Acceptance sheet",
        number=f"handoff {found.handoff.name}",
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=tuple(part for part in parts if part is not None),
        signers=(Signer(whom=f"For {site.name}"), Signer(whom=f"For {card.provider or 'the provider'}")),
        invented=site.invented,
        written=written_at(now_ns, where),
    )


def _decision(found: Found, where: tzinfo) -> Part:
    note, deemed = found.sheet.decision, found.sheet.deemed.because
    boxes = tuple(
        f"{'☒' if note is not None and note.word == str(word) else '☐'} {str(word).capitalize()}"
        for word in Decision
    )
    said = (
        "Nothing is decided yet; no program decides it."
        if note is None
        else f"Decided {written_at(note.started_unix_ns, where)}." + (f" {note.says}" if note.says else "")
    )
    return Part(heading="Decision", sentences=(said,), points=boxes, after=(deemed,))


def _rows(found: Found, where: tzinfo) -> Part:
    rows = tuple(
        cells(
            one.row,
            BY_ID[one.row].what,
            MARKS[one.word] if one.applies else _NOT_HERE,
            one.because + (" Typed in by hand." if one.typed else ""),
            one.limit or DASH,
            one.error or DASH,
            DASH if one.started_unix_ns is None else moment(one.started_unix_ns, where, form="%d %b %H:%M"),
        )
        for one in found.sheet.rows
    )
    table = Table(
        caption="Rows",
        headings=(
            Heading(text="Row"),
            Heading(text="What", kind="prose"),
            Heading(text="Verdict"),
            Heading(text="Found", kind="sentence"),
            Heading(text="Limit", kind="prose"),
            Heading(text="Method error", kind="prose"),
            Heading(text="Record"),
        ),
        rows=rows,
        note="Undecided: tested, and nearer to the limit than the method’s error, shorter than asked, "
        "or with a part missing. It is not met and not missed.",
    )
    return Part(heading="The sheet", tables=(table,))


def _defects(found: Found, where: tzinfo) -> Part:
    rows = tuple(
        cells(
            one.name,
            Mark(word="Mended", look="firm") if one.mended else Mark(word="Open", look="bad"),
            DASH if one.since_unix_ns is None else moment(one.since_unix_ns, where, form="%d %b %Y"),
            str(one.owner),
            one.says,
        )
        for one in found.sheet.defects
    )
    if not rows:
        return Part(heading="Defects", sentences=("None is on record.",))
    table = Table(
        caption="Defects, with who must act by segment",
        headings=(
            Heading(text="Defect"),
            Heading(text="State"),
            Heading(text="Since"),
            Heading(text="Owner"),
            Heading(text="What", kind="sentence"),
        ),
        rows=rows,
    )
    return Part(heading="Defects", tables=(table,))


def _how(found: Found) -> Part:
    tested = [one.row for one in found.sheet.rows if one.applies and one.word is not Word.NOT_TESTED]
    table = Table(
        caption="How the rows that were tested are tested",
        headings=(
            Heading(text="Row"),
            Heading(text="How long", kind="prose"),
            Heading(text="Passes when", kind="sentence"),
            Heading(text="Source", kind="prose"),
        ),
        rows=tuple(
            cells(name, BY_ID[name].how_long, BY_ID[name].passes, BY_ID[name].source) for name in tested
        ),
    )
    return Part(heading="Method", tables=(table,) if tested else ())


def _basis() -> Part:
    return Part(
        heading="What this rests on",
        points=(
            "Rates are measured as payload where they arrive; layer 2 is computed from real packet sizes.",
            "A calibrated instrument with a reflector at the far end is the referee where sides disagree.",
            "What the contract states comes before common practice; the source stands with each row.",
        ),
    )
