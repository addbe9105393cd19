"""Runs that show the shape of a limit, as the Circuit page has them: bursts, size sweeps, steps.

One table a kind, newest first; without a record there is none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, TypeVar

from dashboard.figures.pooling import Stretch
from dashboard.judge import mtu as judge
from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded, standing
from dashboard.pages.wording import DASH, mbps, moment, path
from dashboard.pages.wording import percent as percent_text
from store import jsonform
from store.bursts import BurstRun
from store.corrections import Corrections
from store.path_mtu import PathMtu
from store.quantities import size_text
from store.reader import Reader
from store.records import Direction, Document
from store.sizes import FRAMES_BYTES, SizesRun
from store.steps import PERCENTS, StepsRun

T = TypeVar("T", bound=Document)

_STARTED = (Heading(text="Started"), Heading(text="Handoff – endpoint"), Heading(text="Direction"))
_STANDING = Heading(text="Standing", kind="prose")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shapes:
    """What a handoff has of each kind, oldest first."""

    bursts: tuple[BurstRun, ...]
    sizes: tuple[SizesRun, ...] = ()
    steps: tuple[StepsRun, ...] = ()
    mtus: tuple[PathMtu, ...] = ()
    stated_mtu_bytes: int | None = None  # by the contract card

    @property
    def all(self) -> tuple[Document, ...]:
        return (*self.bursts, *self.sizes, *self.steps, *self.mtus)


def read(reader: Reader, handoff: str, stretch: Stretch, *, stated_mtu_bytes: int | None = None) -> Shapes:
    """Those of a handoff in this time."""
    from_ns, to_ns = stretch.from_ns, stretch.to_ns
    return Shapes(
        bursts=tuple(reader.documents(BurstRun, handoff=handoff, since_ns=from_ns, until_ns=to_ns)),
        sizes=tuple(reader.documents(SizesRun, handoff=handoff, since_ns=from_ns, until_ns=to_ns)),
        steps=tuple(reader.documents(StepsRun, handoff=handoff, since_ns=from_ns, until_ns=to_ns)),
        mtus=tuple(reader.documents(PathMtu, handoff=handoff, since_ns=from_ns, until_ns=to_ns)),
        stated_mtu_bytes=stated_mtu_bytes,
    )


def tables(found: Shapes, shown: Recorded, *, period: str) -> tuple[Table, ...]:
    """A table for each kind of which there is one."""

    def table(
        runs: Sequence[T],
        what: str,
        headings: tuple[Heading, ...],
        row: Callable[[T], tuple[Cell, ...]],
        started: tuple[Heading, ...] = _STARTED,
    ) -> Iterator[Table]:
        if runs:
            yield shown.table(
                runs,
                lambda run: [row(run)],
                caption=f"{what} of {period}, newest first",
                headings=(*started, *headings, _STANDING),
            )

    where, stated = shown.where, found.stated_mtu_bytes
    return (
        *table(found.bursts, "Burst runs", _BURST, lambda run: _burst(run, where)),
        *table(found.sizes, "Size sweeps", _SIZES, lambda run: _sizes(run, where)),
        *table(found.steps, "Step runs", _STEPS, lambda run: _steps(run, where)),
        *table(found.mtus, "Path MTU", _MTU, lambda run: _mtu(run, where, stated), _STARTED[:2]),
    )


def as_json(found: Shapes, corrections: Corrections) -> dict[str, Any]:
    """All of them as a program reads them, by kind."""

    def told(runs: Sequence[Document]) -> list[dict[str, Any]]:
        return [
            jsonform.as_json(run) | {"corrected": jsonform.corrected_json(corrections.of(run))}
            for run in runs
        ]

    verdicts = [judge.verdict(run, found.stated_mtu_bytes) for run in found.mtus]
    mtus = [
        run | {"verdict": str(verdict.word), "because": verdict.because}
        for run, verdict in zip(told(found.mtus), verdicts, strict=True)
    ]
    return {
        "bursts": told(found.bursts),
        "sizes": told(found.sizes),
        "steps": told(found.steps),
        "mtus": mtus,
    }


_BURST = (
    Heading(text="Limiter"),
    number("Committed burst", "IP"),
    number("Give or take", "IP"),
    number("Rate", "Mb/s, IP"),
    number("Bursts arrived at", "Mb/s, IP"),
    Heading(text="Why", kind="sentence"),
)

_MTU = (
    Heading(text="Found", kind="sentence"),
    Heading(text="Against the contract", kind="sentence"),
)


def _mtu(run: PathMtu, where: tzinfo, stated_bytes: int | None) -> tuple[Cell, ...]:
    verdict = judge.verdict(run, stated_bytes)
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        " ".join(f"IPv{one.ip_version}: {judge.said(one)}" for one in run.found),
        f"{verdict.word}. {verdict.because}",
        standing(run),
    )


def _burst(run: BurstRun, where: tzinfo) -> tuple[Cell, ...]:
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        str(run.direction),
        str(run.limiter),
        DASH if run.committed_bytes is None else size_text(run.committed_bytes),
        DASH if run.bound_bytes is None else size_text(run.bound_bytes),
        mbps(run.rate_bps),
        mbps(run.line_bps),
        run.because,
        standing(run),
    )


_SIZES = (
    Heading(text="The limit counts"),
    number("Beside each IP packet", "bytes"),
    number("Give or take", "bytes"),
    number("Limit", "Mb/s, as counted"),
    *(number(f"{frame}", "Mb/s, layer 2") for frame in FRAMES_BYTES),
    Heading(text="Why", kind="sentence"),
)


def _sizes(run: SizesRun, where: tzinfo) -> tuple[Cell, ...]:
    passed = {one.frame_bytes: one.part.rates.ethernet_bps for one in run.sizes}
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        str(run.direction),
        str(run.counted),
        DASH if run.overhead_bytes is None else f"{run.overhead_bytes:.1f}",
        DASH if run.bound_bytes is None else f"{run.bound_bytes:.1f}",
        mbps(run.limit_bps),
        *(mbps(passed.get(frame)) for frame in FRAMES_BYTES),
        run.because,
        standing(run),
    )


_STEPS = (
    number("Stated", "Mb/s, IP"),
    number("First loss up"),
    number("First loss down"),
    *(number(f"{percent} %", "lost") for percent in PERCENTS),
)


def _steps(run: StepsRun, where: tzinfo) -> tuple[Cell, ...]:
    return cells(
        moment(run.started_unix_ns, where),
        path(run.handoff, run.endpoint),
        str(run.direction),
        mbps(run.stated_bps),
        _first(run, Direction.UP, run.first_lost_up),
        _first(run, Direction.DOWN, run.first_lost_down),
        *(_lost(run, percent) for percent in PERCENTS),
        standing(run),
    )


def _first(run: StepsRun, direction: Direction, found: int | None) -> str:
    if not any(one.part.direction is direction for one in run.steps):
        return DASH
    return "none" if found is None else f"{found} %"


def _lost(run: StepsRun, percent: int) -> str:
    """What one step lost, up before down."""
    lost = [percent_text(one.part.loss_ratio) for one in run.steps if one.percent == percent]
    return " / ".join(lost) or DASH
