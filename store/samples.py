"""Single packets of trains, as they are kept around stalls and on the days of a claim.

A record holds packets in a row, no longer than a minute and never over a quarter of an hour, so that it lies
on one day in every time zone. `pack` gives their form, base64 (RFC 4648) of integers, each as an LEB128
varint (`store.varint`); one that may be negative is folded first, n to 2n, and -n to 2n - 1:

1. the sequence number of the first packet; each further one is the next number;
2. `step`, the usual time between two packets, in microseconds;
3. how many runs of packets with the same fate there are, and for each run 8 x its length + the fate: 0 came
   back, 1 came back held, 2 lost up, 3 lost down, 4 lost in a direction that is not known;
4. for each packet but the first: the time since the one before it, less `step`, in microseconds, folded;
5. for each packet that came back: its round trip less that of the one before it that came back, for the
   first less 0, in microseconds, folded.

The first was sent at the record's start. Times are rounded to the microsecond, each by itself, so that
nothing adds up. Five to six octets a packet. Imports records and varint.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate, groupby, pairwise
from statistics import median_low
from typing import Annotated, Any, ClassVar

from store import varint
from store.clock import NS_PER_S, NS_PER_US
from store.errors import BadMessage
from store.records import Document, Says

LONGEST_NS = 60 * NS_PER_S  # what a record spans at most
PACKET_BYTES = 5.5  # of a record, as tests/store/test_samples.py measures; for forecasts

_WHAT = "a list of packets"
_QUARTER_NS = 900 * NS_PER_S  # time zones are quarters of an hour apart
_FATES: tuple[tuple[str | None, bool], ...] = (
    (None, False),
    (None, True),
    ("up", False),
    ("down", False),
    ("unattributed", False),
)


class SampledFor(StrEnum):
    """Why packets are kept one by one."""

    STALL = "stall"
    CLAIM = "claim"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One packet. `rtt_ns` is None when lost; `lost` is None, ``up``, ``down`` or ``unattributed``."""

    sequence: int
    sent_unix_ns: int
    rtt_ns: int | None
    lost: str | None
    held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples(Document):
    """Packets of a train, the first sent at `started_unix_ns`. See `unpacked`."""

    kind: ClassVar[str] = "samples"
    meaning: ClassVar[str] = (
        "Packets of a train one by one, around a stall or on a day of a claim; at most a minute of them."
    )
    ended_unix_ns: Annotated[int, Says(meaning="when the last of them was sent")]
    kept_for: Annotated[SampledFor, Says(meaning="why they are kept: stall, claim")]
    packets: Annotated[int, Says(meaning="packets in this record", unit="packets")]
    lost: Annotated[int, Says(meaning="of these, lost in either direction", unit="packets")]
    held: Annotated[int, Says(meaning="of these, delivered only at the end of a stall", unit="packets")]
    packed: Annotated[
        str,
        Says(
            meaning="base64 of LEB128 integers, those that may be negative folded (n to 2n, -n to 2n-1): "
            "sequence of the first packet; usual microseconds between two; number of runs; for each run 8 x "
            "length + fate (0 back, 1 held, 2 lost up, 3 lost down, 4 lost, direction not known); for each "
            "packet after the first the microseconds since the one before less the usual, folded; for each "
            "that came back its round trip less the one before (0 for the first) in microseconds, folded; "
            "`linebook samples` prints it",
            source="RFC 4648 section 4; DWARF 4 section 7.6",
        ),
    ]
    left_out: Annotated[
        int | None,
        Says(
            meaning="packets of the same outage between the record before and this one, which were not kept",
            unit="packets",
        ),
    ] = None


def samples_of(
    packets: Sequence[Sample], *, handoff: str, endpoint: str, kept_for: SampledFor, left_out: int = 0
) -> Samples:
    """The record of packets in a row, of which there is one at least."""
    return Samples(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=packets[0].sent_unix_ns,
        ended_unix_ns=packets[-1].sent_unix_ns,
        kept_for=kept_for,
        packets=len(packets),
        lost=sum(packet.lost is not None for packet in packets),
        held=sum(packet.held for packet in packets),
        packed=pack(packets),
        left_out=left_out or None,
    )


def pack(packets: Sequence[Sample]) -> str:
    """The form that this module describes; the sequence numbers follow one another."""
    sent_us = [_us(packet.sent_unix_ns - packets[0].sent_unix_ns) for packet in packets]
    apart_us = [later - earlier for earlier, later in pairwise(sent_us)]
    step_us = max(0, median_low(apart_us)) if apart_us else 0
    rtts_us = [_us(packet.rtt_ns) for packet in packets if packet.rtt_ns is not None]
    fates = [(len(list(run)), fate) for fate, run in groupby(map(_fate, packets))]
    numbers = [packets[0].sequence, step_us, len(fates)]
    numbers += [8 * length + fate for length, fate in fates]
    numbers += [_folded(apart - step_us) for apart in apart_us]
    numbers += [_folded(later - earlier) for earlier, later in pairwise([0, *rtts_us])]
    return base64.b64encode(varint.pack(numbers)).decode("ascii")


def unpacked(record: Samples) -> Iterator[Sample]:
    """Undo `samples_of`, to the microsecond. Raises BadMessage for what it cannot have made."""
    try:
        octets = base64.b64decode(record.packed, validate=True)
    except binascii.Error:
        raise BadMessage(_WHAT, "it is no base64") from None
    numbers = list(varint.unpack(octets, _WHAT))
    fates = _fates_of(numbers)
    place, back = 3 + numbers[2], sum(fate < 2 for fate in fates)
    if len(numbers) != place + max(0, len(fates) - 1) + back:
        raise BadMessage(_WHAT, f"it is not as long as {len(fates)} packets are")
    first, step_us = numbers[:2]
    rest = [_unfolded(number) for number in numbers[place:]]
    apart_us = [step_us + each for each in rest[: len(rest) - back]]
    rtts_us = accumulate(rest[len(rest) - back :])
    for nth, (fate, sent_us) in enumerate(zip(fates, accumulate([0, *apart_us]), strict=True)):
        lost, held = _FATES[fate]
        yield Sample(
            sequence=first + nth,
            sent_unix_ns=record.started_unix_ns + sent_us * NS_PER_US,
            rtt_ns=next(rtts_us) * NS_PER_US if fate < 2 else None,
            lost=lost,
            held=held,
        )


def sent_between(
    records: Iterable[Samples], *, since_ns: int, until_ns: int | None = None
) -> Iterator[Sample]:
    """The packets of these records that were sent in the time."""
    for record in records:
        for packet in unpacked(record):
            if since_ns <= packet.sent_unix_ns and (until_ns is None or packet.sent_unix_ns < until_ns):
                yield packet


def sample_json(sample: Sample) -> dict[str, Any]:
    """A packet as a JSON object that other programs may rely on."""
    return {
        "sequence": sample.sequence,
        "sent": sample.sent_unix_ns,
        "rtt_ns": sample.rtt_ns,
        "lost": sample.lost,
        "held": sample.held,
    }


def belongs_to(started_unix_ns: int, sent_unix_ns: int) -> bool:
    """Whether a packet may stand in the record that starts then."""
    same_quarter = started_unix_ns // _QUARTER_NS == sent_unix_ns // _QUARTER_NS
    return same_quarter and sent_unix_ns - started_unix_ns < LONGEST_NS


def _fates_of(numbers: list[int]) -> list[int]:
    """The fate of each packet. Raises BadMessage."""
    runs = numbers[3 : 3 + numbers[2]] if len(numbers) > 2 else []
    lengths = [run >> 3 for run in runs]
    if not runs or len(runs) != numbers[2] or min(lengths) < 1 or sum(lengths) > len(numbers):
        raise BadMessage(_WHAT, "it does not say what became of the packets")
    if any(run & 7 >= len(_FATES) for run in runs):
        raise BadMessage(_WHAT, "it knows a fate of packets that nobody else knows")
    return [run & 7 for run in runs for _ in range(run >> 3)]


def _fate(packet: Sample) -> int:
    return _FATES.index((packet.lost, packet.held and packet.lost is None))


def _us(ns: int) -> int:
    return (ns + NS_PER_US // 2) // NS_PER_US


def _folded(number: int) -> int:
    return 2 * number if number >= 0 else -2 * number - 1


def _unfolded(number: int) -> int:
    return number >> 1 if number & 1 == 0 else -((number + 1) >> 1)
