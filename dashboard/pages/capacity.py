"""Capacity runs as the Circuit page shows them: the most that arrived in a second, and what that says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded, standing
from dashboard.pages.wording import mbps, moment, path, percent
from store import jsonform
from store.capacity import CapacityRun
from store.corrections import Corrections


def table(runs: Sequence[CapacityRun], shown: Recorded, *, caption: str) -> Table | None:
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
            number("Capacity", "Mb/s, IP"),
            number("Layer 2", "Mb/s"),
            number("On the wire", "Mb/s"),
            number("Lost in that second", "of packets"),
            number("Searched up to", "Mb/s, IP"),
            Heading(text="Limited by"),
            Heading(text="Standing", kind="prose"),
        ),
    )


def as_json(run: CapacityRun, corrections: Corrections) -> dict[str, Any]:
    """The run as a program reads it, without bins and steps: `linebook run capacity --json` has those."""
    found = jsonform.as_json(run)
    for long in ("bins", "steps"):
        found.pop(long)
    return found | {"corrected": jsonform.corrected_json(corrections.of(run))}


def _row(run: CapacityRun, where: tzinfo) -> tuple[Cell, ...]:
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        str(run.direction),
        mbps(run.ip_capacity_bps),
        mbps(run.rates.ethernet_bps),
        mbps(run.rates.wire_bps),
        percent(run.maximum_loss_ratio),
        mbps(run.top_bps),
        str(run.limited_by),
        standing(run),
    )
