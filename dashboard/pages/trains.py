"""Trains as both pages show them: sentences, tables, charts and JSON of what one train said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from dashboard.figures.pooling import DAY_S, Piece, Stretch, edges, piece, pieces, pieces_of_sums
from dashboard.judge.delay import Loss, TrainSummary, summary_of_sums
from dashboard.pages import corrected
from dashboard.pages.ledger import Cell, Chart, Heading, Table, cells, number
from dashboard.pages.wording import DASH, Moment, counted, grouped, moment, ms, percent
from store.cells import Length
from store.clock import NS_PER_S, rfc3339
from store.corrections import Corrected
from store.jsonform import corrected_json, delays_json
from store.reader import Reader
from store.records import REASONS, Stall, Standing, TrainSpan
from store.rollup import Rolled
from store.site import Site, Where

MOST_SPANS_S = 3_600  # a longer period is read from sums of its spans
HALF_DAY_NS = 12 * 3600 * NS_PER_S  # a day with a clock change in it is no 24 hours long

# (up to so many seconds, length of a chart's piece, of a table's row): about a hundred and a dozen
STEPS = (
    (600, 10, 60),
    (3_600, 60, 600),
    (DAY_S, 600, 7_200),
    (7 * DAY_S, 3_600, DAY_S),
    (31 * DAY_S, 21_600, DAY_S),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """The train to one endpoint over a period, cut finely for charts and coarsely for tables.

    `left_out` counts its spans that are not valid, by reason.
    """

    endpoint: str
    where: Where
    per_second: float
    zone: tzinfo
    drawn: tuple[Piece, ...]
    listed: tuple[Piece, ...]
    whole: Piece
    left_out: Counter[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainPart:
    """What a page says of one train."""

    id: str
    title: str
    loss: str
    chart: Chart
    delays: Table
    losses: Table


def cut(
    endpoint: str, spans: Sequence[TrainSpan], stalls: Sequence[Stall], *, site: Site, stretch: Stretch
) -> Train:
    """The train of these spans, at least one, and stalls; all of them one handoff's to `endpoint`."""

    def at(step_s: int) -> tuple[Piece, ...]:
        return pieces(edges(stretch, step_s=step_s), spans=spans, stalls=stalls)

    drawn_s, listed_s = _steps(stretch, spans[-1].seconds)
    return Train(
        endpoint=endpoint,
        where=_where(site, endpoint),
        per_second=spans[-1].per_second,
        zone=stretch.zone,
        drawn=at(drawn_s),
        listed=at(listed_s),
        whole=piece(stretch.from_ns, stretch.to_ns, spans=spans, stalls=stalls),
        left_out=Counter(
            reason for one in spans if one.standing is not Standing.VALID for reason in one.reasons
        ),
    )


def read(reader: Reader, handoff: str, endpoint: str, *, site: Site, stretch: Stretch) -> Train | None:
    """The train over a period, from its spans for an hour and from sums of them beyond; None without any."""
    where: dict[str, Any] = {"handoff": handoff, "endpoint": endpoint}
    if stretch.seconds <= MOST_SPANS_S:
        spans = reader.train_spans(**where, since_ns=stretch.from_ns, until_ns=stretch.to_ns)
        stalls = reader.stalls(**where, since_ns=stretch.from_ns, until_ns=stretch.to_ns)
        return cut(endpoint, spans, stalls, site=site, stretch=stretch) if spans else None
    newest = reader.train_spans(
        **where, since_ns=stretch.from_ns, until_ns=stretch.to_ns, limit=1, histograms=False
    )
    if not newest:
        return None
    drawn_s, listed_s = _steps(stretch, newest[0].seconds)

    def sums(step_s: int, *, pooled: bool) -> list[Rolled]:
        longest = max((one for one in Length if one.seconds <= step_s), key=lambda one: one.seconds)
        return reader.train_sums(
            **where, since_ns=stretch.from_ns, until_ns=stretch.to_ns, longest=longest, pooled=pooled
        )

    drawn, listed = sums(drawn_s, pooled=False), sums(listed_s, pooled=True)  # a piece drawn is one cell
    left_out: Counter[str] = Counter()
    for one in listed:
        left_out.update({reason: left.spans for reason, left in one.excluded.items()})
    return Train(
        endpoint=endpoint,
        where=_where(site, endpoint),
        per_second=newest[0].per_second,
        zone=stretch.zone,
        drawn=pieces_of_sums(edges(stretch, step_s=drawn_s), drawn),
        listed=pieces_of_sums(edges(stretch, step_s=listed_s), listed),
        whole=Piece(start_ns=stretch.from_ns, end_ns=stretch.to_ns, train=summary_of_sums(listed)),
        left_out=left_out,
    )


def _where(site: Site, endpoint: str) -> Where:
    return {one.name: one.where for one in site.endpoints}.get(endpoint, Where.OUTSIDE)


def _steps(stretch: Stretch, span_s: float) -> tuple[int, int]:
    """How long a chart's piece and a table's row are; no shorter than the train's spans."""
    for most_s, drawn_s, listed_s in STEPS:
        if stretch.seconds <= most_s and drawn_s >= span_s:
            return drawn_s, listed_s
    return STEPS[-1][1:]


def part(train: Train, *, id: str, period: str, url: str, minutes: Sequence[Corrected]) -> TrainPart:
    """The train as the page says it, under the name `id`; `minutes` are those that have been corrected."""
    side = "in the house" if train.where is Where.HOUSE else "outside"
    return TrainPart(
        id=id,
        title=f"Train to {train.endpoint} ({side}, {train.per_second:g} packets a second)",
        loss=_loss_message(train.whole.train),
        chart=Chart(
            url=url,
            message=_delay_message(train.whole.train),
            key="Above, ms: RTT is the round trip, PDV one-way delay over its own minimum. Below, per cent "
            "of the packets sent: filled triangles were lost; open ones were held, which is late and in a "
            "bunch. Triangles point the way the packets went. A line breaks where nothing was measured.",
            tall=True,
        ),
        delays=_delay_table(train, period),
        losses=_loss_table(train, period, minutes),
    )


def _delay_message(said: TrainSummary) -> str:
    if said.rtt is None:
        return "No round trip was measured."
    up, down = (ms(one.p99 if one else None) for one in (said.pdv_up, said.pdv_down))
    return (
        f"The round trip took {ms(said.rtt.p50)} ms at the median and {ms(said.rtt.p95)} ms at p95, over "
        f"{counted(said.rtt.count, 'packet')}; delay variation (PDV, p99) was {up} ms up and {down} ms down."
    )


def _loss_message(said: TrainSummary) -> str:
    if not said.sent:
        return "No packet was sent."
    unknown = said.loss_unattributed.lost
    no_way = f", {grouped(unknown)} in a direction that is not known" if unknown else ""
    return (
        f"Of {counted(said.sent, 'packet')}, {lost(said.loss_up)} were lost on the way up and "
        f"{lost(said.loss_down)} on the way down{no_way}; {grouped(said.held_up)} were held up and "
        f"{grouped(said.held_down)} down."
    )


def lost(loss: Loss) -> str:
    """A count with its share."""
    return DASH if loss.ratio is None else f"{grouped(loss.lost)} ({percent(loss.ratio)})"


def _delay_table(train: Train, period: str) -> Table:
    return Table(
        caption=f"Delay to {train.endpoint}, {period}, newest first",
        headings=(
            Heading(text="From"),
            number("Packets"),
            *(number(f"RTT {name}", "ms") for name in ("min", "p50", "p95", "p99", "max")),
            number("PDV up p99", "ms"),
            number("PDV down p99", "ms"),
        ),
        rows=tuple(_delay_row(one, train.zone) for one in reversed(train.listed)),
        note=_left_out(train),
    )


def _delay_row(one: Piece, where: tzinfo) -> tuple[Cell, ...]:
    said = one.train
    figures = (
        (said.rtt.min, said.rtt.p50, said.rtt.p95, said.rtt.p99, said.rtt.max) if said.rtt else (None,) * 5
    )
    return cells(
        _from(one, where),
        grouped(said.rtt.count) if said.rtt else "not measured",
        *(ms(figure) for figure in figures),
        *(ms(pdv.p99 if pdv else None) for pdv in (said.pdv_up, said.pdv_down)),
    )


def _from(one: Piece, where: tzinfo) -> Moment:
    """When a piece begins; a whole day needs no time of day."""
    day = one.end_ns - one.start_ns > HALF_DAY_NS
    return moment(one.start_ns, where, form="%a %d %b" if day else "%a %d %b %H:%M")


def _loss_table(train: Train, period: str, minutes: Sequence[Corrected]) -> Table:
    return Table(
        caption=f"Loss to {train.endpoint}, {period}, newest first",
        headings=(
            Heading(text="From"),
            number("Sent"),
            number("Lost up"),
            number("Lost down"),
            number("Lost, way unknown"),
            number("Held up"),
            number("Held down"),
            number("Reordered"),
            number("Duplicated"),
            number("Stalls"),
        ),
        rows=tuple(_loss_row(one, train.zone) for one in reversed(train.listed)),
        note=" ".join(filter(None, (_left_out(train), corrected.behind(len(minutes), "this train")))),
        corrections=corrected.notes(minutes, train.zone),
    )


def _loss_row(one: Piece, where: tzinfo) -> tuple[Cell, ...]:
    figures = _counts(one.train).values()
    return cells(
        _from(one, where),
        grouped(one.train.sent) if one.measured else "not measured",
        *(grouped(figure) if one.measured else DASH for figure in figures),
    )


def _counts(said: TrainSummary) -> dict[str, int]:
    return {
        "lost_up": said.loss_up.lost,
        "lost_down": said.loss_down.lost,
        "lost_unattributed": said.loss_unattributed.lost,
        "held_up": said.held_up,
        "held_down": said.held_down,
        "reordered": said.reordered,
        "duplicated": said.duplicated,
        "stalls": said.stalls.count,
    }


def _left_out(train: Train) -> str:
    if not train.left_out:
        return ""
    why = "; ".join(f"{REASONS[reason][1]} ({grouped(n)})" for reason, n in sorted(train.left_out.items()))
    return f"Spans left out by rule: {why}."


def as_json(train: Train, minutes: Sequence[Corrected]) -> dict[str, Any]:
    """The train with its listed pieces and its corrected minutes, as a program reads it."""
    return {
        "endpoint": train.endpoint,
        "where": str(train.where),
        "per_second": train.per_second,
        "excluded": dict(train.left_out),
        "pieces": [piece_json(one) for one in train.listed],
        "corrected": [
            {"started": rfc3339(one.record.started_unix_ns), **each}
            for one in minutes
            if isinstance(one.record, TrainSpan)
            for each in corrected_json(one)
        ],
    }


def piece_json(one: Piece) -> dict[str, Any]:
    """A piece of time; every figure is null where nothing was measured."""
    said = one.train
    counts = {"sent": said.sent, "received": said.received, **_counts(said)}
    return {
        "from": rfc3339(one.start_ns),
        "to": rfc3339(one.end_ns),
        "seconds": said.seconds,
        **{name: count if one.measured else None for name, count in counts.items()},
        "rtt_us": delays_json(said.rtt),
        "pdv_up_us": delays_json(said.pdv_up),
        "pdv_down_us": delays_json(said.pdv_down),
    }
