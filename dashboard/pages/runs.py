"""Rate runs as both pages show them: a table with every layer named, and the rules that left runs out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Any

from dashboard.judge import evidence
from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded
from dashboard.pages.wording import LAYERS, counted, grouped, mbps, moment, ms, path, percent
from store import jsonform
from store.corrections import Corrections
from store.layers import Layer
from store.records import REASONS, Direction, RateRun, RateSide


def table(runs: Sequence[RateRun], shown: Recorded, *, caption: str) -> Table:
    """Runs given oldest first, a row for each direction."""
    return shown.table(
        runs,
        lambda run: [_row(run, direction, side, shown.where) for direction, side in run.sides().items()],
        caption=caption,
        headings=(
            Heading(text="Started"),
            Heading(text="Handoff – endpoint"),
            Heading(text="Direction"),
            number("Payload", "Mb/s"),
            number("IP layer", "Mb/s"),
            number("Layer 2", "Mb/s"),
            number("Lowest second", "Mb/s payload"),
            number("Sent again", "of bytes"),
            number("RTT idle", "p50, ms"),
            number("RTT loaded", "p95, ms"),
            Heading(text="Limited by"),
            Heading(text="Standing", kind="prose"),
        ),
    )


def _row(run: RateRun, direction: Direction, side: RateSide, where: tzinfo) -> tuple[Cell, ...]:
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        _direction(run, direction),
        mbps(side.rates.goodput_bps),
        mbps(side.rates.ip_bps),
        mbps(side.rates.ethernet_bps),
        mbps(side.lowest_second_bps),
        percent(side.retransmitted_ratio),
        ms(run.rtt_idle_us.p50 if run.rtt_idle_us else None),
        ms(run.rtt_loaded_us.p95 if run.rtt_loaded_us else None),
        str(side.limited_by),
        standing(run),
    )


def _direction(run: RateRun, direction: Direction) -> str:
    """With what it shared the line with, and what it asked for at most if it is a light run."""
    at_most_bps = run.at_most_goodput_bps(direction)
    light = "" if at_most_bps is None else f", light: at most {mbps(at_most_bps)}"
    return f"{direction}{', both at once' if run.direction is Direction.BOTH else ''}{light}"


def standing(run: RateRun) -> str:
    """The standing with its reasons in words; just ``valid`` when none is against it, ``valid, light``."""
    what, found = f"{run.standing}, light" if run.light else str(run.standing), why(run)
    return f"{what}: {found}" if found else what


def why(run: RateRun) -> str:
    """What is against a run, in words; empty when nothing is. What light means stands in the ledger."""
    noted = (evidence.NOTED_ONLY, evidence.LIGHT)
    return "; ".join(REASONS[reason][1] for reason in run.reasons if reason not in noted)


def message(runs: Sequence[RateRun], direction: Direction, *, layer: Layer, period: str) -> str:
    """What the runs of a period carried in one direction at `layer`, in a sentence."""
    values = sorted(side.rates.at(layer) for _, side in evidence.counted(runs, direction)[0])
    if not values:
        return f"No run {direction} of {period} counts."
    what = "payload" if layer is Layer.PAYLOAD else f"rate at {LAYERS[layer]}"
    median = values[(len(values) - 1) // 2]
    return (
        f"{counted(len(values), 'valid run')} {direction} in {period} carried {mbps(median)} Mb/s of {what} "
        f"at the median, from {mbps(values[0])} to {mbps(values[-1])}."
    )


def as_json(run: RateRun, corrections: Corrections) -> dict[str, Any]:
    """The run as a program reads it, without its 100 ms bins: `linebook run rate --json` has those."""
    found = jsonform.as_json(run)
    for side in (found, found.get("up"), found.get("down")):
        if side:
            side.pop("bins", None)
    return found | {"corrected": jsonform.corrected_json(corrections.of(run))}


def left_out(runs: Iterable[RateRun]) -> Counter[str]:
    """How many runs each rule left out; a run with two reasons counts under both."""
    return Counter(reason for run in runs for reason in evidence.why_left_out(run))


def ledger(runs: Counter[str], spans: Counter[str], *, caption: str) -> Table | None:
    """The exclusions ledger: which rule left out how many records; None when none did."""
    if not runs and not spans:
        return None
    return Table(
        caption=caption,
        headings=(
            Heading(text="Rule", kind="prose"),
            Heading(text="Standing it brings"),
            number("Runs"),
            number("Train spans"),
        ),
        rows=tuple(
            cells(REASONS[reason][1], str(REASONS[reason][0]), grouped(runs[reason]), grouped(spans[reason]))
            for reason in sorted(runs | spans)
        ),
    )
