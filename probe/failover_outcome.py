"""What a failover exercise showed: breaks of trains, how the main uplink failed, the stopwatch.

A break is a row of missing packets no further apart than `JOIN_MS`, in which nothing came back for
`SILENT_MS`, or which lasts `PART_MS` and misses `PART_RATIO` of its packets (common practice, no source).
Pure: times in milliseconds from the exercise's start. Imports store.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from store.failovers import Break, Failure, Watched

SILENT_MS = 500
JOIN_MS = 1000
PART_MS, PART_RATIO = 3000, 0.2
CARRIER_MS = 1000  # a carrier lost this close to the failure is its cause
ONE_WAY_RATIO = 0.9  # of what is missing, lost in one direction: then that direction is dead
KNOCKS_MOST_LOST = 3  # so many knocks, and none heard, say that the way down is dead as well
RETURN_MS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """One packet, or its slot where none could leave. `fate` is ``back``, ``unsent`` or where it was lost."""

    at_ms: float
    fate: str
    back_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Where traffic came from, asked at `asked_ms` and answered at `told_ms`."""

    asked_ms: float
    told_ms: float
    address: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """The main uplink's carrier: when it was found lost, and back again."""

    lost_ms: float | None = None
    back_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Knocks:
    """The way down tried without the way up. `proven` is whether knocks came through before the failure."""

    proven: bool
    sent: int  # while the main uplink was silent
    heard: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """What became of the traffic that goes by the routes; fields as `store.failovers.Failover` has them."""

    switched: bool | None = None
    last_ms: int | None = None
    first_ms: int | None = None
    without_ms: int | None = None
    lost_switching: int | None = None
    egress_before: str | None = None
    egress_after: str | None = None
    returned_ms: int | None = None
    lost_returning: int | None = None


def with_holes(packets: Sequence[Packet], *, spacing_ms: float, until_ms: float) -> list[Packet]:
    """The packets, and a slot ``unsent`` for each that should have left between two of them or at the end."""
    found: list[Packet] = []
    due_ms = packets[0].at_ms if packets else spacing_ms
    for packet in (*packets, Packet(at_ms=until_ms, fate="end")):
        while due_ms < packet.at_ms - spacing_ms * 0.75:
            found.append(Packet(at_ms=due_ms, fate="unsent"))
            due_ms += spacing_ms
        found.append(packet)
        due_ms = packet.at_ms + spacing_ms
    return found[:-1]


def watched(packets: Sequence[Packet], *, egress_address: str | None, rtt_p50_us: int | None) -> Watched:
    """A train's counts and breaks."""
    fates = Counter(packet.fate for packet in packets)
    return Watched(
        egress_address=egress_address,
        due=len(packets),
        lost_up=fates["up"],
        lost_down=fates["down"],
        lost_unattributed=fates["unattributed"],
        unsent=fates["unsent"],
        rtt_p50_us=rtt_p50_us,
        breaks=tuple(breaks(packets)),
    )


def breaks(packets: Sequence[Packet]) -> list[Break]:
    """The breaks of a train whose packets stand in the order in which they were due."""
    rows: list[tuple[int, int]] = []  # first and last missing, by index
    for place, packet in enumerate(packets):
        if packet.fate == "back":
            continue
        if rows and packet.at_ms - packets[rows[-1][1]].at_ms <= JOIN_MS:
            rows[-1] = rows[-1][0], place
        else:
            rows.append((place, place))
    return [_break(packets, first, last) for first, last in rows if _counts(packets[first : last + 1])]


def _counts(row: Sequence[Packet]) -> bool:
    missing = sum(packet.fate != "back" for packet in row)
    if row[-1].at_ms - row[0].at_ms >= PART_MS and missing >= PART_RATIO * len(row):
        return True
    silent_from_ms: float | None = None
    for packet in row:
        if packet.fate == "back":
            silent_from_ms = None
            continue
        silent_from_ms = packet.at_ms if silent_from_ms is None else silent_from_ms
        if packet.at_ms - silent_from_ms >= SILENT_MS:
            return True
    return False


def _break(packets: Sequence[Packet], first: int, last: int) -> Break:
    fates = Counter(packet.fate for packet in packets[first : last + 1])
    before = [one.back_ms for one in packets[:first] if one.back_ms is not None]
    after = next((one.back_ms for one in packets[last + 1 :] if one.back_ms is not None), None)
    return Break(
        from_ms=round(packets[first].at_ms),
        last_ms=round(max(before)) if before else None,
        until_ms=None if after is None else round(after),
        due=last + 1 - first,
        lost_up=fates["up"],
        lost_down=fates["down"],
        lost_unattributed=fates["unattributed"],
        unsent=fates["unsent"],
    )


def failure(broken: Break | None, *, port: Port, knocks: Knocks) -> tuple[Failure, str]:
    """How the main uplink failed, and the sentence that says why it is taken for that."""
    if broken is None:
        return Failure.NONE, "The main uplink never failed while it was watched."
    if port.lost_ms is not None and abs(port.lost_ms - broken.from_ms) <= CARRIER_MS:
        return Failure.CLEAN, "The port of the main uplink lost its carrier in the same second."
    lost = broken.lost_up + broken.lost_down + broken.lost_unattributed
    if broken.missing < ONE_WAY_RATIO * broken.due:
        ways = f"{broken.lost_up} on the way up, {broken.lost_down} on the way down"
        return (
            Failure.HALF_DEAD,
            f"The carrier stayed, and {broken.missing} of {broken.due} packets were missing: {ways}.",
        )
    if not lost:
        return (
            Failure.UNDECIDED,
            "This host would not send by the main uplink, though its port had a carrier: no packet tried it.",
        )
    if broken.lost_down >= ONE_WAY_RATIO * lost:
        return Failure.HALF_DEAD, "Packets still arrived at the endpoint, and no reply came back."
    if broken.lost_up < ONE_WAY_RATIO * lost:
        return Failure.UNDECIDED, "The endpoint could not be asked which packets had arrived there."
    return _up_is_dead(knocks)


def _up_is_dead(knocks: Knocks) -> tuple[Failure, str]:
    up = "No packet arrived at the endpoint"
    if knocks.heard:
        return (
            Failure.HALF_DEAD,
            f"{up}, but {knocks.heard} of {knocks.sent} that it sent of its own accord came down.",
        )
    if not knocks.proven:
        return Failure.UNDECIDED, f"{up}; whether the way down was dead too could not be tried."
    if knocks.sent < KNOCKS_MOST_LOST:
        return Failure.UNDECIDED, f"{up}; it was over before the way down could be tried."
    return Failure.SILENT, f"{up}, and none of {knocks.sent} that it sent of its own accord came down."


def moves(broken: Break | None, routed: Watched, packets: Sequence[Packet], seen: Sequence[Seen]) -> Moves:
    """The stopwatch for the traffic that goes by the routes."""
    before = next((one.address for one in seen), routed.egress_address)
    if broken is None:
        return Moves(egress_before=before)
    gap = next((one for one in routed.breaks if _meet(one, broken)), None)
    if gap is None:
        after = _address(seen, broken.from_ms, broken.until_ms)
        return Moves(
            switched=None if after is None or before is None else after != before,
            egress_before=before,
            egress_after=after,
            **_return(broken, packets, seen, before=before, moved=after != before),
        )
    after = None if gap.until_ms is None else _address(seen, gap.until_ms, broken.until_ms)
    if after is None and gap.until_ms is not None:
        after = _address(seen, gap.until_ms, None)
    switched = False if gap.until_ms is None else None if None in (after, before) else after != before
    return Moves(
        switched=switched,
        last_ms=gap.last_ms,
        first_ms=gap.until_ms,
        without_ms=None if None in (gap.last_ms, gap.until_ms) else _less(gap.until_ms, gap.last_ms),
        lost_switching=gap.missing,
        egress_before=before,
        egress_after=after,
        **_return(broken, packets, seen, before=before, moved=bool(switched)),
    )


def _less(one: int | None, other: int | None) -> int:
    return (one or 0) - (other or 0)


def _meet(one: Break, broken: Break) -> bool:
    """Whether a break of the routed train belongs to the main uplink's failure."""
    ends_ms = float("inf") if broken.until_ms is None else broken.until_ms
    return broken.from_ms - JOIN_MS <= one.from_ms <= ends_ms


def _address(seen: Sequence[Seen], from_ms: int, until_ms: int | None) -> str | None:
    """Where traffic came from at the first question after a moment, as long as that is before another."""
    return next(
        (
            one.address
            for one in seen
            if one.asked_ms >= from_ms and (until_ms is None or one.told_ms <= until_ms)
        ),
        None,
    )


def _return(
    broken: Break, packets: Sequence[Packet], seen: Sequence[Seen], *, before: str | None, moved: bool
) -> dict[str, int | None]:
    if not moved or broken.until_ms is None:
        return {}
    at_ms = next(
        (one.told_ms for one in seen if one.asked_ms >= broken.until_ms and one.address == before), None
    )
    if at_ms is None:
        return {}
    missing = sum(
        one.fate != "back" for one in packets if at_ms - RETURN_MS <= one.at_ms <= at_ms + RETURN_MS
    )
    return {"returned_ms": round(at_ms), "lost_returning": missing}
