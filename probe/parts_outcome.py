"""What several paced runs found together, as one record: size sweeps and steps. Pure.

Imports store, layer_fit and paced_outcome.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import fmean, stdev

from probe import layer_fit, paced_outcome
from probe.bulk.pacer import packet_bytes
from probe.layer_fit import Passed
from store.paced import PacedPart, PacedRun
from store.records import REASONS, Direction, Limit
from store.sizes import Size, SizesRun
from store.steps import Step, StepsRun

LIMIT_LOSS = 0.05
"""Less is no sign of a limit: losses at random take the same share of each size, as a limit would that counts
IP a little below what was offered. Common practice, no source."""

_HELD_BACK = ("port_limit", "probe_limit", "endpoint_limit")


def part(run: PacedRun) -> PacedPart:
    """A paced run without its bins."""
    bases_us = [each.base_us for each in run.bins if each.base_us is not None]
    return PacedPart(
        direction=run.direction,
        started_unix_ns=run.started_unix_ns,
        payload_bytes=run.payload_bytes,
        offered_bps=run.offered_bps,
        sent_bps=run.sent_bps,
        rates=run.rates,
        error_ratio=_error_ratio(run),
        sent=run.sent,
        received=run.received,
        lost=run.lost,
        loss_ratio=run.loss_ratio,
        reordered=run.reordered,
        unsent=run.unsent,
        dropped_socket=run.dropped_socket,
        queue_us=max(bases_us, default=0),
        pdv_us=run.pdv_us.delays(),
        limited_by=run.limited_by,
        reasons=run.reasons,
    )


def sizes(runs: Sequence[tuple[int, PacedRun]], *, broken: bool, names: Mapping[str, str]) -> SizesRun:
    """The record of one size or more, each a run with its frame size; `broken` when one more failed."""
    first = runs[0][1]
    shown = [Size(frame_bytes=frame, used=_shows_limit(run), part=part(run)) for frame, run in runs]
    found = layer_fit.fit([_passed(one, first.ip_version) for one in shown if one.used])
    counted, because = layer_fit.counted(found, ip_version=first.ip_version)
    return SizesRun(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=first.started_unix_ns,
        reasons=_reasons((run for _, run in runs), broken=broken, held_back=found is None),
        direction=first.direction,
        seconds=first.seconds,
        ip_version=first.ip_version,
        offered_bps=first.offered_bps,
        counted=counted,
        because=because,
        overhead_bytes=None if found is None else round(found.overhead_bytes, 2),
        bound_bytes=None if found is None else round(found.bound_bytes, 2),
        limit_bps=None if found is None else found.limit_bps,
        sizes=tuple(shown),
        spent_bytes=sum(run.spent_bytes for _, run in runs),
        circumstances=runs[-1][1].circumstances,
    )


def steps(
    runs: Sequence[tuple[int, PacedRun]],
    *,
    direction: Direction,
    stated_bps: int,
    broken: bool,
    names: Mapping[str, str],
) -> StepsRun:
    """The record of one step or more, each a run with its share in per cent."""
    first = runs[0][1]
    return StepsRun(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=first.started_unix_ns,
        reasons=_reasons((run for _, run in runs), broken=broken, held_back=True),
        direction=direction,
        seconds=first.seconds,
        ip_version=first.ip_version,
        payload_bytes=first.payload_bytes,
        stated_bps=stated_bps,
        first_lost_up=_first_lost(runs, Direction.UP),
        first_lost_down=_first_lost(runs, Direction.DOWN),
        steps=tuple(Step(percent=percent, part=part(run)) for percent, run in runs),
        spent_bytes=sum(run.spent_bytes for _, run in runs),
        circumstances=runs[-1][1].circumstances,
    )


def _first_lost(runs: Sequence[tuple[int, PacedRun]], direction: Direction) -> int | None:
    """The lowest share at which the way itself lost packets."""
    lost = [
        percent
        for percent, run in runs
        if run.direction is direction and run.lost and run.limited_by is Limit.PATH
    ]
    return min(lost, default=None)


def _shows_limit(run: PacedRun) -> bool:
    return run.limited_by is Limit.PATH and run.loss_ratio >= LIMIT_LOSS


def _passed(size: Size, ip_version: int) -> Passed:
    ip_bytes = packet_bytes(size.part.payload_bytes, ip_version)
    return Passed(
        ip_bytes=ip_bytes,
        per_second=size.part.rates.ip_bps / 8 / ip_bytes,
        error_ratio=size.part.error_ratio,
    )


def _error_ratio(run: PacedRun) -> float:
    """The standard error of the steady rate over it, by the scatter of its bins; 0 for fewer than two."""
    first, after = paced_outcome.steady_window(len(run.bins))
    counts = [each.bytes for each in run.bins[first:after]]
    if len(counts) < 2 or not any(counts):
        return 0.0
    return float(round(stdev(counts) / fmean(counts) / len(counts) ** 0.5, 6))


def _reasons(runs: Iterable[PacedRun], *, broken: bool, held_back: bool) -> tuple[str, ...]:
    """Those of all runs in the order of `REASONS`; what held a single one back only if that counts."""
    found = {reason for run in runs for reason in run.reasons}
    if broken:
        found.add("aborted")
    if not held_back:
        found -= set(_HELD_BACK)
    return tuple(reason for reason in REASONS if reason in found)
