"""Records and trains to fill a database with, each possible and none special."""

from __future__ import annotations

import random

from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.histogram import Histogram
from store.layers import tcp_framing
from store.records import (
    Bin,
    Campaign,
    Circumstances,
    Correction,
    Direction,
    Failed,
    Gap,
    Limit,
    Opener,
    OpenKind,
    Owner,
    Planned,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    Thinned,
    TrainSpan,
    WindowOpened,
)

MINUTE_NS = 60 * 10**9


def side(goodput_bps: int = 16_900_000) -> RateSide:
    """Two seconds of a steady rate."""
    return RateSide(
        rates=tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True).rates(goodput_bps),
        lowest_second_bps=goodput_bps,
        bins=tuple(Bin(start_ms=100 * nth, bytes=goodput_bps // 80) for nth in range(20)),
        steady_from_ms=0,
        steady_to_ms=2000,
        received_bytes=goodput_bps // 4,
        mss_bytes=1448,
        ip_version=4,
        tcp_timestamps=True,
        sent_bytes=goodput_bps // 4,
        retransmitted_bytes=0,
        retransmitted_ratio=0.0,
        limited_by=Limit.PATH,
        congestion="cubic",
    )


def run(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> RateRun:
    """An upward run of two seconds."""
    return RateRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=2.0,
        direction=Direction.UP,
        flows=4,
        up=side(),
        down=None,
        rtt_idle_us=None,
        rtt_loaded_us=None,
        timestamps=Stamps.KERNEL,
        spent_bytes=4_225_000,
        reasons=("short",),
        circumstances=Circumstances(interface="eth0"),
    )


def span(
    started_unix_ns: int = 0,
    *,
    handoff: str = "old",
    endpoint: str = "north",
    delays_us: tuple[list[int], list[int]] = ([0, 250, 900], [0, 40, 90]),
) -> TrainSpan:
    """A minute of a train; `delays_us` are the PDVs up and down, on top of an RTT of 19 ms."""
    up, down = delays_us
    return TrainSpan(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=60.0,
        per_second=len(up) / 60,
        packet_bytes=112,
        waiting_s=3.0,
        sent=len(up) + 1,
        received=len(up),
        lost_up=1,
        lost_down=0,
        lost_unattributed=0,
        held_up=0,
        held_down=0,
        duplicated_up=0,
        duplicated_down=0,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=Histogram(19_000 + one + other for one, other in zip(up, down, strict=True)),
        pdv_up=Histogram(up),
        pdv_down=Histogram(down),
        jitter_up_us=123.456,
        jitter_down_us=9.876,
        timestamps=Stamps.KERNEL,
    )


def stall(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> Stall:
    return Stall(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        duration_us=1_300_000,
        direction=Direction.UP,
        how="lost",
        lost=26,
        held=0,
    )


def failed(started_unix_ns: int = 0) -> Failed:
    return Failed(
        what="run rate",
        why="the endpoint does not answer",
        whose=Owner.ENDPOINT,
        started_unix_ns=started_unix_ns,
        handoff="old",
        endpoint="north",
    )


def skipped(planned_unix_ns: int = 0) -> Skipped:
    return Skipped(
        what="run rate", why="quiet window", planned_unix_ns=planned_unix_ns, handoff="old", endpoint="north"
    )


def thinned() -> Thinned:
    """A stretch that is thinned in name only."""
    return Thinned(
        first_seq=1,
        last_seq=2,
        thinned_unix_ns=7,
        before=bytes(32),
        after=b"a" * 32,
        remainder=b"r" * 32,
        why="kept for a year",
    )


def campaign() -> Campaign:
    """Two runs of an evening, fixed at midnight."""
    return Campaign(
        handoff="old",
        endpoint="north",
        name="busy-upload",
        question="Does the upload reach 15 Mb/s in 95 % of runs?",
        started_unix_ns=4,
        direction=Direction.UP,
        seconds=10.0,
        flows=4,
        every_s=1800,
        hours="every day 18:00-19:00",
        first_day="1970-01-01",
        last_day=None,
        count=2,
        timezone="UTC",
        seed="0" * 32,
        planned=(
            Planned(start_unix_ns=18 * 3600 * 10**9, latest_unix_ns=66_586 * 10**9),
            Planned(start_unix_ns=67_000 * 10**9, latest_unix_ns=68_386 * 10**9),
        ),
    )


def event(started_unix_ns: int = 0) -> Event:
    return Event(
        handoff="old",
        started_unix_ns=started_unix_ns,
        what=EventKind.PORT,
        says="the port went from 1 Gb/s to 100 Mb/s",
        owner=Owner.HOUSE,
        before="1 Gb/s full",
        after="100 Mb/s full",
    )


def clock_change(started_unix_ns: int = 0) -> ClockChange:
    return ClockChange(
        started_unix_ns=started_unix_ns,
        how=ClockHow.STEP,
        ended_unix_ns=started_unix_ns + 1_420_000_000,
        elapsed_us=1_000_000,
        uncertainty_us=2,
        by_us=420_000,
        synchronised=True,
        error_us=900,
    )


EVERY_KIND: tuple[Record, ...] = (
    run(),
    span(),
    stall(),
    failed(),
    skipped(),
    Gap(started_unix_ns=0, ended_unix_ns=5, why="the probe was not running"),
    WindowOpened(started_unix_ns=3, name="show", window=OpenKind.SHOW, opener=Opener.PERSON, why="asked for"),
    campaign(),
    event(),
    clock_change(),
    Correction(
        handoff="old",
        endpoint="north",
        corrects_seq=1,
        written_unix_ns=9,
        what="the run used 8 flows, not 4",
        why="the site file of that day says so",
    ),
)


def cable_delays(chance: random.Random, count: int) -> tuple[list[int], list[int]]:
    """PDVs of a shared cable: upward a wait for the next grant, up to 4 ms; downward a short queue."""
    up = [int(chance.uniform(0, 4000) + chance.expovariate(1 / 800)) for _ in range(count)]
    down = [int(chance.expovariate(1 / 400) + abs(chance.gauss(0, 150))) for _ in range(count)]
    return _over_minimum(up), _over_minimum(down)


def fibre_delays(chance: random.Random, count: int) -> tuple[list[int], list[int]]:
    """PDVs of an own fibre: some tens of microseconds, now and then more."""
    up, down = (
        [int(abs(chance.gauss(60, 25)) + chance.expovariate(1 / 40)) for _ in range(count)] for _ in range(2)
    )
    return _over_minimum(up), _over_minimum(down)


def _over_minimum(delays_us: list[int]) -> list[int]:
    return [delay - min(delays_us) for delay in delays_us]
