"""What three trains say of a failover: when, for how long, and how the main uplink failed. Pure.

One train is bound to the main uplink, one to the backup, one to neither. A train is silent where
`IN_A_ROW` packets in a row did not come back in time, and impaired where a tenth of those of 2 s beside were
lost. A moment is when the packet left that was the first not to come back, or the first that did again; so
each is one packet spacing coarse. The thresholds are common practice, no source.

What a round trip cannot tell stays untold: with the way there dead, no packet is there to come back, so
whether the way back was dead as well does not show. Such a failure is called silent and says this. Imports
store only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby

from store.clock import NS_PER_S
from store.failovers import Failure
from store.samples import Sample

IN_A_ROW = 10  # at 30 % of random loss, six runs of this length in a million
PART, PART_NS = 10, 2 * NS_PER_S  # one packet in so many, for so long
SAME_NS = NS_PER_S  # what lies within it of the failure belongs to it

_NEARLY = 0.9  # what was under way when a line broke may be lost elsewhere than the rest
_SPACINGS = 2  # apart, and one moment is before another
_BACK, _HELD, _UNSENT = "back", "held", "unsent"
_LOST = ("up", "down", "unattributed", _UNSENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """One train's packets in the order sent; `planned` is how many were to be sent, one each `spacing_ns`."""

    packets: Sequence[Sample]
    spacing_ns: int
    planned: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """When the main uplink's interface lost its carrier; not `known` where this host does not say."""

    known: bool
    lost_unix_ns: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopwatch:
    """The first failure of the main uplink. Moments are Unix time, None for what did not happen.

    `without_packets` counts what the unbound train lost or could not send until both it and the main uplink
    were back, `lost_after_return` what it lost after that; None without a failure, or a return.
    """

    failure: Failure
    because: str
    failed_ns: int | None = None
    silent_ns: int | None = None
    switched_ns: int | None = None
    without_ns: int | None = None
    without_packets: int | None = None
    returned_ns: int | None = None
    lost_after_return: int | None = None
    further: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slot:
    at_ns: int
    fate: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trouble:
    """`ended_ns` is None where it lasts to the train's end; `total` where nothing came back at all."""

    began_ns: int
    ended_ns: int | None
    total: bool
    fates: Counter[str]


def judge(main: Train, backup: Train, unbound: Train, carrier: Carrier) -> Stopwatch:
    """What became of the main uplink, and of the traffic that is bound to none."""
    troubles = _troubles(main)
    if not troubles:
        return Stopwatch(
            failure=Failure.NONE,
            because=f"the main uplink never lost {IN_A_ROW} packets in a row, nor a tenth of those of 2 s",
        )
    first = troubles[0]
    failure, because = _class_of(first, _troubles(backup), carrier)
    ended_ns = first.ended_ns
    gap = _gap(first, _troubles(unbound), slack_ns=_SPACINGS * main.spacing_ns)
    switched_ns = None if gap is None else gap.ended_ns
    if ended_ns is not None and switched_ns is not None:
        switched_ns = switched_ns if switched_ns < ended_ns - _SPACINGS * main.spacing_ns else None
    over_ns = ended_ns
    if over_ns is not None and gap is not None:
        over_ns = None if gap.ended_ns is None else max(over_ns, gap.ended_ns)
    slots, since_ns = _slots(unbound), first.began_ns - _SPACINGS * main.spacing_ns
    lost_at = [slot.at_ns for slot in slots if slot.fate in _LOST and slot.at_ns >= since_ns]
    return Stopwatch(
        failure=failure,
        because=because,
        failed_ns=first.began_ns,
        silent_ns=None if gap is None else gap.began_ns,
        switched_ns=switched_ns,
        without_ns=None if gap is None or gap.ended_ns is None else gap.ended_ns - gap.began_ns,
        without_packets=sum(over_ns is None or at_ns < over_ns for at_ns in lost_at),
        returned_ns=ended_ns,
        lost_after_return=None if over_ns is None else sum(at_ns >= over_ns for at_ns in lost_at),
        further=len(troubles) - 1,
    )


def _class_of(found: _Trouble, backup: Sequence[_Trouble], carrier: Carrier) -> tuple[Failure, str]:
    """How it failed, and why it is called so."""
    fates = found.fates
    lost = sum(fates[fate] for fate in ("up", "down", "unattributed"))
    away = lost + fates[_HELD] + fates[_UNSENT]
    if any(abs(at_ns - found.began_ns) <= SAME_NS for at_ns in carrier.lost_unix_ns):
        return Failure.CLEAN, "its interface lost the carrier in the same second"
    if any(each.total and abs(each.began_ns - found.began_ns) <= SAME_NS for each in backup):
        return (
            Failure.UNDECIDED,
            "the backup fell silent in the same second, so what they share may have failed",
        )
    if not carrier.known:
        return Failure.UNDECIDED, "this host does not say whether the interface kept its carrier"
    if fates[_UNSENT] > away // 2:
        return Failure.UNDECIDED, f"this host itself refused to send {fates[_UNSENT]} of {away} packets"
    if not found.total:
        share = away / (away + fates[_BACK])
        return (
            Failure.HALF_DEAD,
            f"the carrier stayed, and {away} of {away + fates[_BACK]} packets ({share:.0%}) were lost",
        )
    if lost < away * (1 - _NEARLY):
        return (
            Failure.UNDECIDED,
            f"the carrier stayed, and {away} packets in a row came late, which is a stall",
        )
    if fates["unattributed"] > lost * (1 - _NEARLY):
        why = f"the carrier stayed and nothing came back; of {lost} lost packets {fates['unattributed']}"
        return Failure.UNDECIDED, f"{why} were lost in a direction that nobody could say"
    if fates["down"] >= lost * _NEARLY:
        return (
            Failure.HALF_DEAD,
            f"the carrier stayed, and {fates['down']} of {lost} lost packets had arrived there",
        )
    if fates["down"] > lost * (1 - _NEARLY):
        return Failure.SILENT, "the carrier stayed, nothing came back, and packets were lost both ways"
    return Failure.SILENT, (
        f"the carrier stayed, and {fates['up']} of {lost} lost packets never arrived there; so nothing could "
        "come back, and whether that way was dead too does not show"
    )


def _gap(failed: _Trouble, unbound: Sequence[_Trouble], *, slack_ns: int) -> _Trouble | None:
    """The unbound train's trouble of this failure, None where it went on."""
    until_ns = failed.ended_ns
    for each in unbound:
        late = until_ns is not None and each.began_ns >= until_ns
        if each.began_ns >= failed.began_ns - slack_ns and not late:
            return each
    return None


def _troubles(train: Train) -> list[_Trouble]:
    """Silences and impairments in their order."""
    slots = _slots(train)
    silences = list(_silences(slots))
    inside = {nth for first, after in silences for nth in range(first, after)}
    rest = [slot for nth, slot in enumerate(slots) if nth not in inside]
    found = [_silence(slots, first, after) for first, after in silences]
    found += _impairments(rest, window=max(1, PART_NS // train.spacing_ns))
    return sorted(found, key=lambda each: each.began_ns)


def _silences(slots: Sequence[_Slot]) -> Iterator[tuple[int, int]]:
    nth = 0
    for back, run in groupby(slots, key=lambda slot: slot.fate == _BACK):
        length = len(list(run))
        if not back and length >= IN_A_ROW:
            yield nth, nth + length
        nth += length


def _silence(slots: Sequence[_Slot], first: int, after: int) -> _Trouble:
    return _Trouble(
        began_ns=slots[first].at_ns,
        ended_ns=slots[after].at_ns if after < len(slots) else None,
        total=True,
        fates=Counter(slot.fate for slot in slots[first:after]),
    )


def _impairments(slots: Sequence[_Slot], *, window: int) -> Iterator[_Trouble]:
    """Where windows in a row each lost their part, from the first loss to the packet after the last."""
    sums = [0, *accumulate(slot.fate in _LOST for slot in slots)]
    bad = [nth for nth in range(len(slots) - window + 1) if (sums[nth + window] - sums[nth]) * PART >= window]
    place = 0
    while place < len(bad):
        first = bad[place]
        while place + 1 < len(bad) and bad[place + 1] <= bad[place] + window:
            place += 1
        after = bad[place] + window
        place += 1
        lost = [nth for nth in range(first, after) if slots[nth].fate in _LOST]
        lasts = after == len(slots)
        yield _Trouble(
            began_ns=slots[lost[0]].at_ns,
            ended_ns=None if lasts else slots[lost[-1] + 1].at_ns,
            total=False,
            fates=Counter(slot.fate for slot in slots[lost[0] : lost[-1] + 1]),
        )


def _slots(train: Train) -> list[_Slot]:
    """Every packet that was to be sent. One that this host refused has no number, and leaves its time empty.

    A packet sent late is followed by others in haste until they are on time again, and nothing is missing.
    """
    packets, spacing_ns = train.packets, train.spacing_ns
    if not packets:
        return []
    began_ns = packets[0].sent_unix_ns
    behind = [
        round((packet.sent_unix_ns - began_ns) / spacing_ns) - nth for nth, packet in enumerate(packets)
    ]
    behind = list(accumulate(reversed([*behind, train.planned - len(packets)]), min))[::-1]
    found: list[_Slot] = []
    missing = 0
    for packet, due in zip(packets, behind, strict=False):
        found += _unsent(due - missing, before_ns=packet.sent_unix_ns, spacing_ns=spacing_ns)
        missing = max(missing, due)
        fate = packet.lost or (_HELD if packet.held else _BACK)
        found.append(_Slot(at_ns=packet.sent_unix_ns, fate=fate))
    left = behind[-1] - missing
    return found + _unsent(left, before_ns=found[-1].at_ns + (left + 1) * spacing_ns, spacing_ns=spacing_ns)


def _unsent(count: int, *, before_ns: int, spacing_ns: int) -> list[_Slot]:
    return [_Slot(at_ns=before_ns - nth * spacing_ns, fate=_UNSENT) for nth in range(count, 0, -1)]
