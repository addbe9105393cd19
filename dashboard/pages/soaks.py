"""Soaks on the Circuit page: what each supports, its delays, and what of its time does not count."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from dashboard.figures.pooling import Stretch
from dashboard.judge import soak as judge
from dashboard.pages.ledger import Cell, Heading, Table, cells, number
from dashboard.pages.recorded import Recorded, standing
from dashboard.pages.wording import DASH, counted, moment, ms, path, span
from store import jsonform
from store.clock import NS_PER_S
from store.corrections import Corrections
from store.histogram import Histogram
from store.reader import Reader
from store.records import REASONS
from store.soaks import SOAK_S, Soak


def read(reader: Reader, handoff: str, stretch: Stretch) -> tuple[Soak, ...]:
    """Those that reach into the time, oldest first: a soak of a day is no less of this hour."""
    since_ns = stretch.from_ns - SOAK_S[1] * NS_PER_S
    found = reader.documents(Soak, handoff=handoff, since_ns=since_ns, until_ns=stretch.to_ns)
    return tuple(one for one in found if one.started_unix_ns + one.seconds * NS_PER_S > stretch.from_ns)


def table(soaks: Sequence[Soak], shown: Recorded, *, caption: str) -> Table | None:
    """Soaks given oldest first; None when there is none."""
    if not soaks:
        return None
    return shown.table(
        soaks,
        lambda soak: [_row(soak, shown.where)],
        caption=caption,
        headings=(
            Heading(text="Started"),
            Heading(text="Handoff – endpoint"),
            Heading(text="Loss", kind="sentence"),
            number("RTT", "p50 / p99, ms"),
            number("PDV up", "p99, ms"),
            number("PDV down", "p99, ms"),
            number("Stalls"),
            Heading(text="Watched", kind="sentence"),
            Heading(text="Standing", kind="sentence"),
        ),
        one="soak",
    )


def as_json(soak: Soak, corrections: Corrections) -> dict[str, Any]:
    """The soak as a program reads it, with its bounds."""
    bounds = judge.as_json(judge.judge(soak))
    return jsonform.as_json(soak) | bounds | {"corrected": jsonform.corrected_json(corrections.of(soak))}


def _row(soak: Soak, where: tzinfo) -> tuple[Cell, ...]:
    rtt = soak.rtt_us.delays()
    return cells(
        moment(soak.started_unix_ns, where),
        path(soak.handoff, soak.endpoint),
        judge.said(soak, judge.judge(soak)),
        DASH if rtt is None else f"{ms(rtt.p50)} / {ms(rtt.p99)}",
        _p99(soak.pdv_up_us),
        _p99(soak.pdv_down_us),
        str(len(soak.stalls)),
        _watched(soak),
        standing(soak),
    )


def _p99(found: Histogram) -> str:
    return ms(found.percentile(0.99))


def _watched(soak: Soak) -> str:
    """How much of its time, each gap by its length and cause, and what does not count."""
    parts = [f"{soak.watched_s / soak.seconds * 100:.4g} % of {span(soak.seconds)}"]
    whys = dict.fromkeys(gap.why for gap in soak.gaps)
    for why in whys:
        gaps = [gap for gap in soak.gaps if gap.why == why]
        together = span(sum(gap.seconds for gap in gaps))
        parts.append(f"{counted(len(gaps), 'gap')}, {together}: {why}")
    parts += [f"{span(out.seconds)} left out: {REASONS[out.reason][1]}" for out in soak.left_out]
    return ". ".join(parts)
