"""Which records may speak: of this line, of this direction, left out by no rule.

A house endpoint says nothing about the provider's line, so its records never enter a verdict on it.
Both directions at once load each other with acknowledgements, which on a lopsided line is most of
the small side; so such runs speak for one direction only where no run went alone. A light run asked for
no more than a share of the rate: whatever it shows, it says nothing of what the line carries at most.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from store.clock import NS_PER_S
from store.layers import TCP_BYTES, TCP_TIMESTAMPS_BYTES, WIRE_BYTES, Framing, Layer
from store.records import REASONS, Direction, RateRun, RateSide, Record, Stall, Standing, TrainSpan
from store.rollup import Rolled
from store.site import Site, Where

Known = Record | Rolled  # what a judge is handed
R = TypeVar("R", bound=Known)

Span = TrainSpan | Rolled  # a span of a train, or the sum of some
BOTH_AT_ONCE = "both_at_once"  # why a valid run may be left out here; not a fault of the run
LIGHT = "light"  # another
ASKED = "asked"  # another: whoever sees a line fail asks just then, so such runs would tell of those moments
SHORTEST_BYTES = 64  # of an Ethernet frame with its FCS; IEEE 802.3
NOTED_ONLY = "short"  # a reason said beside a run's figures that leaves none out


def of_line(site: Site, handoff: str, records: Iterable[R]) -> list[R]:
    """The records that concern this handoff's line: its own, to endpoints outside, in the order given.

    Those that name no handoff or no endpoint concern every line.
    """
    outside = {endpoint.name for endpoint in site.endpoints if endpoint.where is Where.OUTSIDE}
    return [
        record
        for record in records
        if record.handoff in ("", handoff) and (not record.endpoint or record.endpoint in outside)
    ]


def by_handoff(records: Iterable[R]) -> dict[str, list[R]]:
    """The records of each handoff; those that name none under the empty name."""
    found: dict[str, list[R]] = {}
    for one in records:
        found.setdefault(one.handoff, []).append(one)
    return found


def counted(
    runs: Iterable[RateRun], direction: Direction, *, ignoring: Collection[str] = ()
) -> tuple[list[tuple[RateRun, RateSide]], list[RateRun]]:
    """The valid runs at full rate with their side of `direction`, oldest first, and those left out of it.

    Left out are light runs, those that somebody asked for, those whose standing says so and, where any run
    went alone, those both ways at once. Rules in `ignoring`, by their codes, leave none out: to show what
    they do, or because a contract promises both directions at once.
    """
    asked = [Looked(run=run, side=side, why=why_left_out(run)) for run, side in with_side(runs, direction)]
    kept, others = chosen(asked, ignoring=ignoring)
    return [(one.run, one.side) for one in kept], [one.run for one in others]


def with_side(runs: Iterable[RateRun], direction: Direction) -> list[tuple[RateRun, RateSide]]:
    """The runs that measured `direction`, oldest first."""
    found = [(run, side) for run in runs if (side := run.side(direction)) is not None]
    return sorted(found, key=lambda each: (each[0].started_unix_ns, each[0].endpoint))


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A run with its side of one direction, and `why_left_out`: found once, however many samples it is in."""

    run: RateRun
    side: RateSide
    why: tuple[str, ...]


L = TypeVar("L", bound=Looked)


def chosen(asked: Sequence[L], *, ignoring: Collection[str] = ()) -> tuple[list[L], list[L]]:
    """Those that `counted` counts, and those that it leaves out."""
    ignored = frozenset(ignoring)
    valid = [one for one in asked if not one.why or ignored.issuperset(one.why)]
    kept = valid
    if BOTH_AT_ONCE not in ignored:
        kept = [one for one in valid if one.run.direction is not Direction.BOTH] or valid
    among = {id(one) for one in kept}
    return kept, [one for one in asked if id(one) not in among]


def why_left_out(run: RateRun) -> tuple[str, ...]:
    """The reason codes that leave a run out of every sample of the full rate; none for one that counts."""
    if not run.reasons and not run.light:
        return ()
    chosen = (ASKED,) if ASKED in run.reasons else ()
    return (*((LIGHT,) if run.light else ()), *chosen, *why_not(run.reasons))


def why_not(reasons: Iterable[str]) -> tuple[str, ...]:
    """Those of a record's reasons by which it may not speak about the line."""
    return tuple(code for code in reasons if REASONS[code][0] is not Standing.VALID)


class Watched:
    """The time that train spans watched, by line and endpoint: did a stall begin in it?

    A sum of spans counts from its first to its last moment; who brings sums brings stalls that were watched.
    """

    def __init__(self, spans: Iterable[Span]) -> None:
        self._spans: dict[tuple[str, str], list[Span]] = {}
        for span in sorted(spans, key=_started):
            self._spans.setdefault((span.handoff, span.endpoint), []).append(span)

    def __contains__(self, stall: Stall) -> bool:
        train = self._spans.get((stall.handoff, stall.endpoint), [])
        place = bisect_right(train, stall.started_unix_ns, key=_started) - 1
        if place < 0:
            return False
        return stall.started_unix_ns < ended_ns(train[place])

    @property
    def endpoints(self) -> list[str]:
        return [endpoint for _, endpoint in self._spans]


def _started(span: Span) -> int:
    return span.started_unix_ns


def ended_ns(span: Span) -> float:
    """When a span, or the last of a sum, ended."""
    return span.ended_unix_ns if isinstance(span, Rolled) else _started(span) + span.seconds * NS_PER_S


def acknowledgements_bps(run: RateRun, way: Direction, layer: Layer) -> float:
    """What TCP's acknowledgements of the other direction took of this one at most; 0 for a run one way.

    One for every second segment is the most that a receiver sends as a rule (RFC 9293 section 3.8.6.3); it
    sends fewer where segments come to it several at once. With no layer stated it is counted on the wire.
    """
    other = run.side(Direction.DOWN if way is Direction.UP else Direction.UP)
    if run.direction is not Direction.BOTH or other is None:
        return 0.0
    header = TCP_BYTES + (TCP_TIMESTAMPS_BYTES if other.tcp_timestamps else 0)
    bare = Framing(payload_bytes=0, transport_bytes=header, ip_version=other.ip_version)
    octets = {
        Layer.PAYLOAD: 0,
        Layer.IP: bare.ip_packet_bytes,
        Layer.ETHERNET: max(bare.ethernet_frame_bytes, SHORTEST_BYTES),
        Layer.WIRE: max(bare.ethernet_frame_bytes, SHORTEST_BYTES) + WIRE_BYTES,
        Layer.NOT_STATED: max(bare.ethernet_frame_bytes, SHORTEST_BYTES) + WIRE_BYTES,
    }
    return other.rates.goodput_bps / max(1, other.mss_bytes) / 2 * octets[layer]
