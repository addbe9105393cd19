"""Paced runs as the Circuit page shows them: what was offered, what arrived, what became of the rest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any

from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded, standing
from dashboard.pages.wording import DASH, grouped, mbps, moment, ms, path, percent
from store import jsonform
from store.corrections import Corrections
from store.paced import PacedRun
from store.records import Document, Standing


def table(runs: Sequence[PacedRun], shown: Recorded, *, caption: str) -> Table | None:
    """Runs given oldest first; None when there is none."""
    if not runs:
        return None
    return shown.table(
        runs,
        lambda run: [_row(run, shown.where)],
        caption=caption,
        headings=(
            Heading(text="Started"),
            Heading(text="Handoff – endpoint"),
            Heading(text="Direction"),
            number("Offered", "Mb/s, IP"),
            number("Arrived", "Mb/s, IP"),
            number("Layer 2", "Mb/s"),
            number("Lost", "of packets"),
            number("Reordered"),
            number("Duplicated"),
            number("PDV", "p99, ms"),
            Heading(text="Limited by"),
            Heading(text="Standing", kind="prose"),
        ),
    )


def left_out(runs: Iterable[Document]) -> Counter[str]:
    """How many runs each rule left out; a run with two reasons counts under both."""
    return Counter(reason for run in runs if run.standing is not Standing.VALID for reason in run.reasons)


def as_json(run: PacedRun, corrections: Corrections) -> dict[str, Any]:
    """The run as a program reads it, without its 100 ms bins: `linebook run paced --json` has those."""
    found = jsonform.as_json(run)
    found.pop("bins")
    return found | {"corrected": jsonform.corrected_json(corrections.of(run))}


def _row(run: PacedRun, where: tzinfo) -> tuple[Cell, ...]:
    pdv = run.pdv_us.delays()
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        str(run.direction),
        mbps(run.offered_bps),
        mbps(run.rates.ip_bps),
        mbps(run.rates.ethernet_bps),
        percent(run.loss_ratio),
        grouped(run.reordered),
        grouped(run.duplicated),
        ms(pdv.p99 if pdv else None),
        str(run.limited_by) if run.limited_by else DASH,
        standing(run),
    )
