"""What a split says: what each segment showed, and who must act, or what would decide.

Two troubles are looked for apart: stalls, which every segment can be asked about in the same second, and
loss outside of stalls, which needs numbers. Both are placed by one rule (`dashboard.judge.placing`). A hop
that answers slowly or not at all is never evidence by itself, and what is missing at a hop and not beyond
it is the router's limit for answers. Pure. Imports placing, witnesses, sampling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from dashboard.judge import placing, sampling, witnesses
from dashboard.judge.placing import Hop, Outside, Placed, State
from dashboard.judge.witnesses import MARGIN_MS, Answers, Window, in_any
from store.quantities import grouped
from store.records import Owner
from store.segments import Seen, Split, Station

LOSS_RATIO = 0.001  # loss that matters here; common practice, no source
DIFFERENT = 0.01  # a segment has less loss than another if chance would show it this seldom at most
LIMITED = 0.001  # a hop leaves out more than is lost if chance would make it so this seldom at most
_SEEN_TO_LOSE = 3  # packets; fewer missing answers of a router are no sign
_BURST = 6  # packets lost in a row, 0.3 s of them: chance makes that of scattered loss seldom
_HIT, _CLEAR = 0.5, 0.1  # share of a train's packets lost or late within another's stall


class Word(StrEnum):
    CLEAR = "clear"
    DECIDED = "decided"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One trouble, ``stalls`` or ``loss``: `placed` of its `times` stalls lie where it says (loss: 1)."""

    trouble: str
    owner: Owner | None
    where: str
    because: str
    decides: str
    times: int
    placed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One row: its name S1 to S5, and what was seen; loss and late are of packets outside of stalls."""

    segment: str
    seen: Seen
    loss_ratio: float | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What a split says. `owner` is None when nothing is wrong, and when it is undecided."""

    word: Word
    owner: Owner | None
    because: str
    decides: str
    findings: tuple[Finding, ...]
    segments: tuple[Segment, ...]


def judge(split: Split, *, answered_before: frozenset[int] = frozenset()) -> Judged:
    """`answered_before` are the TTLs at which a router answered when all was well, by earlier records."""
    way = _Way(split, answered_before)
    segments = tuple(_segment(way, one, nth) for nth, one in enumerate(split.seen))
    known = split.circumstances
    if known is not None and known.left_elsewhere is not None:
        return Judged(
            word=Word.UNDECIDED,
            owner=None,
            because=f"It did not leave by handoff {split.handoff}: {known.left_elsewhere}.",
            decides="a split that leaves by the handoff's interface, from its addresses",
            findings=(),
            segments=segments,
        )
    findings = [one for one in (_stalls(way), _loss(way)) if one is not None]
    owners = {one.owner for one in findings if one.owner is not None}
    seen_out = bool(findings or way.outside)
    word = Word.DECIDED if len(owners) == 1 else Word.UNDECIDED if findings or not seen_out else Word.CLEAR
    because = " ".join(f"{one.trouble.capitalize()}: {one.because}." for one in findings)
    decides = {one.decides: None for one in findings if one.decides}
    if not seen_out:
        decides["an endpoint outside that serves this probe"] = None
    if len(owners) > 1:
        decides["mend what is nearest to the house first, then split again"] = None
    return Judged(
        word=word,
        owner=next(iter(owners)) if word is Word.DECIDED else None,
        because=because or (_nothing(way) if seen_out else "No endpoint outside could be measured."),
        decides="; ".join(decides),
        findings=tuple(findings),
        segments=segments,
    )


def as_json(found: Judged) -> dict[str, Any]:
    """The finding for programs; `owner` is null when nothing is wrong and when it is undecided."""
    return {
        "word": str(found.word),
        "owner": None if found.owner is None else str(found.owner),
        "because": found.because,
        "decides": found.decides or None,
        "findings": [
            asdict(one) | {"owner": None if one.owner is None else str(one.owner)} for one in found.findings
        ],
        "segments": [
            {
                "segment": one.segment,
                "station": str(one.seen.station),
                "name": one.seen.name or None,
                "ttl": one.seen.ttl,
                "sent": one.seen.sent,
                "lost": one.seen.lost,
                "loss_ratio": one.loss_ratio,
                "rtt_us": None if one.seen.rtt_us is None else asdict(one.seen.rtt_us),
                "stalls": len(one.seen.stalls),
                "note": one.note or None,
            }
            for one in found.segments
        ],
    }


class _Way:
    """A split's stations by what they are, and the times of its stalls."""

    def __init__(self, split: Split, answered_before: frozenset[int]) -> None:
        self.split = split
        self.answered_before = answered_before
        self.house = next((one for one in split.seen if one.station is Station.HOUSE), None)
        outside = [one for one in split.seen if one.station is Station.OUTSIDE]
        # one that says itself why it does not serve us is no witness of the line
        self.outside = [one for one in outside if one.failed is None or one.whose is Owner.UNKNOWN]
        hops = [one for one in split.seen if one.station is Station.HOP and one.ttl is not None]
        sure = split.house_hops + 1  # there is one uplink, so this far the way is everybody's
        self.hops = [
            one
            for one in hops
            if one.shared is not False and (one.shared or (one.ttl or 0) <= sure or len(self.outside) < 2)
        ]
        trains = [*self.outside, *([self.house] if self.house else [])]
        self.stalls = sorted(
            (stall.start_ms - MARGIN_MS, stall.start_ms + stall.duration_ms + MARGIN_MS)
            for train in trains
            for stall in train.stalls
        )
        self.quiet = sorted([*self.stalls, *(burst for train in trains for burst in _bursts(train))])

    def measured_house(self) -> Seen | None:
        return None if self.house is None or self.house.failed is not None else self.house

    def cut_off(self) -> bool:
        """Whether neither the house endpoint nor anything outside could be reached at all."""
        house = self.house is not None and self.house.failed is not None and self.house.whose is Owner.UNKNOWN
        return house and all(one.failed is not None for one in self.outside)

    def counts(self, seen: Seen, *, bursts: bool = False) -> tuple[int, int]:
        """(lost, sent) outside of every stall, and unless `bursts` of shorter silences too."""
        if seen.failed is not None:
            sent = round(self.split.seconds * 20)
            return sent, sent
        left_out = self.stalls if bursts else self.quiet
        lost = sum(not in_any(one, left_out) for one in seen.missed_ms)
        if seen.station is Station.HOP:
            answered = [one for one in seen.answered_ms if not in_any(one, left_out)]
            return lost, lost + len(answered)
        return lost, max(lost, seen.sent - round(seen.per_second * _length_ms(left_out) / 1000))

    def answers(self, hop: Seen) -> bool:
        return bool(hop.answered_ms) or hop.ttl in self.answered_before

    def place(
        self,
        house: State,
        hops: Sequence[State],
        outside: Sequence[State],
        *,
        silent: Sequence[bool] | None = None,
    ) -> Placed | None:
        """Where it is; `silent` are the hops that would say no more however long one asked."""
        silent = [False] * len(hops) if silent is None else silent
        return placing.place(
            house=house,
            hops=[
                Hop(ttl=one.ttl or 0, name=one.name or f"at TTL {one.ttl}", state=state, speaks=not mute)
                for one, state, mute in zip(self.hops, hops, silent, strict=True)
            ],
            outside=[
                Outside(name=one.name, state=state) for one, state in zip(self.outside, outside, strict=True)
            ],
            house_hops=self.split.house_hops,
        )


# Loss


def _loss(way: _Way) -> Finding | None:
    counts = [way.counts(one) for one in way.outside]
    worse = [one for one in counts if _loses(*one)]
    if not worse and any(_loses(*way.counts(one, bursts=True)) for one in way.outside):
        return _only_bursts()
    if not worse:
        if (house := way.measured_house()) is None or not _loses(*way.counts(house)):
            return None
        placed = way.place(State.HIT, [State.NOTHING] * len(way.hops), [State.CLEAR] * len(counts))
        return _finding("loss", [placed] if placed else [])
    least = min(worse, key=lambda one: one[0] / one[1])
    outside = [
        State.HIT if _loses(*one) else State.CLEAR if _has_less(one, least) else State.NOTHING
        for one in counts
    ]
    measured = way.measured_house()
    house_state = State.NOTHING if measured is None else _house_loss(way.counts(measured), least)
    hops = [_hop_loss(way, hop, least) for hop in way.hops]
    if house_state is State.NOTHING and State.CLEAR not in hops and way.cut_off():
        house_state = State.HIT
    limited = [_is_limited(way, hop, least) for hop in way.hops]
    placed = way.place(house_state, hops, outside, silent=limited)
    return _finding("loss", [placed] if placed else [])


def _only_bursts() -> Finding:
    return Finding(
        trouble="loss",
        owner=None,
        where="",
        because="packets were lost in bursts of less than half a second, too short to be placed",
        decides="a longer split",
        times=1,
        placed=0,
    )


def _loses(lost: int, sent: int) -> bool:
    """Whether it loses more than matters, with 95 % confidence."""
    return lost >= _SEEN_TO_LOSE and sampling.lower_bound(lost, sent) > LOSS_RATIO


def _has_less(one: tuple[int, int], other: tuple[int, int], *, chance: float = DIFFERENT) -> bool:
    return one[1] > 0 and sampling.chance_of_as_few(*one, *other) < chance


def _is_limited(way: _Way, hop: Seen, least: tuple[int, int]) -> bool:
    """Whether it leaves out more answers than is lost beyond it, or all of them: it has nothing to say."""
    return not way.answers(hop) or _has_less(least, way.counts(hop), chance=LIMITED)


def _house_loss(counts: tuple[int, int], least: tuple[int, int]) -> State:
    """Whatever the house loses comes first, however much more is lost beyond."""
    if _loses(*counts):
        return State.HIT
    return State.CLEAR if _has_less(counts, least) else State.NOTHING


def _hop_loss(way: _Way, hop: Seen, least: tuple[int, int]) -> State:
    """Hit is a hop that loses as much as what lies beyond; one that loses more has a limit as well."""
    counts = way.counts(hop)
    if _has_less(counts, least):
        return State.CLEAR
    as_much = _loses(*counts) and not _is_limited(way, hop, least)
    return State.HIT if as_much else State.NOTHING


# Stalls


@dataclass(frozen=True, slots=True)
class _Witnessed:
    """What everything but the hops says of one stall, or of several; and how the hops answered in it."""

    house: State
    hops: tuple[Answers, ...]
    outside: tuple[State, ...]


def _stalls(way: _Way) -> Finding | None:
    windows = _incidents(way)
    if not windows:
        house = way.measured_house()
        if house is None or not house.stalls:
            return None
        placed = way.place(State.HIT, [State.NOTHING] * len(way.hops), [State.CLEAR] * len(way.outside))
        return _finding("stalls", [placed] * len(house.stalls) if placed else [])
    each = [_witnessed(way, window) for window in windows]
    together = _pooled(way, each)
    if together is None:
        return _finding("stalls", [one for one in (_placed(way, stall) for stall in each) if one is not None])
    placed = _placed(way, together)
    return _finding("stalls", [placed] * len(each) if placed else [])


def _witnessed(way: _Way, window: Window) -> _Witnessed:
    delays = [one.rtt_us.p50 for one in way.outside if one.rtt_us is not None]
    margin_ms = MARGIN_MS + max(delays, default=0) // 1000
    inner = (window[0] + margin_ms, window[1] - margin_ms)
    house = way.measured_house()
    return _Witnessed(
        State.NOTHING if house is None else _train_state(way, house, inner),
        tuple(witnesses.within(hop, inner) for hop in way.hops),
        tuple(_train_state(way, one, inner) for one in way.outside),
    )


def _pooled(way: _Way, stalls: Sequence[_Witnessed]) -> _Witnessed | None:
    """All of them as one, if no two contradict each other; None when they do, as they have other places."""
    columns = [
        [stall.house for stall in stalls],
        *([stall.outside[nth] for stall in stalls] for nth in range(len(way.outside))),
        *([_hop_state(way, nth, stall) for stall in stalls] for nth in range(len(way.hops))),
    ]
    said = [set(column) - {State.NOTHING} for column in columns]
    if any(len(states) > 1 for states in said):
        return None
    house, *outside = [next(iter(states), State.NOTHING) for states in said[: 1 + len(way.outside)]]
    none = Answers(good=0, bad=0)
    hops = [sum((stall.hops[nth] for stall in stalls), none) for nth in range(len(way.hops))]
    return _Witnessed(house, tuple(hops), tuple(outside))


def _placed(way: _Way, stall: _Witnessed) -> Placed | None:
    hops = [_hop_state(way, nth, stall) for nth in range(len(way.hops))]
    mute = [not witnesses.speaks(witnesses.outside(hop, way.quiet)) for hop in way.hops]
    return way.place(stall.house, hops, stall.outside, silent=mute)


def _hop_state(way: _Way, nth: int, stall: _Witnessed) -> State:
    hop = way.hops[nth]
    if not way.answers(hop):
        return State.NOTHING
    return witnesses.state(stall.hops[nth], otherwise=witnesses.outside(hop, way.quiet))


def _incidents(way: _Way) -> list[Window]:
    """When endpoints outside stalled, each time once: what two stalls of the same moment have in common."""
    found: list[Window] = []
    for train in way.outside:
        for stall in train.stalls:
            window = (stall.start_ms, stall.start_ms + stall.duration_ms)
            same = next(
                (one for one in found if _overlap_ms(one, window) >= 0.5 * _shorter_ms(one, window)), None
            )
            if same is None:
                found.append(window)
            else:
                found[found.index(same)] = (max(same[0], window[0]), min(same[1], window[1]))
    return sorted(found)


def _train_state(way: _Way, seen: Seen, window: Window) -> State:
    """Of the part of the window in which it was sending: trains do not begin and end in one moment."""
    last_ms = seen.first_ms + round(way.split.seconds * 1000)
    common_ms = _overlap_ms(window, (seen.first_ms, last_ms))
    due = seen.per_second * common_ms / 1000
    if seen.failed is not None or due < 2 or common_ms < (window[1] - window[0]) / 2:
        return State.NOTHING
    share = (_within(seen.missed_ms, window) + _within(seen.late_ms, window)) / due
    return State.HIT if share >= _HIT else State.CLEAR if share <= _CLEAR else State.NOTHING


def _finding(trouble: str, placed: Sequence[Placed]) -> Finding | None:
    """What all of them say together; of several places, none."""
    if not placed:
        return None
    decided = [one for one in placed if one.owner is not None]
    owners = {one.owner for one in decided}
    shown = decided[0] if len(owners) == 1 else placed[0]
    counted = f"{len(decided)} of {len(placed)} placed; " if len(placed) > 1 else ""
    if len(owners) > 1:
        places = ", ".join(
            f"{sum(one.owner is owner for one in decided)} {owner}" for owner in sorted(owners, key=str)
        )
        return Finding(
            trouble=trouble,
            owner=None,
            where="",
            because=f"{counted}they lie in several places ({places})",
            decides="more stalls of the same kind, seen by further splits",
            times=len(placed),
            placed=len(decided),
        )
    return Finding(
        trouble=trouble,
        owner=shown.owner,
        where=shown.where,
        because=f"{counted}{shown.because}",
        decides=shown.decides,
        times=len(placed),
        placed=len(decided),
    )


# Rows


def _segment(way: _Way, seen: Seen, nth: int) -> Segment:
    lost, sent = way.counts(seen) if seen.failed is None else (0, 0)
    return Segment(
        segment=_name(way, seen, nth),
        seen=seen,
        loss_ratio=lost / sent if sent > 0 else None,
        note=_note(way, seen, lost, sent),
    )


def _name(way: _Way, seen: Seen, nth: int) -> str:
    if seen.station is Station.HOUSE:
        return "S1"
    if seen.station is Station.HOP:
        return "S2" if (seen.ttl or 0) <= way.split.house_hops else "S3"
    before = [one for one in way.split.seen[:nth] if one.station is Station.OUTSIDE]
    return f"S{4 + len(before)}"


def _note(way: _Way, seen: Seen, lost: int, sent: int) -> str:
    if seen.failed is not None:
        return f"not measured: {seen.failed}"
    if seen.station is not Station.HOP:
        return ""
    if not seen.answered_ms and seen.ttl in way.answered_before:
        return "answered in earlier records, and does not now"
    if not seen.answered_ms:
        return "does not answer, which is no evidence"
    if seen.shared is False:
        return "on the way to the first endpoint only"
    fine = [one for one in way.outside if one.failed is None and not _loses(*way.counts(one))]
    if _loses(lost, sent) and fine:
        return "its limit for answers, not loss: nothing is missing beyond"
    return ""


def _nothing(way: _Way) -> str:
    """What makes it clear, with its counts."""
    trains = [one for one in (way.measured_house(), *way.outside) if one is not None and one.failed is None]
    counts = ", ".join(
        f"{grouped(one.sent - one.lost)} of {grouped(one.sent)} packets to {one.name}" for one in trains
    )
    return f"Nothing wrong was seen in {way.split.seconds:g} s: {counts} came back, and there was no stall."


# Times


def _within(moments_ms: Sequence[int], window: Window) -> int:
    return sum(window[0] <= one <= window[1] for one in moments_ms)


def _bursts(train: Seen) -> list[Window]:
    """Silences of a train that are too short for a stall: packets lost one after the other."""
    if not train.per_second:
        return []
    spacing_ms, runs = 1000 / train.per_second, list[list[int]]()
    for one in train.missed_ms:
        if runs and one - runs[-1][-1] < 1.5 * spacing_ms:
            runs[-1].append(one)
        else:
            runs.append([one])
    return [(run[0] - MARGIN_MS, run[-1] + MARGIN_MS) for run in runs if len(run) >= _BURST]


def _overlap_ms(one: Window, other: Window) -> int:
    return min(one[1], other[1]) - max(one[0], other[0])


def _shorter_ms(one: Window, other: Window) -> int:
    return min(one[1] - one[0], other[1] - other[0])


def _length_ms(windows: Sequence[Window]) -> int:
    """Of all of them together, where they overlap once."""
    total = end_ms = 0
    for start, end in sorted(windows):
        total += max(0, end - max(start, end_ms if total else start))
        end_ms = max(end_ms, end)
    return total
