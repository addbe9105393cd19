"""Two short papers: the receipt of an upload, and the sheet to read before a term is renewed.

Imports over_time's and the store's values, their texts, and the paper.
"""

from __future__ import annotations

from datetime import tzinfo

from dashboard import text_over_time
from dashboard.over_time import Renewal
from dashboard.pages.ledger import Heading, Table, cells
from dashboard.pages.wording import DASH, grouped, mbps, span
from dashboard.papers.evidence import written_at
from dashboard.papers.paper import Fact, Paper, Part
from store.receipts import Receipt
from store.site import Site


def receipt(site: Site, found: Receipt, where: tzinfo, *, now_ns: int) -> Paper:
    """What went where, how long it took, and its checksum."""
    facts = (
        ("Receiver", found.to),
        ("Sent by", site.name),
        ("Uplink", f"handoff {found.handoff}" if found.handoff else "not noted"),
        (
            "Size",
            f"{grouped(found.size_bytes)} bytes ({found.size_bytes / 1e9:.3f} GB, "
            f"{found.size_bytes / 2**30:.3f} GiB)",
        ),
        ("Began", written_at(found.started_unix_ns, where)),
        ("Over", written_at(found.ended_unix_ns, where)),
        ("Took", span(found.seconds)),
        ("Payload", f"{mbps(found.goodput_bps)} Mb/s in the mean, pauses included"),
        (
            "Line that day",
            DASH
            if found.line_goodput_bps is None
            else f"{mbps(found.line_goodput_bps)} Mb/s of payload up, median of the valid runs",
        ),
        ("SHA-256", found.sha256 or "not noted"),
    )
    checked = "Whoever has the file can check it: sha256sum FILE." if found.sha256 else ""
    return Paper(
        title="Upload receipt",
        number=found.to,
        lead=(checked,) if checked else (),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=(),
        invented=site.invented,
        written=written_at(now_ns, where),
    )


def _without(name: str, line: str) -> str:
    """The line of a figure without its name, which stands in the cell before it."""
    text = line.strip().removeprefix(f"{name}:").strip()
    return f"{text[:1].upper()}{text[1:]}"


def renewal(site: Site, found: Renewal, where: tzinfo, *, now_ns: int) -> Paper:
    """What a term came to so far, and by when to say what becomes of it."""
    card = found.handoff.card_at(now_ns)
    facts = (
        ("Circuit", f"{card.reference or 'reference not stated'}, handoff {found.handoff.name}"),
        ("Provider", card.provider or "not stated"),
        ("Site", site.name),
    )
    rows = tuple(
        cells(one.name, _without(one.name, one.trend.because), text_over_time.moved(one))
        for one in found.figures
    )
    table = Table(
        caption="Trends and changes, by day, of the last two quarters",
        headings=(
            Heading(text="Figure"),
            Heading(text="Trend", kind="prose"),
            Heading(text="Moved to another level", kind="prose"),
        ),
        rows=rows,
    )
    parts = (
        Part(heading="By when", points=tuple(one.strip() for one in text_over_time.date_lines(found))),
        Part(
            heading="What it came to", points=tuple(one.strip() for one in text_over_time.money_lines(found))
        ),
        Part(
            heading="What was delivered, and whether it moved",
            tables=(table,) if rows else (),
            after=() if rows else ("Too little is on record to say.",),
        ),
        Part(
            heading="To ask before renewing",
            points=(
                "The price for what is delivered now, and for the next term.",
                "What the notes on the card call “not stated”, in writing.",
                "The open defects and tickets, with a date each.",
            ),
        ),
    )
    return Paper(
        title="Renewal sheet",
        number=f"handoff {found.handoff.name}",
        lead=(),
        facts=tuple(Fact(name=name, value=value) for name, value in facts),
        parts=parts,
        invented=site.invented,
        written=written_at(now_ns, where),
    )
