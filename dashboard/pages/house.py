"""The house's own ways on a Circuit page: the weakest hop in a sentence, its cures, every hop in a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboard import text_house
from dashboard.judge.house import PathJudged, State
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.wording import mbps

LIMITS, ENOUGH, OPEN = (
    Mark(word="House", look="bad"),
    Mark(word="Enough", look="firm"),
    Mark(word="Open", look="none"),
)
CABLES = {
    State.CLEAN: Mark(word="Clean", look="firm"),
    State.SUSPECT: Mark(word="Suspect", look="bad"),
    State.NOT_SEEN: Mark(word="Not seen", look="none"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePart:
    """Each way as an entry, all hops as a table, and the caution."""

    entries: tuple[Entry, ...]
    hops: Table
    caution: str


def part(found: Sequence[PathJudged]) -> HousePart | None:
    """None where the site file describes no way from this handoff."""
    if not found:
        return None
    return HousePart(
        entries=tuple(
            Entry(
                mark=LIMITS if one.limits else OPEN if one.needed_bps is None else ENOUGH,
                moment=None,
                text=one.because if one.seen is None else f"{one.because} {one.seen}",
                more=tuple(f"{place}. {cure}" for place, cure in enumerate(one.cures, 1)),
            )
            for one in found
        ),
        hops=_hops(found),
        caution=text_house.CAUTION,
    )


def _hops(found: Sequence[PathJudged]) -> Table:
    return Table(
        caption="What each hop can show at best, as TCP payload in full frames",
        headings=(
            Heading(text="Way"),
            Heading(text="Hop"),
            Heading(text="Port and cable"),
            number("IPv4", "Mb/s"),
            number("IPv6", "Mb/s"),
            Heading(text="Cable under load"),
            Heading(text="Why", kind="prose"),
        ),
        rows=tuple(
            cells(
                one.path.name,
                hop.hop.title,
                text_house.port(hop.hop),
                mbps(hop.best_bps),
                mbps(hop.best_v6_bps),
                CABLES[hop.cable],
                hop.cable_because,
            )
            for one in found
            for hop in one.hops
        ),
    )
