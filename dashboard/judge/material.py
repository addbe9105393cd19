"""What the detectors of signatures look at: one handoff's record over a time, cut to what they need.

`Cell` is a span of a train in counts and percentiles, whether it was a minute or an hour of them; `Material`
holds everything, sorted, with the questions that several detectors ask of it. A `Mark` is a line of the
house's own list: when the kiln, the lift or a backup was on. Pure. Imports store and evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from functools import cached_property
from typing import TypeVar

from dashboard.judge import evidence
from store.clock import NS_PER_S, local
from store.histogram import Delays, Histogram
from store.light import Light
from store.records import (
    Direction,
    Document,
    Failed,
    Gap,
    RateRun,
    RateSide,
    Skipped,
    Stall,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)
from store.rollup import Rolled, speaks
from store.site import EVENINGS, Handoff, Times

D = TypeVar("D", bound=Document)
_QUARTER_NS = 900 * NS_PER_S
Hot = Callable[[int], bool]  # does the trouble show at this instant?


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A time on the house's own list."""

    name: str
    started_unix_ns: int
    ended_unix_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Some time of one train: what was sent, lost and reordered; delays are None where none came back."""

    endpoint: str
    started_unix_ns: int
    ended_unix_ns: int
    sent: int
    received: int
    lost: int
    reordered: int
    rtt: Delays | None
    pdv_up: Delays | None
    pdv_down: Delays | None

    @property
    def seconds(self) -> float:
        return (self.ended_unix_ns - self.started_unix_ns) / NS_PER_S


@dataclass(frozen=True, kw_only=True)
class Material:
    """One handoff from `since_ns` to `until_ns`.

    `outside` and `house` are names of endpoints, `reflectors` those of `outside` that stand in the provider's
    own network. `others` are rate runs of the site's other handoffs, `first_light` the first readings of the
    optic that there ever were, empty where they are among the documents. Whatever needs a run's 100 ms bins
    finds nothing where they were not read.
    """

    handoff: Handoff
    zone: tzinfo
    since_ns: int
    until_ns: int
    outside: tuple[str, ...] = ()
    house: tuple[str, ...] = ()
    reflectors: tuple[str, ...] = ()
    busy: Times = EVENINGS
    keyframes_s: tuple[float, ...] = (2.0,)
    runs: tuple[RateRun, ...] = ()
    others: tuple[RateRun, ...] = ()
    cells: tuple[Cell, ...] = ()
    stalls: tuple[Stall, ...] = ()
    troubles: tuple[Failed | Skipped | Gap, ...] = ()
    documents: tuple[Document, ...] = ()
    windows: tuple[WindowOpened | WindowClosed, ...] = ()
    marks: tuple[Mark, ...] = ()
    first_light: tuple[Light, ...] = ()

    def sides(self, direction: Direction) -> list[tuple[RateRun, RateSide]]:
        """The runs that may speak of the line, with their side, oldest first; not those to a reflector."""
        return [one for one in self._sides[direction] if one[0].endpoint in self.outside]

    def of(self, kind: type[D]) -> list[D]:
        """Documents of a kind, oldest first."""
        found = [one for one in self.documents if isinstance(one, kind)]
        return sorted(found, key=lambda one: one.started_unix_ns)

    def cells_of(self, endpoint: str) -> Sequence[Cell]:
        """One train's cells, oldest first."""
        return self._cells.get(endpoint, ())

    def day(self, unix_ns: int) -> date:
        return self._quarter(unix_ns)[0]

    def minute(self, unix_ns: int) -> int:
        """Minute of the local day."""
        return self._quarter(unix_ns)[1] + unix_ns % _QUARTER_NS // (60 * NS_PER_S)

    def hour(self, unix_ns: int) -> int:
        """Hour of the local day."""
        return self._quarter(unix_ns)[1] // 60

    def is_busy(self, unix_ns: int) -> bool:
        """Whether an instant lies in the site's busy hours, by weekday and clock."""
        if self.busy.weekdays and self.day(unix_ns).weekday() not in self.busy.weekdays:
            return False
        minute = self.minute(unix_ns)
        from_, to = self.busy.from_minute, self.busy.to_minute
        return from_ <= minute < to if from_ < to else minute >= from_ or minute < to

    def _quarter(self, unix_ns: int) -> tuple[date, int]:
        """The local day, and the minute of it, with which the quarter of an hour begins that it lies in.

        Zones are quarters apart and change on them; a detector asks for some hundred thousand instants.
        """
        known = self._quarters
        found = known.get(unix_ns // _QUARTER_NS)
        if found is None:
            moment = local(unix_ns - unix_ns % _QUARTER_NS, self.zone)
            found = known[unix_ns // _QUARTER_NS] = moment.date(), moment.hour * 60 + moment.minute
        return found

    @cached_property
    def _quarters(self) -> dict[int, tuple[date, int]]:
        return {}

    @cached_property
    def _cells(self) -> Mapping[str, tuple[Cell, ...]]:
        found: dict[str, list[Cell]] = {}
        for cell in self.cells:
            found.setdefault(cell.endpoint, []).append(cell)
        return {name: tuple(sorted(of, key=lambda one: one.started_unix_ns)) for name, of in found.items()}

    @cached_property
    def _sides(self) -> Mapping[Direction, list[tuple[RateRun, RateSide]]]:
        return {way: evidence.counted(self.runs, way)[0] for way in (Direction.UP, Direction.DOWN)}


def cells_of(spans: Iterable[TrainSpan | Rolled]) -> Iterator[Cell]:
    """Spans and their sums as cells; spans that may not speak are left out."""
    known: dict[int, tuple[Histogram, Delays | None]] = {}

    def delays(histogram: Histogram) -> Delays | None:
        found = known.get(id(histogram))
        if found is None:  # the histogram is kept beside, so that its id stays its own
            found = known[id(histogram)] = (histogram, histogram.delays())
        return found[1]

    for span in spans:
        if isinstance(span, Rolled):
            if span.spans:
                yield _cell(span, span.ended_unix_ns, *(span.delays[name] for name in _DELAYS))
        elif speaks(span):
            one_way = span.pdv_up.count and not span.reasons
            yield _cell(
                span,
                span.started_unix_ns + round(span.seconds * NS_PER_S),
                delays(span.rtt),
                delays(span.pdv_up) if one_way else None,
                delays(span.pdv_down) if one_way else None,
            )


_DELAYS = ("rtt", "pdv_up", "pdv_down")


def _cell(
    span: TrainSpan | Rolled,
    ended_ns: int,
    rtt: Delays | None,
    pdv_up: Delays | None,
    pdv_down: Delays | None,
) -> Cell:
    return Cell(
        endpoint=span.endpoint,
        started_unix_ns=span.started_unix_ns,
        ended_unix_ns=ended_ns,
        sent=span.sent,
        received=span.received,
        lost=span.lost_up + span.lost_down + span.lost_unattributed,
        reordered=span.reordered_up + span.reordered_down,
        rtt=rtt,
        pdv_up=pdv_up,
        pdv_down=pdv_down,
    )
