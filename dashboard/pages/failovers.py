"""Failover exercises on the Circuit page of both uplinks: the newest, whatever the period.

Reads with a `Reader`, so it runs in that reader's thread. Imports text_failover for its sentence,
pages.ledger and store.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any

from dashboard import text_failover
from dashboard.pages import corrected
from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.wording import DASH, moment, path
from store import jsonform
from store.corrections import Corrections
from store.failovers import Failover
from store.reader import Reader
from store.records import REASONS

MOST = 5  # of each role that a page shows


def read(reader: Reader, handoff: str) -> tuple[Failover, ...]:
    """The newest exercises in which a handoff was the main uplink or the one to take over, oldest first."""
    as_main = [one for one in reader.documents(Failover, handoff=handoff, limit=MOST) if one.handoff]
    as_backup = reader.documents(Failover, having=("backup", (handoff,)), limit=MOST)
    return tuple(sorted((*as_main, *as_backup), key=lambda one: one.started_unix_ns))


def table(found: Sequence[Failover], *, where: tzinfo, corrections: Corrections) -> Table | None:
    """A row for each, newest first; None for none."""
    if not found:
        return None
    shown = found[::-1]
    return Table(
        caption="Failover exercises, the newest first, of any time",
        headings=(
            Heading(text="Started"),
            Heading(text="From, to"),
            Heading(text="Failure"),
            number("Nothing for", "s"),
            number("Missing", "packets"),
            number("From failure to first reply", "s"),
            number("Missing on return", "packets"),
            Heading(text="Because", kind="sentence"),
        ),
        rows=tuple(corrected.marked(_row(one, where), corrections.of(one)) for one in shown),
        note="Nothing for: from the last reply to traffic that goes by the routes to the first again. "
        "Made by linebook failover while somebody broke the main uplink; without a recent row, nobody "
        "has tried it.",
        corrections=corrected.notes(corrections.among(shown), where),
    )


def as_json(found: Sequence[Failover], corrections: Corrections) -> list[dict[str, Any]]:
    """Each as the record has it."""
    return [
        jsonform.as_json(one) | {"corrected": jsonform.corrected_json(corrections.of(one))} for one in found
    ]


def _row(one: Failover, where: tzinfo) -> tuple[Cell, ...]:
    return cells(
        moment(one.started_unix_ns, where, form="%a %d %b %Y %H:%M"),
        path(one.handoff, one.backup),
        str(one.failure),
        _s(one.without_ms),
        DASH if one.lost_switching is None else str(one.lost_switching),
        _s(one.moving_ms),
        DASH if one.lost_returning is None else str(one.lost_returning),
        " ".join(_sentences(one)),
    )


def _sentences(one: Failover) -> Iterator[str]:
    yield text_failover.outcome(one)
    yield one.because
    if one.reasons:
        yield f"{one.standing}: {'; '.join(REASONS[reason][1] for reason in one.reasons)}."


def _s(ms: int | None) -> str:
    return DASH if ms is None else f"{ms / 1000:.2f}"
