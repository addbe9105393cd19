"""Split: every segment of a handoff's way in the same seconds, to see on which one the trouble is.

A train goes to the house endpoint (S1) and to one or two endpoints outside (S4, S5), and beside them the
routers on the way are asked by their TTL (S2, S3; `probe.hops`), all at once: a stall is then seen, or not
seen, by every segment in the same second. Routers are asked on the way to the first endpoint outside and,
less often, on the way to the second; one that answers on both is on the way to both. What was seen becomes
one record; what it means is judged by whoever reads it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from probe.hops import WAIT_S, Asked, HopWatch, Pace, Way, way_to
from probe.methods import train
from probe.methods.train import TrainRequest, TrainRun
from probe.reach import Reach
from probe.standing import by_way
from store.clock import NS_PER_MS, Clock
from store.histogram import Histogram
from store.records import Circumstances, Failed, Owner
from store.segments import Seen, Silent, Split, Station

PER_SECOND = 20.0  # of each train: a stall shows within its first tenth
MOST_HOPS = 4

_PACKET_BYTES, _HEADER_BYTES = 152, 28
_MOMENT_S = 0.2  # beyond the wait, until the last has been given up
_HOP_BYTES = 60  # a packet of ours at the IP layer; the answer quotes as much and more
# Together once a second to a router on both ways, extras apart: see probe.hops for what Linux answers.
_FIRST = Pace(every_s=1.25, extras=3, refill_per_s=0)
_SECOND = Pace(every_s=5.0, extras=0, refill_per_s=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitPlan:
    """How long, and how far out: `house_hops` of the up to `most_hops` routers are the house's own."""

    seconds: float = 45.0
    house_hops: int = 1
    most_hops: int = MOST_HOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Whom to reach by one handoff: an endpoint in the house, if there is one, and those outside."""

    house: Reach | None
    outside: tuple[Reach, ...]


async def run(plan: SplitPlan, where: Ways, clock: Clock) -> Split | Failed:
    """Measure all segments at once; some 5 s longer than `seconds` at most.

    A segment that cannot be measured is in the record as that. It fails when none can.
    """
    started_ns = clock.unix_ns()
    houses = () if where.house is None else (where.house,)
    reaches = (*houses, *where.outside)
    request = TrainRequest(seconds=plan.seconds, per_second=PER_SECOND, packet_bytes=_PACKET_BYTES)
    async with asyncio.TaskGroup() as group:
        trains = [group.create_task(train.run(request, reach, clock), name="train") for reach in reaches]
        asking = group.create_task(_ask_hops(plan, where.outside, clock), name="hops")
    found = [task.result() for task in trains]
    asked = asking.result()
    if isinstance(asked, Failed):
        if all(isinstance(one, Failed) for one in found):
            return next(one for one in (*found, asked) if isinstance(one, Failed))
        asked = _Answers()
    stations = [Station.HOUSE] * len(houses) + [Station.OUTSIDE] * len(where.outside)
    rows = [
        _of_train(station, reach, one, started_ns)
        for station, reach, one in zip(stations, reaches, found, strict=True)
    ]
    hops = _of_hops(asked, started_ns=started_ns, ways=len(where.outside))
    known = _around(found[len(houses) :])
    return Split(
        handoff=reaches[0].handoff,
        started_unix_ns=started_ns,
        reasons=() if known is None else by_way(known, where.outside[0].evidence),
        circumstances=known,
        seconds=plan.seconds,
        ip_version=asked.ip_version,
        house_hops=plan.house_hops,
        seen=(*rows[: len(houses)], *hops, *rows[len(houses) :]),
        spent_bytes=_spent_bytes(found, hops),
    )


# Hops


class _Answers:
    """What the routers answered on each way, by the way's place."""

    def __init__(self, ip_version: int = 4) -> None:
        self.ip_version = ip_version
        self.asked: list[tuple[int, Asked]] = []

    def take(self, way: int, asked: Asked) -> None:
        self.asked.append((way, asked))


async def _ask_hops(plan: SplitPlan, outside: Sequence[Reach], clock: Clock) -> _Answers | Failed:
    ways = [await way_to(reach) for reach in outside]
    usable = [(place, way) for place, way in enumerate(ways) if isinstance(way, Way)]
    if not usable:
        return next(way for way in ways if isinstance(way, Failed))
    answers = _Answers(usable[0][1].ip_version)
    watches = [
        HopWatch(
            way,
            clock,
            ttls=range(1, plan.most_hops + 1),
            pace=_FIRST if (place, way) == usable[0] else _SECOND,
            take=partial(answers.take, place),
        )
        for place, way in usable
    ]
    try:
        for watch in watches:
            watch.start()
        await asyncio.sleep(plan.seconds)
        for watch in watches:
            watch.stop()
        await asyncio.sleep(WAIT_S + _MOMENT_S)
    except OSError as error:
        why = f"this host cannot send by this handoff ({error.strerror})"
        return Failed(what="split", why=why, whose=Owner.HOUSE, handoff=outside[0].handoff)
    finally:
        for watch in watches:
            watch.close()
    return answers


def _of_hops(answers: _Answers, *, started_ns: int, ways: int) -> list[Seen]:
    """A row for each router, by TTL; a TTL where the endpoint itself answers is none."""
    reached = [asked.ttl for _, asked in answers.asked if asked.reached]
    ttls = sorted({asked.ttl for _, asked in answers.asked if asked.ttl < min(reached, default=256)})
    return [_of_hop(ttl, answers, started_ns=started_ns, ways=ways) for ttl in ttls]


def _of_hop(ttl: int, answers: _Answers, *, started_ns: int, ways: int) -> Seen:
    """What was asked at this TTL of the first way, and of the second where the same router answers there."""
    at = [(way, asked) for way, asked in answers.asked if asked.ttl == ttl]
    names = [_most(asked.sender for way, asked in at if way == nth and asked.sender) for nth in range(ways)]
    first = next((name for name in names if name), "")
    shared = None if ways < 2 or not all(names) else len(set(names)) == 1
    own = [asked for way, asked in at if way == 0 or names[way] == first]
    own.sort(key=lambda asked: asked.sent_unix_ns)
    answered = [asked for asked in own if asked.rtt_us is not None]
    rtts_us = [asked.rtt_us for asked in answered if asked.rtt_us is not None]
    return Seen(
        station=Station.HOP,
        name=first,
        ttl=ttl,
        shared=shared,
        sent=len(own),
        lost=len(own) - len(answered),
        rtt_us=Histogram(rtts_us).delays(),
        answered_ms=tuple(_ms(asked.sent_unix_ns, started_ns) for asked in answered),
        rtts_us=tuple(rtts_us),
        missed_ms=tuple(_ms(asked.sent_unix_ns, started_ns) for asked in own if asked.rtt_us is None),
    )


# Trains


def _of_train(station: Station, reach: Reach, found: TrainRun | Failed, started_ns: int) -> Seen:
    if isinstance(found, Failed):
        return Seen(station=station, name=reach.endpoint, failed=found.why, whose=found.whose)
    span = found.span
    return Seen(
        station=station,
        name=reach.endpoint,
        per_second=span.per_second,
        first_ms=_ms(span.started_unix_ns, started_ns),
        sent=span.sent,
        lost=span.lost,
        rtt_us=span.rtt.delays(),
        stalls=tuple(
            Silent(
                start_ms=_ms(stall.started_unix_ns, started_ns),
                duration_ms=stall.duration_us // 1000,
                direction=stall.direction,
                how=stall.how,
            )
            for stall in found.stalls
        ),
        missed_ms=tuple(_ms(one.sent_unix_ns, started_ns) for one in found.packets if one.lost),
        late_ms=tuple(_ms(one.sent_unix_ns, started_ns) for one in found.packets if one.held),
    )


def _around(outside: Sequence[TrainRun | Failed]) -> Circumstances | None:
    """What else was true of the way out: of one that went elsewhere, if any did."""
    known = [one.span.circumstances for one in outside if isinstance(one, TrainRun)]
    there = [one for one in known if one is not None]
    return next((one for one in there if one.left_elsewhere is not None), there[0] if there else None)


def _spent_bytes(trains: Sequence[TrainRun | Failed], hops: Sequence[Seen]) -> int:
    spans = [one.span for one in trains if isinstance(one, TrainRun)]
    packets = sum(span.sent + span.received for span in spans)
    return packets * (_PACKET_BYTES + _HEADER_BYTES) + sum(2 * _HOP_BYTES * one.sent for one in hops)


def _ms(unix_ns: int, started_ns: int) -> int:
    return (unix_ns - started_ns) // NS_PER_MS


def _most(names: Iterable[str]) -> str:
    """The most frequent of the names, empty for none."""
    found = Counter(names).most_common(1)
    return found[0][0] if found else ""
