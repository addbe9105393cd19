"""An invented site and an invented record of it, for pages to show. Nothing in here was measured.

The record is made by rule from a seeded generator and written through the real writer: evenings sag,
stalls come in, one lead was on a slow port, one endpoint did not answer, one hour was not measured.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from store.ceilings import Ceiling, CeilingOf
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.events import Event, EventKind
from store.histogram import Delays, Histogram
from store.layers import Layer, tcp_framing
from store.notices import Notice, NoticeState
from store.records import (
    Bin,
    Carrier,
    Circumstances,
    Direction,
    Failed,
    Gap,
    Limit,
    Owner,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    TrainSpan,
)
from store.site import (
    Card,
    Destination,
    EndpointRef,
    Handoff,
    RunPlan,
    Site,
    StreamPlan,
    Times,
    TrainPlan,
    Transport,
    Where,
)
from store.writer import Writer

ZONE = "UTC+01:00"
NOW = datetime(2026, 11, 25, 17, 50, tzinfo=UTC)  # a Wednesday, 18:50 on the site's clocks
NOW_NS = int(NOW.timestamp()) * NS_PER_S
HOUR_NS = 3600 * NS_PER_S
UNMEASURED_HOUR = 9  # before now
FRAMING = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)


def clock() -> Clock:
    """A clock that stands at `NOW`."""
    return Clock(monotonic_ns=lambda: 0, unix_ns=lambda: NOW_NS)


def site(folder: Path) -> Site:
    """The practice school with its old line and one new handoff."""
    old = Card(
        provider="Marlstone Cable",
        reference="order of 3 March",
        rate_up_bps=15_000_000,
        rate_down_bps=None,
        layer=Layer.NOT_STATED,
        fee_per_month="64 crowns",
        notice="60 days",
        pages=(("rate_up", "order confirmation, page 1"), ("notice", "terms, page 4")),
        not_stated=("rate_down", "layer", "port_rate", "rtt_p95", "pdv_p99", "loss", "availability"),
    )
    new = Card(
        provider="Greyfell Circuits",
        reference="GC-40417",
        rate_up_bps=600_000_000,
        rate_down_bps=600_000_000,
        layer=Layer.ETHERNET,
        port_rate_bps=1_000_000_000,
        rtt_p95_us=9_000,
        pdv_p99_us=3_000,
        loss_ratio=0.0005,
        availability_ratio=0.9993,
        availability_rule="10 s in a row with more than half the packets lost",
        fee_per_month="210 crowns",
        service_start=date(2026, 6, 22),
        term_end=date(2030, 6, 21),
        notice="4 months",
        pages=(("rate_up", "schedule 2, page 3"),),
    )
    evening = Times(
        weekdays=frozenset({0, 1, 2, 3}), dates=frozenset(), from_minute=19 * 60, to_minute=21 * 60
    )
    saturday = Times(weekdays=frozenset({5}), dates=frozenset(), from_minute=15 * 60, to_minute=18 * 60)
    return Site(
        name="Quillet Lane School of Ceramics",
        invented=True,
        timezone=ZONE,
        database=folder / "invented.db",
        file=folder / "site.toml",
        handoffs=(
            _handoff("old", "Old line, Marlstone Cable", old),
            _handoff("A", "Handoff A, Greyfell Circuits", new),
        ),
        endpoints=(
            EndpointRef(name="north", where=Where.OUTSIDE, invitation=""),
            EndpointRef(name="lan", where=Where.HOUSE, invitation=""),
        ),
        trains=tuple(
            TrainPlan(handoff=handoff, endpoint=endpoint, per_second=20)
            for handoff, endpoint in (("old", "north"), ("old", "lan"), ("A", "north"))
        ),
        runs=(
            RunPlan(
                handoff="old", endpoint="north", direction=Direction.UP, seconds=10, flows=4, every_s=3600
            ),
        ),
        plans=(
            StreamPlan(
                name="evening",
                title="Evening class",
                handoff="old",
                times=evening,
                destinations=(destination("class", 4_500_000),),
            ),
            StreamPlan(
                name="opening",
                title="Kiln opening",
                handoff="A",
                times=saturday,
                destinations=tuple(destination(name, 6_500_000) for name in ("main", "second")),
            ),
        ),
        windows=(),
    )


def _handoff(name: str, title: str, card: Card) -> Handoff:
    return Handoff(
        name=name, title=title, interface="eth1", source=None, metered=False, allowance_bytes=None, card=card
    )


def destination(name: str, video_bps: int) -> Destination:
    """A TCP push with a second of buffer."""
    return Destination(
        name=name,
        video_bps=video_bps,
        audio_bps=160_000,
        transport=Transport.TCP,
        buffer_s=1.0,
        peak_factor=1.1,
        repeat_ceiling=0.0,
        keyframe_s=2.0,
        frames_per_second=30.0,
        picture="1080p30 H.264",
    )


def write(path: Path, *, days: int = 3, train_hours: int = 26) -> None:
    """Write the invented record of so many days, the trains for so many hours only, up to `NOW`."""
    writer = Writer.open(path, clock=clock())
    try:
        for record in records(days=days, train_hours=train_hours):
            writer.append(record)
        writer.mark_alive(NOW_NS - 4 * NS_PER_S)
    finally:
        writer.close()


def records(*, days: int, train_hours: int) -> Iterator[Record]:
    """Every record, in the order of its making."""
    chance = random.Random(20261125)
    for hour in range(days * 24, 0, -1):
        started_ns = NOW_NS - hour * HOUR_NS + chance.randrange(3000) * NS_PER_S
        if hour != UNMEASURED_HOUR:
            yield from _runs(started_ns, hour, chance)
    for minute in range(train_hours * 60, 0, -1):
        yield from _minutes(NOW_NS - minute * 60 * NS_PER_S, chance)
    yield from events()
    for of, endpoint, goodput_bps in (
        (CeilingOf.HOST, "", 9_420_000_000),
        (CeilingOf.ENDPOINT, "north", 16_900_000),
    ):
        yield Ceiling(
            endpoint=endpoint,
            started_unix_ns=NOW_NS - 30 * HOUR_NS,
            of=of,
            flows=4,
            seconds=3.0,
            goodput_bps=goodput_bps,
            kernel="6.1.0",
        )
    yield Failed(
        what="run rate",
        why="north.example.net did not answer on port 8443 within 5 s",
        whose=Owner.ENDPOINT,
        started_unix_ns=NOW_NS - 5 * HOUR_NS,
        handoff="A",
        endpoint="north",
    )
    yield Skipped(
        what="run rate",
        why="the show window of evening class was open",
        planned_unix_ns=NOW_NS - 22 * HOUR_NS,
        handoff="old",
        endpoint="north",
    )
    yield Gap(
        started_unix_ns=NOW_NS - UNMEASURED_HOUR * HOUR_NS,
        ended_unix_ns=NOW_NS - (UNMEASURED_HOUR - 1) * HOUR_NS,
        why="the probe was not running",
    )


def events() -> Iterator[Event | Notice]:
    """An outage that lasts, with its notices, an evening of stalls two days ago, a lead pulled and back."""

    def event(
        ago_s: float,
        what: EventKind,
        says: str,
        *,
        handoff: str = "old",
        endpoint: str = "",
        owner: Owner = Owner.UNKNOWN,
        **more: Any,
    ) -> Event:
        return Event(
            handoff=handoff,
            endpoint=endpoint,
            started_unix_ns=NOW_NS - round(ago_s * NS_PER_S),
            what=what,
            says=says,
            owner=owner,
            **more,
        )

    hour = 3600
    for minute in range(0, 48, 6):
        says = "2 stalls in a minute, the longest 1.9 s up, every packet lost (train to north)"
        yield event(46 * hour - minute * 60, EventKind.STALL, says, endpoint="north", seconds=1.9, count=2)
    yield event(5 * hour, EventKind.CARRIER_LOST, "no carrier on port eth1")
    yield event(5 * hour - 42, EventKind.CARRIER_BACK, "carrier back on port eth1 after 42.0 s", seconds=42.0)
    yield event(
        5 * hour - 42,
        EventKind.PORT,
        "port eth1 runs at 100 Mb/s full duplex, before at 1 Gb/s full duplex",
        owner=Owner.HOUSE,
        before="1 Gb/s full duplex",
        after="100 Mb/s full duplex",
    )
    says = "nothing came back from north for more than 10 s; the house endpoint lan answers meanwhile"
    yield event(400, EventKind.OUTAGE_START, says, handoff="A", endpoint="north")
    for ago_s, channel, state, tries, why in (
        (390, "owner-mail", NoticeState.QUEUED, 0, None),
        (370, "owner-mail", NoticeState.DELIVERED, 1, None),
        (390, "lamp", NoticeState.QUEUED, 0, None),
    ):
        yield Notice(
            handoff="A",
            started_unix_ns=NOW_NS - ago_s * NS_PER_S,
            channel=channel,
            subject="line",
            case_unix_ns=NOW_NS - 400 * NS_PER_S,
            queued_unix_ns=NOW_NS - 390 * NS_PER_S,
            state=state,
            says="Handoff A: outage, north silent.",
            tries=tries,
            why=why,
        )


def _evening(unix_ns: int) -> bool:
    at = datetime.fromtimestamp(unix_ns // NS_PER_S, UTC) + timedelta(hours=1)
    return 18 <= at.hour < 23


def _runs(started_ns: int, hour: int, chance: random.Random) -> Iterator[RateRun]:
    """Hourly runs up on the old line, and up and down on the new one, where light runs go as well."""
    up = chance.gauss(9.2e6, 1.6e6) if _evening(started_ns) else chance.gauss(16.9e6, 0.4e6)
    wired_slow = 30 <= hour < 33
    yield rate_run(
        started_ns, "old", Direction.UP, max(3e6, up), reasons=("port_limit",) if wired_slow else ()
    )
    for place, direction in enumerate((Direction.UP, Direction.DOWN)):
        yield rate_run(started_ns + (60 + 30 * place) * NS_PER_S, "A", direction, chance.gauss(607e6, 1e6))
    yield light_run(started_ns + 150 * NS_PER_S)


def rate_run(
    started_ns: int,
    handoff: str,
    direction: Direction,
    goodput_bps: float,
    *,
    reasons: tuple[str, ...] = (),
) -> RateRun:
    """A rate run of 10 s with this payload rate."""
    goodput = round(goodput_bps)
    side = RateSide(
        rates=FRAMING.rates(goodput),
        lowest_second_bps=round(goodput * 0.93),
        bins=tuple(Bin(start_ms=start, bytes=goodput // 80) for start in range(0, 10_000, 100)),
        steady_from_ms=2000,
        steady_to_ms=10_000,
        received_bytes=goodput * 10 // 8,
        mss_bytes=1448,
        ip_version=4,
        tcp_timestamps=True,
        sent_bytes=goodput * 10 // 8,
        retransmitted_bytes=goodput // 4000,
        retransmitted_ratio=0.0002,
        limited_by=Limit.PATH,
        congestion="cubic",
    )
    idle, loaded = (21_000, 180_000) if handoff == "old" else (4_000, 9_000)
    return RateRun(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=started_ns,
        seconds=10,
        direction=direction,
        flows=4,
        up=side if direction is Direction.UP else None,
        down=side if direction is Direction.DOWN else None,
        rtt_idle_us=_delays(idle),
        rtt_loaded_us=_delays(loaded),
        timestamps=Stamps.KERNEL,
        spent_bytes=goodput * 10 // 8,
        reasons=(*reasons, "short"),
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def light_run(started_ns: int) -> RateRun:
    """A light run both ways on handoff A: a tenth of its 600 Mb/s, and that is what arrived."""
    asked_bps = 56_400_000
    both = (Direction.UP, Direction.DOWN)
    up, down = (rate_run(started_ns, "A", direction, asked_bps) for direction in both)
    assert up.up is not None
    assert down.down is not None
    return replace(
        up,
        seconds=5,
        direction=Direction.BOTH,
        up=replace(up.up, limited_by=Limit.PACE, lowest_second_bps=asked_bps),
        down=replace(down.down, limited_by=Limit.PACE, lowest_second_bps=asked_bps),
        rtt_loaded_us=_delays(4_100),
        reasons=("light", "short"),
        at_most_up_goodput_bps=asked_bps,
        at_most_down_goodput_bps=asked_bps,
    )


def _delays(middle_us: int) -> Delays:
    return Delays(
        count=200,
        min=middle_us * 9 // 10,
        p50=middle_us,
        p95=middle_us * 13 // 10,
        p99=middle_us * 15 // 10,
        max=middle_us * 2,
    )


def _minutes(started_ns: int, chance: random.Random) -> Iterator[TrainSpan | Stall]:
    """A minute of each train; none in the hour that was not measured."""
    if (UNMEASURED_HOUR - 1) * HOUR_NS < NOW_NS - started_ns <= UNMEASURED_HOUR * HOUR_NS:
        return
    evening = _evening(started_ns)
    stalled = chance.random() < (5 / 60 if evening else 0.4 / 60)
    yield span(started_ns, "old", "north", rtt_us=35_000 if evening else 21_000, lost_up=24 if stalled else 0)
    yield span(started_ns, "old", "lan", rtt_us=400)
    yield span(started_ns, "A", "north", rtt_us=4_000)
    if stalled:
        yield Stall(
            handoff="old",
            endpoint="north",
            started_unix_ns=started_ns + 20 * NS_PER_S + 137 * NS_PER_MS,
            duration_us=round(chance.uniform(0.6, 2.4) * 1e6),
            direction=Direction.UP,
            how="lost",
            lost=24,
            held=0,
        )


def span(started_ns: int, handoff: str, endpoint: str, *, rtt_us: int, lost_up: int = 0) -> TrainSpan:
    """A minute of a train at 20 a second."""
    received = 1200 - lost_up
    rtt, pdv = Histogram(), Histogram()
    for place in range(12):
        rtt.add(rtt_us + rtt_us * place * place // 400, received // 12)
        pdv.add(rtt_us * place * place // 800, received // 12)
    return TrainSpan(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        seconds=60,
        per_second=20,
        packet_bytes=128,
        waiting_s=3,
        sent=1200,
        received=received,
        lost_up=lost_up,
        lost_down=0,
        lost_unattributed=0,
        held_up=0,
        held_down=0,
        duplicated_up=0,
        duplicated_down=0,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=rtt,
        pdv_up=pdv,
        pdv_down=pdv,
        jitter_up_us=rtt_us / 100,
        jitter_down_us=rtt_us / 100,
        timestamps=Stamps.KERNEL,
    )


def packets(started_ns: int, rtt_us: dict[int, int]) -> TrainSpan:
    """A span of packets with these round trips: delay -> how many."""
    made = span(started_ns, "old", "north", rtt_us=1000)
    rtt = Histogram()
    for delay_us, times in rtt_us.items():
        rtt.add(delay_us, times)
    return replace(made, rtt=rtt, sent=rtt.count, received=rtt.count)
