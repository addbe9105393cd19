"""Uploads: when one is over and when it must start, what each receiver takes, and the receipts of real
ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from multidict import MultiMapping

from dashboard import text_uploads
from dashboard import uploads as plans
from dashboard.api import BadQuery, Json, only
from dashboard.judge.upload import Ceiling
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Heading, Mark, Table, cells, number
from dashboard.pages.wording import DASH, mbps, moment, span
from dashboard.uploads import Asked, Planned
from store import jsonform, quantities
from store.clock import rfc3339, zone
from store.reader import Reader
from store.receipts import Receipt
from store.site import Site

PARAMETERS = ("size", "start", "deadline", "to", "at_most")
MOST_RECEIPTS = 30
_NAME_MAX = 80

KEPT = Mark(word="In time", look="firm")
LATE = Mark(word="Too late", look="bad")
UNKNOWN = Mark(word="Unknown", look="none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What the form asks for, as it was written; `asked` is None where no size is named."""

    written: tuple[tuple[str, str], ...]
    asked: Asked | None

    def of(self, name: str) -> str:
        return dict(self.written).get(name, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known of uploads; receipts oldest first."""

    site: Site
    now_ns: int
    question: Question
    planned: Planned | None
    receipts: tuple[Receipt, ...]
    ceilings: tuple[Ceiling, ...]

    @property
    def zone(self) -> tzinfo:
        return zone(self.site.timezone)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldOf:
    """A field of the form: its name, label, example and what stands in it."""

    name: str
    label: str
    example: str
    value: str
    needed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class UploadsPage:
    """What uploads.html may use, and nothing else."""

    frame: Frame
    form: tuple[FieldOf, ...]
    mark: Mark | None
    sentences: tuple[str, ...]
    uplinks: Table | None
    ceilings: Table | None
    receipts: Table | None


def question_of(query: MultiMapping[str], *, site: Site, now_ns: int) -> Question:
    """What a query asks for. Raises BadQuery that names the parameter."""
    only(query, *PARAMETERS)
    for name in PARAMETERS:
        if len(query.getall(name, [])) > 1:
            raise BadQuery(f"The parameter {name} stands more than once; give it once.")
    written = {name: query.get(name, "").strip() for name in PARAMETERS}
    if len(written["to"]) > _NAME_MAX:
        raise BadQuery(f"The parameter to is longer than {_NAME_MAX} characters.")
    return Question(written=tuple(written.items()), asked=_asked(written, site, now_ns))


def _asked(written: dict[str, str], site: Site, now_ns: int) -> Asked | None:
    if not written["size"]:
        return None
    where = zone(site.timezone)
    start_ns, deadline_ns = now_ns, None
    name = "size"
    try:
        size_bytes = quantities.size_bytes(written["size"])
        name = "at_most"
        cap_bps = quantities.rate_bps(written["at_most"]) if written["at_most"] else None
        name = "start"
        if written["start"]:
            start_ns = plans.moment(written["start"], where, now_ns)
        name = "deadline"
        if written["deadline"]:
            deadline_ns = plans.moment(written["deadline"], where, start_ns)
    except ValueError as error:
        raise BadQuery(f"The parameter {name}: {error}.") from None
    asked = Asked(
        size_bytes=size_bytes,
        start_ns=start_ns,
        deadline_ns=deadline_ns,
        to=written["to"] or None,
        cap_bps=cap_bps,
    )
    if (why := plans.wrong(asked, now_ns)) is not None:
        raise BadQuery(f"The parameter {why[0]} {why[1]}.")
    return asked


def find(reader: Reader, *, site: Site, question: Question, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    asked = question.asked
    return Findings(
        site=site,
        now_ns=now_ns,
        question=question,
        planned=None if asked is None else plans.find(reader, site, asked, now_ns=now_ns),
        receipts=tuple(reader.documents(Receipt, limit=MOST_RECEIPTS)),
        ceilings=plans.ceilings(reader),
    )


# The page


def page(found: Findings, *, frame: Frame) -> UploadsPage:
    """The findings as the page says them."""
    planned = found.planned
    return UploadsPage(
        frame=frame,
        form=_form(found.question),
        mark=None if planned is None else _mark(planned),
        sentences=() if planned is None else tuple(text_uploads.sentences(planned, found.zone)),
        uplinks=None if planned is None else _uplinks(planned, found),
        ceilings=_ceilings(found) if found.ceilings else None,
        receipts=_receipts(found) if found.receipts else None,
    )


def _form(question: Question) -> tuple[FieldOf, ...]:
    labels = (
        ("size", "Size", "64 GB", True),
        ("start", "Start", "23:00", False),
        ("deadline", "Deadline", "2026-03-10 09:00", False),
        ("to", "Receiver", "course-store", False),
        ("at_most", "Takes at most", "250 Mb/s", False),
    )
    return tuple(
        FieldOf(name=name, label=label, example=example, value=question.of(name), needed=needed)
        for name, label, example, needed in labels
    )


def _mark(planned: Planned) -> Mark | None:
    if planned.best is None or planned.best.safe_ns is None:
        return UNKNOWN
    if planned.asked.deadline_ns is None:
        return None
    return KEPT if planned.best.safe_ns <= planned.asked.deadline_ns else LATE


def _uplinks(planned: Planned, found: Findings) -> Table:
    return Table(
        caption="By each uplink, the best first",
        headings=(
            Heading(text="Handoff"),
            Heading(text="Over with 50 %"),
            Heading(text="Over with 90 %"),
            Heading(text="Latest safe start"),
            number("Past days"),
        ),
        rows=tuple(
            cells(
                one.handoff,
                *(
                    DASH if each is None else text_uploads.by(each, found.zone)
                    for each in (one.usual_ns, one.safe_ns)
                ),
                DASH if one.latest_start_ns is None else text_uploads.time(one.latest_start_ns, found.zone),
                str(one.days),
            )
            for one in planned.uplinks
        ),
        note="A past day is 24 hours from the clock time of the start, of the same class of days, with three "
        "valid rate runs up at least. Metered uplinks are left out.",
    )


def _ceilings(found: Findings) -> Table:
    return Table(
        caption="What receivers take, beside what the lines carried",
        headings=(
            Heading(text="Receiver"),
            number("Ceiling", "Mb/s"),
            number("Fastest upload", "Mb/s"),
            number("Uploads"),
            number("Held by it"),
        ),
        rows=tuple(
            cells(one.to, mbps(one.bps), mbps(one.seen_bps), str(one.n), str(one.held))
            for one in found.ceilings
        ),
        note="An upload that got less than 80 % of what its line carried on that day was held by the "
        "receiver, a disk or a single connection; the ceiling is the median of these.",
    )


def _receipts(found: Findings) -> Table:
    return Table(
        caption="Receipts, newest first",
        headings=(
            Heading(text="Over"),
            Heading(text="Receiver"),
            Heading(text="Handoff"),
            number("Size", "GB"),
            number("Size", "GiB"),
            Heading(text="Took"),
            number("Goodput", "Mb/s"),
            number("Line on that day", "Mb/s"),
            Heading(text="SHA-256"),
        ),
        rows=tuple(
            cells(
                moment(one.ended_unix_ns, found.zone, form="%a %d %b %Y %H:%M"),
                one.to,
                one.handoff or DASH,
                f"{one.size_bytes / 1e9:.2f}",
                f"{one.size_bytes / 2**30:.2f}",
                span(one.seconds),
                mbps(one.goodput_bps),
                mbps(one.line_goodput_bps),
                DASH if one.sha256 is None else f"{one.sha256[:12]}…",
            )
            for one in reversed(found.receipts)
        ),
    )


# For programs


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    return {
        "kind": "uploads",
        "schema": jsonform.SCHEMA,
        "written": rfc3339(found.now_ns),
        "site": found.site.name,
        "invented": found.site.invented,
        "plan": None if found.planned is None else text_uploads.plan_json(found.planned),
        "ceilings": [text_uploads.ceiling_json(one) for one in found.ceilings],
        "receipts": [text_uploads.receipt_json(one) for one in found.receipts],
    }
