"""The parts of the way on Events: lanes S1 to S5 over its days, and a table of what each showed.

Reads with a `Reader`, so `find` runs in that reader's thread. Imports the judge, the figure and the tables.
"""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.api import Json
from dashboard.figures.part_lanes import title
from dashboard.figures.pooling import Stretch
from dashboard.judge import part_lanes
from dashboard.judge.part_lanes import FIRST_OUTSIDE, HOUSE, Lane
from dashboard.pages.ledger import Heading, Table, cells, number
from dashboard.pages.wording import DASH, counted, grouped, span
from store.cells import Length
from store.reader import Reader
from store.segments import Split, Witnesses
from store.site import Handoff, Site, Where


def find(reader: Reader, site: Site, stretch: Stretch, *, handoff: str | None) -> tuple[Lane, ...]:
    """The lanes of each handoff on which a train stalled, from the house outwards."""
    found: list[Lane] = []
    paths = set(reader.paths())
    for one in site.handoffs:
        if handoff in (None, one.name):
            lanes = _lanes(reader, site, one, stretch, paths)
            found += lanes if any(lane.silent for lane in lanes) else []
    return tuple(found)


def _lanes(
    reader: Reader, site: Site, handoff: Handoff, stretch: Stretch, paths: set[tuple[str, str]]
) -> list[Lane]:
    name = handoff.name
    stalls = reader.stalls(handoff=name, since_ns=stretch.from_ns, until_ns=stretch.to_ns)
    if not stalls:
        return []
    trains = [one for one in site.endpoints if (name, one.name) in paths]
    house = [one.name for one in trains if one.where is Where.HOUSE]
    outside = [one.name for one in trains if one.where is not Where.HOUSE]
    places = [
        *((HOUSE, one) for one in house),
        *((f"S{nth}", one) for nth, one in enumerate(outside, start=FIRST_OUTSIDE)),
    ]
    lanes = []
    for segment, endpoint in places:
        cells_ = reader.train_sums(
            handoff=name,
            endpoint=endpoint,
            since_ns=stretch.from_ns,
            until_ns=stretch.to_ns,
            longest=Length.HOUR,
            histograms=False,
        )
        lanes.append(
            part_lanes.of_train(
                name,
                segment,
                endpoint,
                stalls=[one for one in stalls if one.endpoint == endpoint],
                watched=[(one.started_unix_ns, one.ended_unix_ns) for one in cells_ if one.spans],
            )
        )
    told = reader.documents(Witnesses, handoff=name, since_ns=stretch.from_ns, until_ns=stretch.to_ns)
    by_start = {(one.endpoint, one.started_unix_ns): one for one in stalls}
    around = [
        (stall, one)
        for one in told
        if (stall := by_start.get((one.endpoint, one.started_unix_ns))) is not None
    ]
    splits = reader.documents(Split, handoff=name, since_ns=stretch.from_ns, until_ns=stretch.to_ns)
    around += part_lanes.besides(around, [one for split in splits for one in part_lanes.of_split(split)])
    lanes += part_lanes.of_routers(name, around)
    return sorted(lanes, key=lambda lane: lane.segment)


def message(lanes: Sequence[Lane]) -> str:
    """What the lanes say, a sentence a handoff."""
    said = []
    for handoff in dict.fromkeys(lane.handoff for lane in lanes):
        own = [lane for lane in lanes if lane.handoff == handoff]
        said.append(f"{handoff}: {', '.join(_said(lane) for lane in own)}.")
    return f"When each part of the way was silent. {' '.join(said)}"


def _said(lane: Lane) -> str:
    if lane.asked is not None:
        return f"{title(lane)} silent in {grouped(len(lane.silent))} of {counted(lane.asked, 'stall')}"
    if not lane.silent:
        return f"{title(lane)} without a stall"
    return f"{title(lane)} {counted(len(lane.silent), 'stall')}, {span(lane.silent_s)} together"


KEY = (
    "A lane for each part of the way, from the house outwards. A thin line: a train was under way; a bar: it "
    "stalled, or routers asked about a stall left out their answers; a ring: they answered as usual. Where a "
    "far part was silent and a nearer one was not in the same second, the trouble lies between them."
)


def table(lanes: Sequence[Lane]) -> Table | None:
    """A row for each lane; None without any."""
    if not lanes:
        return None
    return Table(
        caption="Parts of the way, from the house outwards",
        headings=(
            Heading(text="Handoff"),
            Heading(text="Part"),
            Heading(text="Seen by"),
            number("Silent", "times"),
            number("Together", "s"),
            number("Longest", "s"),
            number("Asked", "times"),
        ),
        rows=tuple(
            cells(
                lane.handoff,
                title(lane),
                f"train to {lane.name}" if lane.asked is None else "answers of routers",
                grouped(len(lane.silent)),
                f"{lane.silent_s:.1f}",
                DASH if lane.longest_s is None else f"{lane.longest_s:.1f}",
                DASH if lane.asked is None else grouped(lane.asked),
            )
            for lane in lanes
        ),
        note="A router limits how often it answers, so its silence alone is no fault: it counts where what "
        "lies beyond it stalled too. Routers are asked about stalls, and in splits.",
    )


def as_json(lanes: Sequence[Lane]) -> list[Json]:
    """The lanes for programs."""
    return [
        {
            "handoff": lane.handoff,
            "segment": lane.segment,
            "endpoint": lane.name or None,
            "silent": len(lane.silent),
            "silent_s": round(lane.silent_s, 3),
            "longest_s": None if lane.longest_s is None else round(lane.longest_s, 3),
            "asked": lane.asked,
        }
        for lane in lanes
    ]
