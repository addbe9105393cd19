"""Segments on the Circuit page: the last splits, and where each stall was.

Reads with a `Reader`, so it runs in that reader's thread; the judges say what it means. Imports judge,
history, pages.ledger and store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboard import history
from dashboard.api import Json
from dashboard.figures.pooling import Stretch
from dashboard.judge import segments, stall_places
from dashboard.judge.segments import Judged, Segment, Word
from dashboard.judge.stall_places import Other, Part, StallPlace
from dashboard.pages.ledger import Cell, Heading, Mark, Table, cells
from dashboard.pages.wording import DASH, counted, grouped, moment, ms, percent
from store import jsonform
from store.clock import NS_PER_S, NS_PER_US
from store.reader import Reader
from store.records import Stall
from store.segments import Split, Station, Witnesses
from store.site import Handoff, Site, Where

SPLITS = 10  # that a page shows

_NEAR_NS = 30 * 60 * NS_PER_S  # a stall that is still of interest began no longer before another


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSplit:
    """A split and what it says."""

    split: Split
    judged: Judged


def splits(reader: Reader, handoff: str, stretch: Stretch) -> tuple[FoundSplit, ...]:
    """The newest splits of a handoff in this time, oldest first."""
    found = reader.documents(
        Split, handoff=handoff, since_ns=stretch.from_ns, until_ns=stretch.to_ns, limit=SPLITS
    )
    return tuple(
        FoundSplit(
            split=one,
            judged=segments.judge(
                one, answered_before=history.hops_usual(reader, handoff, before_ns=one.started_unix_ns)
            ),
        )
        for one in found
    )


def places(
    reader: Reader, stalls: Sequence[Stall], *, site: Site, handoff: Handoff
) -> dict[tuple[str, int], StallPlace]:
    """Where each of these stalls of one handoff was, by endpoint and start; none without any witness."""
    if not stalls:
        return {}
    since_ns = min(stall.started_unix_ns for stall in stalls)
    until_ns = max(stall.started_unix_ns + stall.duration_us * NS_PER_US for stall in stalls) + 1
    told = {
        (one.endpoint, one.started_unix_ns): one
        for one in reader.documents(Witnesses, handoff=handoff.name, since_ns=since_ns, until_ns=until_ns)
    }
    around = reader.stalls(handoff=handoff.name, since_ns=since_ns - _NEAR_NS, until_ns=until_ns)
    ends = {one.name: one.where for one in site.endpoints}
    trains = [endpoint for owner, endpoint in reader.paths() if owner == handoff.name and endpoint in ends]
    found = {}
    for stall in stalls:
        key = (stall.endpoint, stall.started_unix_ns)
        others = [
            _other(reader, stall, around, endpoint=endpoint, where=ends[endpoint])
            for endpoint in trains
            if endpoint != stall.endpoint
        ]
        witnesses = told.get(key)
        place = stall_places.place(
            stall,
            witnesses,
            others,
            where=ends.get(stall.endpoint, Where.OUTSIDE),
            house_hops=handoff.hops.house if witnesses is None else witnesses.house_hops,
        )
        if place.clear or place.hit:
            found[key] = place
    return found


def _other(reader: Reader, stall: Stall, around: Sequence[Stall], *, endpoint: str, where: Where) -> Other:
    """What is known of another train at the time of a stall: clear if its span went on without a silence."""
    end_ns = stall.started_unix_ns + stall.duration_us * NS_PER_US
    span = next(
        iter(
            reader.train_spans(
                handoff=stall.handoff, endpoint=endpoint, until_ns=end_ns, limit=1, histograms=False
            )
        ),
        None,
    )
    covers = span is not None and span.started_unix_ns + span.seconds * NS_PER_S >= stall.started_unix_ns
    return Other(
        endpoint=endpoint,
        where=where,
        stalls=tuple(one for one in around if one.endpoint == endpoint),
        clear=span.blips == 0 and span.sent > 0 if covers and span is not None else None,
    )


# The page


def place_text(place: StallPlace | None) -> str:
    """``provider, 3 witnesses``; a dash where nobody looked."""
    if place is None:
        return DASH
    if place.part is Part.UNDECIDED:
        return str(place.part)
    return f"{place.part}, {counted(place.clear + place.hit, 'witness', 'witnesses')}"


def message(found: Sequence[FoundSplit]) -> str:
    """The newest split in a sentence."""
    if not found:
        return ""
    judged = found[-1].judged
    decides = f" What would decide: {judged.decides}." if judged.decides else ""
    return f"{judged.because}{decides}"


def finding_table(found: Sequence[FoundSplit], *, where: tzinfo) -> Table | None:
    """A row for each split, newest first."""
    if not found:
        return None
    rows = [
        cells(
            moment(one.split.started_unix_ns, where),
            mark(one.judged),
            "; ".join(finding.where for finding in one.judged.findings if finding.where) or DASH,
            f"{one.judged.because}" + (f" Would decide: {one.judged.decides}." if one.judged.decides else ""),
        )
        for one in reversed(found)
    ]
    return Table(
        caption=f"Splits, the newest {SPLITS} at most, newest first",
        headings=(
            Heading(text="Started"),
            Heading(text="Owner"),
            Heading(text="Where"),
            Heading(text="Because", kind="sentence"),
        ),
        rows=tuple(rows),
    )


def segment_table(found: Sequence[FoundSplit], *, where: tzinfo) -> Table | None:
    """The segments of the newest split, from the house outwards."""
    if not found:
        return None
    newest = found[-1]
    started = moment(newest.split.started_unix_ns, where)
    return Table(
        caption=f"Segments of the split of {started.text}, from the house outwards",
        headings=(
            Heading(text="Segment"),
            Heading(text="Answered", kind="prose"),
            Heading(text="Packets", kind="number"),
            Heading(text="Lost outside stalls", kind="number"),
            Heading(text="Round trip p50", unit="ms", kind="number"),
            Heading(text="p95", unit="ms", kind="number"),
            Heading(text="Stalls", kind="number"),
            Heading(text="Note", kind="prose"),
        ),
        rows=tuple(_row(one) for one in newest.judged.segments),
        note="Loss is there and back. Routers limit how often they answer: what is missing at a router and "
        "not beyond it is no loss.",
    )


def mark(judged: Judged) -> Mark:
    """The finding's word; its border repeats it."""
    match judged.word:
        case Word.CLEAR:
            return Mark(word="nothing wrong", look="firm")
        case Word.DECIDED:
            return Mark(word=str(judged.owner), look="bad")
        case _:
            return Mark(word="undecided", look="unsure")


def _row(one: Segment) -> tuple[Cell, ...]:
    seen, delays = one.seen, one.seen.rtt_us
    what = seen.name or "no answer"
    if seen.ttl is not None:
        what = f"{what}, TTL {seen.ttl}"
    return cells(
        one.segment,
        f"{seen.station} {what}",
        grouped(seen.sent),
        percent(one.loss_ratio),
        DASH if delays is None else ms(delays.p50),
        DASH if delays is None else ms(delays.p95),
        DASH if seen.station is Station.HOP else grouped(len(seen.stalls)),
        one.note or DASH,
    )


# For programs


def splits_json(found: Sequence[FoundSplit]) -> list[Json]:
    """Each split with its finding."""
    return [{**jsonform.as_json(one.split), **segments.as_json(one.judged)} for one in found]


def place_json(place: StallPlace | None) -> Json | None:
    """Where a stall was."""
    if place is None:
        return None
    return {
        "part": str(place.part),
        "owner": None if place.owner is None else str(place.owner),
        "clear": place.clear,
        "hit": place.hit,
        "because": place.because or None,
    }
