"""Loaded-delay runs as the Circuit page shows them: a row for each load, idle and loaded in columns apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any

from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded, standing
from dashboard.pages.wording import DASH, grouped, mbps, moment, ms, path
from store import jsonform
from store.corrections import Corrections
from store.histogram import Delays
from store.loaded_delay import Added, Foreign, LoadedDelayRun, UnderLoad
from store.records import Direction


def table(runs: Sequence[LoadedDelayRun], shown: Recorded, *, caption: str) -> Table | None:
    """Runs given oldest first, a row for each load; None when there is none."""
    if not runs:
        return None
    return shown.table(
        runs,
        lambda run: _rows(run, shown.where),
        caption=caption,
        headings=(
            Heading(text="Started"),
            Heading(text="Handoff – endpoint"),
            Heading(text="Load"),
            number("Payload", "Mb/s"),
            number("RTT idle", "p50 / p95, ms"),
            number("RTT loaded", "p50 / p95, ms"),
            number("Added up", "p50 / p95, ms"),
            number("Added down", "p50 / p95, ms"),
            number("Buffer delay", "%"),
            number("Gone after", "ms"),
            number("Foreign idle", "per minute"),
            number("Foreign loaded", "per minute"),
            Heading(text="Standing", kind="prose"),
        ),
        note=_note(runs[-1]),
    )


def as_json(run: LoadedDelayRun, corrections: Corrections) -> dict[str, Any]:
    """The run as a program reads it."""
    return jsonform.as_json(run) | {"corrected": jsonform.corrected_json(corrections.of(run))}


def _rows(run: LoadedDelayRun, where: tzinfo) -> Iterator[tuple[Cell, ...]]:
    for load in run.loads:
        yield cells(
            moment(run.started_unix_ns, where),
            path(run.handoff, run.endpoint),
            "both ways at once" if load.direction is Direction.BOTH else str(load.direction),
            _payload(load),
            _pair(run.idle.rtt_us.delays()),
            _pair(load.delay.rtt_us.delays()),
            _added(load.added_up),
            _added(load.added_down),
            DASH if load.buffer_delay_ratio is None else grouped(round(load.buffer_delay_ratio * 100)),
            f"over {load.after_s * 1000:.0f}" if load.back_ms is None else grouped(load.back_ms),
            _round_trips(run.idle.foreign),
            _round_trips(load.delay.foreign),
            standing(run),
        )


def _payload(load: UnderLoad) -> str:
    rates = (load.up_goodput_bps, load.down_goodput_bps)
    return " + ".join(mbps(rate) for rate in rates if rate is not None)


def _pair(delays: Delays | None) -> str:
    return DASH if delays is None else f"{ms(delays.p50)} / {ms(delays.p95)}"


def _added(added: Added | None) -> str:
    return DASH if added is None else f"{ms(added.p50_us)} / {ms(added.p95_us)}"


def _round_trips(foreign: Foreign | None) -> str:
    return DASH if foreign is None else grouped(round(foreign.foreign_rpm))


def _note(run: LoadedDelayRun) -> str:
    return (
        f"Foreign: round trips per minute by {run.responsiveness}. Buffer delay is over the least idle RTT "
        "(RFC 6349 section 4.3)."
    )
