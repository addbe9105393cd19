"""Each signature is found in an invented record that has it, with its owner, and not in one that nearly has.

What a signature looks like is the trade's table of signatures (common practice, no source); port tops are
recomputed here from the octets on the wire (RFC 6349 section 4.1.1).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from scipy import stats

from dashboard.judge import finding, findings, sampling
from dashboard.judge.finding import Finding
from dashboard.judge.material import Cell, Mark, Material
from dashboard.judge.signatures import SIGNATURES, signature
from store.bursts import BurstRun, Limiter
from store.clock import NS_PER_S
from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.histogram import Delays, Histogram
from store.layers import Layer, tcp_framing
from store.light import Light
from store.loaded_delay import Added, LoadedDelayRun, PartDelay, UnderLoad
from store.lookups import Heard, Lookups, NameAsked
from store.paced import PacedPart
from store.path_mtu import Beyond, FamilyMtu, PathMtu
from store.records import (
    Bin,
    Circumstances,
    Direction,
    Limit,
    Opener,
    OpenKind,
    Owner,
    RateRun,
    Stamps,
    WindowClosed,
    WindowOpened,
)
from store.segments import HopCount, Hops, Seen, Split, Station, Witnesses
from store.site import Card, Handoff
from store.sizes import Counted, Size, SizesRun
from tests.dashboard.judge.made import ZONE, at, run, side, stall

DAY_NS, HOUR_NS, MINUTE_NS = 86_400 * NS_PER_S, 3600 * NS_PER_S, 60 * NS_PER_S
MONDAY = at("2026-03-02 00:00")
CARD = Card(rate_up_bps=600_000_000, layer=Layer.ETHERNET, port_rate_bps=10_000_000_000)


def handoff(**card: Any) -> Handoff:
    return Handoff(
        name="old",
        title="Old line",
        interface=None,
        source=None,
        metered=False,
        allowance_bytes=None,
        card=replace(CARD, **card),
    )


def material(days: int = 14, **held: Any) -> Material:
    made = Material(
        handoff=handoff(),
        zone=ZONE,
        since_ns=MONDAY,
        until_ns=MONDAY + days * DAY_NS,
        outside=("north", "south"),
        house=("lan",),
    )
    return replace(made, **held)


def hourly(
    days: int, bps: Callable[[int], float], endpoint: str = "north", offset_s: int = 0, **bent: Any
) -> tuple[RateRun, ...]:
    """A run up each hour; `bps` of the hour since the beginning."""
    return tuple(
        run(
            round(bps(hour)),
            started_unix_ns=MONDAY + hour * HOUR_NS + (600 + offset_s) * NS_PER_S,
            endpoint=endpoint,
            **bent,
        )
        for hour in range(days * 24)
    )


def delays(p50_us: int, *, least_us: int | None = None, p95_us: int | None = None) -> Delays:
    least = p50_us - 300 if least_us is None else least_us
    top = p50_us + 500 if p95_us is None else p95_us
    return Delays(count=6000, min=least, p50=p50_us, p95=top, p99=top, max=top)


@cache  # the clean trains are the same in most tests
def cells(
    days: int,
    endpoint: str,
    *,
    rtt_us: Callable[[int], int] = lambda _: 21_000,
    lost: Callable[[int], int] = lambda _: 0,
    pdv: Callable[[int], int] = lambda _: 300,
    reordered: int = 0,
    minutes: int = 10,
) -> tuple[Cell, ...]:
    """Ten minutes each; the functions take the minute since the beginning."""
    packets = minutes * 1200
    return tuple(
        Cell(
            endpoint=endpoint,
            started_unix_ns=MONDAY + minute * MINUTE_NS,
            ended_unix_ns=MONDAY + (minute + minutes) * MINUTE_NS,
            sent=packets,
            received=packets - lost(minute),
            lost=lost(minute),
            reordered=reordered,
            rtt=delays(rtt_us(minute)),
            pdv_up=delays(pdv(minute), least_us=0),
            pdv_down=delays(pdv(minute), least_us=0),
        )
        for minute in range(0, days * 1440, minutes)
    )


def hops(days: int, rtts_us: Callable[[int], tuple[int, int]]) -> tuple[Hops, ...]:
    """An hour of the house's router and of the provider's first hop each."""
    return tuple(
        Hops(
            handoff="old",
            endpoint="north",
            started_unix_ns=MONDAY + hour * HOUR_NS,
            minutes=60,
            house_hops=1,
            counts=tuple(
                HopCount(ttl=ttl, names=(f"192.0.2.{ttl}",), sent=(60,), answered=(59,), p50_us=us)
                for ttl, us in enumerate(rtts_us(hour), 1)
            ),
        )
        for hour in range(days * 24)
    )


def found(held: Material, number: int) -> list[Finding]:
    return [one for one in findings.find(held) if one.number == number]


def evening(hour: int) -> bool:
    return 18 <= hour % 24 < 23


def noise(sigma: float, seed: int = 1) -> Callable[[int], float]:
    chance = random.Random(seed)
    drawn = [chance.gauss(1, sigma) for _ in range(24 * 120)]
    return lambda hour: drawn[hour]


FIVE_IN_CLASS = {
    100e6: 94.1,
    1e9: 941,
    2.5e9: 2354,
    5e9: 4707,
    10e9: 9415,
}  # Mb/s, the trade's in-house table


@pytest.mark.parametrize(("port_bps", "top_mbps"), FIVE_IN_CLASS.items())
def test_ports(port_bps: float, top_mbps: float) -> None:
    """1, 2: a level top at a port's class is the port's; 2 % below it nothing is said."""
    assert port_bps * 1448 / 1538 / 1e6 == pytest.approx(top_mbps, rel=0.001)  # 1500 bytes and 38 around them
    wobble = noise(0.001)
    number = 1 if port_bps == 100e6 else 2
    held = material(
        runs=hourly(2, lambda hour: top_mbps * 1e6 * wobble(hour)), handoff=handoff(port_rate_bps=None)
    )
    (one,) = found(held, number)
    assert dict(one.counts)["port_bps"] == port_bps
    assert one.owner is Owner.UNKNOWN
    near = replace(held, runs=hourly(2, lambda hour: 0.975 * top_mbps * 1e6 * wobble(hour)))
    assert not found(near, number)


def test_own_port() -> None:
    """1: the probe's own port at that rate makes it the house's, in one stretch of a longer record."""
    slow = Circumstances(interface="eth1", port_rate_bps=100_000_000)
    runs = tuple(
        replace(one, up=side(94_100_000), circumstances=slow, reasons=("port_limit",))
        if 40 <= nth < 60
        else one
        for nth, one in enumerate(hourly(7, lambda _: 265e6))
    )
    named = tuple(replace(one, circumstances=replace(one.circumstances, interface="eth1")) for one in runs)
    (one,) = found(material(runs=named), 1)
    assert (one.owner, dict(one.counts)["runs"]) == (Owner.HOUSE, 20)
    assert one.first_unix_ns == named[40].started_unix_ns


def sagging(days: int = 14) -> Material:
    wobble = noise(0.04)

    def bps(hour: int) -> float:
        return (9.2e6 if evening(hour) else 16.9e6) * wobble(hour)

    def rtt_us(minute: int) -> int:
        return 35_000 if evening(minute // 60) else 21_000

    return material(
        days,
        runs=hourly(days, bps) + hourly(days, bps, "south", 60),
        cells=(
            *cells(days, "north", rtt_us=rtt_us),
            *cells(days, "south", rtt_us=rtt_us),
            *cells(days, "lan", rtt_us=lambda _: 400),
        ),
        documents=hops(days, lambda hour: (500, 24_000 if evening(hour) else 10_000)),
    )


def test_busy_hours() -> None:
    """3: both endpoints and the provider's hop are hit in the evenings, the house is not: the provider's."""
    (one,) = found(sagging(), 3)
    counts = dict(one.counts)
    assert (one.owner, counts["days"], one.direction) == (Owner.PROVIDER, 14, Direction.UP)
    assert counts["p50_bps"] == pytest.approx(9.2e6, rel=0.03)
    assert one.chance == pytest.approx(stats.binomtest(14, 14, 0.5, alternative="greater").pvalue)
    assert "18:00 to 23:00" in one.seen


def test_busy_hours_in_the_house() -> None:
    """3: with the house's own router as late as everything beyond it, the provider is not named."""
    late = replace(
        sagging(), documents=hops(14, lambda hour: (14_500, 24_000) if evening(hour) else (500, 10_000))
    )
    (one,) = found(late, 3)
    assert one.owner is Owner.HOUSE


def test_few_busy_hours() -> None:
    """3: six bad evenings could be chance (1 in 64), and 8 % less is no trough at all."""
    assert not found(sagging(6), 3)
    wobble = noise(0.01)
    held = material(runs=hourly(14, lambda hour: (15.6e6 if evening(hour) else 16.9e6) * wobble(hour)))
    assert not found(held, 3)


def two_ends(low: Callable[[int], float]) -> Material:
    wobble = noise(0.04)
    return material(
        runs=tuple(
            one
            for minute in (0, 900, 1800, 2700)
            for name, share in (("north", lambda _: 1.0), ("south", low))
            for one in hourly(
                14,
                lambda hour, share=share: 16.9e6 * share(hour) * wobble(hour),
                name,
                minute + (name == "south") * 60,
            )
        )
    )


def test_trough_to_one_endpoint() -> None:
    """4: every evening one endpoint is slower by a wandering rate and the other one is not."""
    wander = noise(0.15, 2)
    (one,) = found(two_ends(lambda hour: 0.6 * wander(hour) if hour % 24 == 20 else 1.0), 4)
    assert (one.owner, one.endpoint, dict(one.counts)["hour"]) == (Owner.ENDPOINT, "south", 20)


def test_busy_endpoint() -> None:
    """33: level at one hour of five days, and the line is not blamed."""
    held = two_ends(lambda hour: 0.41 if hour % 24 == 20 and 1 <= hour // 24 <= 5 else 1.0)
    (one,) = found(held, 33)
    counts = dict(one.counts)
    assert (one.owner, one.endpoint, counts["hour"], counts["days"]) == (Owner.ENDPOINT, "south", 20, 5)
    assert not found(held, 3)
    assert not found(held, 4)


def test_endpoint_slow_once() -> None:
    """4, 33: one slow hour in two weeks is nothing."""
    held = two_ends(lambda hour: 0.5 if hour == 20 else 1.0)
    assert not found(held, 4) + found(held, 33)


def sweep(share: Callable[[int], float], counted: Counted) -> SizesRun:
    """Frames of two sizes, each with the share of 600 Mb/s at layer 2 that passed."""

    def part(frame: int) -> PacedPart:
        ethernet = round(600e6 * share(frame))
        payload = frame - 46
        rates = replace(
            tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True).rates(0), ethernet_bps=ethernet
        )
        return PacedPart(
            direction=Direction.UP,
            started_unix_ns=MONDAY,
            payload_bytes=payload,
            offered_bps=700_000_000,
            rates=rates,
            error_ratio=0.001,
            sent=1000,
            received=900,
            lost=100,
            loss_ratio=0.1,
            reordered=0,
            dropped_socket=0,
            queue_us=0,
        )

    return SizesRun(
        handoff="old",
        endpoint="north",
        started_unix_ns=MONDAY,
        direction=Direction.UP,
        seconds=10.0,
        ip_version=4,
        offered_bps=700_000_000,
        counted=counted,
        because="it fits",
        spent_bytes=0,
        circumstances=Circumstances(),
        sizes=tuple(Size(frame_bytes=frame, used=True, part=part(frame)) for frame in (256, 1518)),
    )


def test_wrong_layer() -> None:
    """5: 98.7 % at 1518 and 92.8 % at 256 bytes is a limit that counts preamble and gap (20 bytes)."""
    (one,) = found(material(documents=(sweep(lambda frame: frame / (frame + 20), Counted.WIRE),)), 5)
    assert one.owner is Owner.PROVIDER
    assert "98.7 % and 92.8 %" in one.seen
    assert not found(material(documents=(sweep(lambda _: 1.0, Counted.ETHERNET),)), 5)
    silent = material(
        handoff=handoff(layer=Layer.NOT_STATED), documents=(sweep(lambda _: 1.0, Counted.WIRE),)
    )
    assert found(silent, 5)[0].owner is Owner.UNKNOWN


def flows(one_bps: float, repeats: float, *, limit: Limit = Limit.PATH, pairs: int = 8) -> Material:
    wobble = noise(0.01)
    runs = [
        replace(
            run(
                round((one_bps if flows == 1 else 1.33e9) * wobble(nth)),
                started_unix_ns=MONDAY + nth * 6 * HOUR_NS + flows * 60 * NS_PER_S,
                retransmitted_ratio=repeats if flows == 1 else 0.0,
                limited_by=limit,
            ),
            flows=flows,
        )
        for nth in range(pairs)
        for flows in (1, 8)
    ]
    return material(runs=tuple(runs))


def test_one_flow_loses() -> None:
    """6: eight pairs of runs in which one flow is slow and repeats 0.08 %; four pairs are too few."""
    (one,) = found(flows(850e6, 0.0008), 6)
    assert one.chance == pytest.approx(2**-8)
    assert not found(flows(850e6, 0.0008, pairs=4), 6)
    assert not found(flows(1.25e9, 0.0008), 6)


def test_one_flow_of_a_window() -> None:
    """7: nothing lost, and the window held it: the house's own setting."""
    (one,) = found(flows(850e6, 0.0, limit=Limit.WINDOW), 7)
    assert one.owner is Owner.HOUSE
    assert not found(flows(1.25e9, 0.0, limit=Limit.WINDOW), 7)


def bucket(committed: int, *, stated: int | None = None) -> Material:
    burst = BurstRun(
        handoff="old",
        endpoint="north",
        started_unix_ns=MONDAY,
        direction=Direction.UP,
        ip_version=4,
        payload_bytes=1472,
        idle_s=2.0,
        most_bytes=8_000_000,
        limiter=Limiter.POLICER,
        because="it drops at once",
        undisturbed_bytes=committed,
        committed_bytes=committed,
        committed_ethernet_bytes=committed,
        bound_bytes=4_000,
        bursts=(),
        dropped_socket=0,
        timestamps=Stamps.KERNEL,
        spent_bytes=0,
        circumstances=Circumstances(),
    )
    return material(
        documents=(burst,),
        cells=cells(2, "north", rtt_us=lambda _: 10_000),
        handoff=handoff(burst_up_bytes=stated),
    )


def test_small_burst() -> None:
    """6: 600 Mb/s over 10 ms is 750 kB (the trade's A11: CIR x RTT), so a bucket of 128 kB is too small."""
    (one,) = found(bucket(128_000), 6)
    assert one.owner is Owner.UNKNOWN  # the contract promised none
    assert dict(one.counts)["needed_bytes"] == 600e6 / 8 * 0.010
    assert found(bucket(128_000, stated=2_000_000), 6)[0].owner is Owner.PROVIDER
    assert not found(bucket(128_000, stated=100_000), 6)
    assert not found(bucket(760_000), 6)


def queue(added_us: int) -> Material:
    idle = delays(21_000)
    return material(
        runs=tuple(
            replace(one, rtt_idle_us=idle, rtt_loaded_us=delays(21_000 + added_us))
            for one in hourly(1, lambda _: 16e6)
        )
    )


def test_large_queue() -> None:
    """8: 620 ms more under load up; the cure is below the rate. 60 ms are no such queue."""
    (one,) = found(queue(620_000), 8)
    assert (one.owner, one.direction) == (Owner.HOUSE, Direction.UP)
    ip_mbps = 16 * 1500 / 1448
    assert f"shape at {0.95 * ip_mbps:.1f} Mb/s" in one.ask
    assert not found(queue(60_000), 8)


def test_large_queue_of_loaded_delay() -> None:
    """8: a loaded-delay run that says so by itself, and only in its own direction."""
    part = PartDelay(
        seconds=5.0, sent=100, lost_up=0, lost_down=0, lost_unattributed=0, rtt_us=Histogram([21_000])
    )

    def loaded(added_us: int) -> Material:
        load = UnderLoad(
            direction=Direction.UP,
            started_ms=5000,
            seconds=10.0,
            after_s=5.0,
            delay=part,
            added_rtt=Added(p50_us=added_us, p95_us=added_us),
            circumstances=Circumstances(),
        )
        return material(
            documents=(
                LoadedDelayRun(
                    handoff="old",
                    endpoint="north",
                    started_unix_ns=MONDAY,
                    seconds=10.0,
                    flows=4,
                    per_second=20.0,
                    packet_bytes=112,
                    timestamps=Stamps.KERNEL,
                    idle=part,
                    loads=(load,),
                    spent_bytes=0,
                    circumstances=Circumstances(),
                ),
            )
        )

    assert [one.direction for one in found(loaded(620_000), 8)] == [Direction.UP]
    assert not found(loaded(60_000), 8)


def kiln(minute: int) -> bool:
    """Tuesdays and Thursdays 14:00 to 14:30."""
    return minute // 1440 % 7 in (1, 3) and 14 * 60 <= minute % 1440 < 14 * 60 + 30


def noisy(
    lost: Callable[[int], int], *, house: Callable[[int], int] = lambda _: 0, days: int = 14
) -> Material:
    return material(
        days,
        cells=(
            *cells(days, "north", lost=lost),
            *cells(days, "south", lost=lost),
            *cells(days, "lan", rtt_us=lambda _: 400, lost=house),
        ),
    )


def test_random_loss() -> None:
    """9: 0.5 % lost and no delay; neither side is named, as noise may come in on both."""
    held = noisy(lambda minute: 60 if kiln(minute) else 1)
    (one,) = found(held, 9)
    assert (one.owner, dict(one.counts)["spans"]) == (Owner.UNKNOWN, 12)
    assert "on Tuesday and Thursday" in one.seen
    assert "the house endpoint lost nothing" in one.because
    assert not found(noisy(lambda minute: 6 if kiln(minute) else 1), 9)  # 0.05 %


def test_random_loss_of_the_house_or_of_one_end() -> None:
    """9: the house endpoint loses too: the house's; only one endpoint: that endpoint's."""
    lost = lambda minute: 60 if kiln(minute) else 1  # noqa: E731
    assert found(noisy(lost, house=lost), 9)[0].owner is Owner.HOUSE
    alone = material(cells=(*cells(14, "north"), *cells(14, "south", lost=lost), *cells(14, "lan")))
    (one,) = found(alone, 9)
    assert (one.owner, one.endpoint) == (Owner.ENDPOINT, "south")


def marks(days: int) -> tuple[Mark, ...]:
    return tuple(
        Mark(
            name="kiln",
            started_unix_ns=MONDAY + day * DAY_NS + 14 * HOUR_NS,
            ended_unix_ns=MONDAY + day * DAY_NS + 14 * HOUR_NS + 30 * MINUTE_NS,
        )
        for day in range(days)
        if day % 7 in (1, 3)
    )


def test_loss_with_the_kiln() -> None:
    """27: in its times and hardly else; the house's only once a week with it off had none in those hours."""
    (one,) = found(replace(noisy(lambda minute: 60 if kiln(minute) else 1), marks=marks(14)), 27)
    assert one.owner is Owner.UNKNOWN  # 14:00 itself could be what does it
    assert not found(replace(noisy(lambda minute: 60 if kiln(minute) else 1), marks=marks(14)), 9)
    off = noisy(lambda minute: 60 if kiln(minute) and minute < 14 * 1440 else 1, days=21)
    (one,) = found(replace(off, marks=marks(14)), 27)
    assert (one.owner, dict(one.counts)["control"]) == (Owner.HOUSE, 0)
    elsewhere = noisy(lambda minute: 60 if kiln(minute) or minute % 1440 in (0, 600, 610, 800, 1200) else 1)
    assert not found(replace(elsewhere, marks=marks(14)), 27)


def split(missed_s: Iterable[float], *, start_ns: int) -> Split:
    seen = Seen(
        station=Station.OUTSIDE,
        name="north",
        per_second=20.0,
        sent=900,
        missed_ms=tuple(round(one * 1000) for one in missed_s),
    )
    return Split(
        handoff="old",
        endpoint="",
        started_unix_ns=start_ns,
        seconds=45.0,
        ip_version=4,
        house_hops=1,
        seen=(seen,),
        spent_bytes=0,
    )


def test_loss_in_step() -> None:
    """10: losses every 2.0 s to 100 ms; as many at random, and in step with 1.7 s, are not."""
    chance = random.Random(3)

    def held(moments: Callable[[int], Iterable[float]]) -> Material:
        return material(documents=tuple(split(moments(n), start_ns=MONDAY + n * HOUR_NS) for n in range(3)))

    stepped = held(lambda n: [0.3 * n + 2.0 * k + chance.uniform(0, 0.1) for k in range(8)])
    (one,) = found(stepped, 10)
    assert dict(one.counts)["losses"] == 24
    assert not found(held(lambda _: sorted(chance.uniform(0, 45) for _ in range(8))), 10)
    assert not found(held(lambda n: [0.3 * n + 1.7 * k for k in range(8)]), 10)


def test_chance_in_step() -> None:
    """10: random moments look so much in step as often as said, within 3 standard errors of 2000 trials."""
    chance, level = random.Random(5), 0.05
    below = sum(
        sampling.chance_in_step([[chance.uniform(0, 40) for _ in range(9)] for _ in range(3)], 2.0) <= level
        for _ in range(2000)
    )
    assert below / 2000 == pytest.approx(level, abs=3 * math.sqrt(level * (1 - level) / 2000))


def stalling(how: str, *, count: int = 40, provider: bool = True, house: bool = False) -> Material:
    """Stalls to both endpoints at once, the house's router answering and the provider's first hop not."""
    moments = [MONDAY + (nth + 1) * 2 * HOUR_NS for nth in range(count)]
    names = ("north", "south", "lan") if house else ("north", "south")
    stalls = tuple(stall(moment, how=how, endpoint=name) for moment in moments for name in names)
    asked = tuple(range(100, 1200, 250))
    own = Seen(station=Station.HOP, name="192.0.2.1", ttl=1, answered_ms=asked, rtts_us=(500,) * len(asked))
    edge = Seen(station=Station.HOP, name="198.51.100.1", ttl=2, missed_ms=asked)
    told = tuple(
        Witnesses(
            handoff="old",
            endpoint="north",
            started_unix_ns=moment,
            duration_us=1_300_000,
            house_hops=1,
            seen=(own, edge),
            sent_before=(240, 240),
            answered_before=(239, 238),
        )
        for moment in moments
    )
    everywhere = (*cells(14, "north"), *cells(14, "south"), *cells(14, "lan"))
    return material(stalls=stalls, documents=told if provider else (), cells=everywhere)


@pytest.mark.parametrize(("number", "how"), [(11, "held"), (12, "lost")])
def test_stalls(number: int, how: str) -> None:
    """11, 12: placed by who answered meanwhile: provider, house, or nobody named; few are no pattern."""
    (one,) = found(stalling(how), number)
    counts = dict(one.counts)
    assert (one.owner, counts["stalls"], counts["placed_provider"]) == (Owner.PROVIDER, 40, 40)
    assert found(stalling(how, house=True), number)[0].owner is Owner.HOUSE
    assert found(stalling(how, provider=False), number)[0].owner is Owner.UNKNOWN
    assert not found(stalling(how), 23 - number)
    assert not found(stalling(how, count=9), number)


def outages(moments: Iterable[tuple[int, float]], *, carrier: bool = False, house: bool = False) -> Material:
    times = list(moments)
    names = ("north", "south", "lan") if house else ("north", "south")
    events = tuple(
        Event(
            handoff="old", started_unix_ns=moment, what=EventKind.CARRIER_LOST, says="", owner=Owner.UNKNOWN
        )
        for moment, _ in times
    )
    return material(
        stalls=tuple(
            stall(moment, seconds=s, how="lost", endpoint=name) for moment, s in times for name in names
        ),
        documents=events if carrier else (),
        cells=(*cells(14, "north"), *cells(14, "south"), *cells(14, "lan")),
    )


def test_restarts() -> None:
    """13: four minutes near 03:12 every sixth day; at three other times of day it is three outages."""
    nights = [(MONDAY + day * DAY_NS + 3 * HOUR_NS + (12 + day % 3) * MINUTE_NS, 250.0) for day in (1, 7, 13)]
    (one,) = found(outages(nights), 13)
    assert "every 6 days, and lasted 4 min 10 s: " in one.seen
    counts = dict(one.counts)
    assert (counts["outages"], counts["every_days"], counts["median_s"]) == (3, 6, 250.0)
    assert one.chance == pytest.approx(3 * (30 / 1440) ** 2)
    assert not found(outages(nights), 26)
    spread = [(moment + nth * 5 * HOUR_NS, s) for nth, (moment, s) in enumerate(nights)]
    assert not found(outages(spread), 13)
    assert dict(found(outages(spread), 26)[0].counts)["outages"] == 3


def test_outage() -> None:
    """25, 26: with the carrier lost in the same minute it is a cut, power or port; 9 s are no outage."""
    long = [(MONDAY + 3 * DAY_NS + 17 * HOUR_NS, 4905.0)]
    (one,) = found(outages(long), 26)
    assert dict(one.counts)["seconds"] == 4905.0
    assert not found(outages(long), 25)
    assert [each.number for each in findings.find(outages(long, carrier=True))] == [25]
    assert found(outages(long, house=True), 26)[0].owner is Owner.HOUSE
    assert not findings.find(outages([(MONDAY, 9.0)]))


def stepped(after_us: int, *, days: int = 14, both: bool = True) -> Material:
    step = 7 * 1440 + 90

    def rtt_us(minute: int) -> int:
        busy = 14_000 if evening(minute // 60) else 0
        return busy + (after_us if minute >= step else 21_000)

    other = cells(days, "south", rtt_us=rtt_us) if both else cells(days, "south")
    return material(days, cells=(*cells(days, "north", rtt_us=rtt_us), *other))


def test_path_step() -> None:
    """14: +11 ms from 01:30 on to both endpoints is one step, told as information; +1 ms is none."""
    (one,) = found(stepped(32_000), 14)
    assert one.owner is None
    assert one.first_unix_ns == MONDAY + 7 * DAY_NS + 90 * MINUTE_NS
    assert dict(one.counts) == {"before_us": 20_700, "after_us": 31_700, "endpoints": 2}
    assert found(stepped(32_000, both=False), 14)[0].endpoint == "north"
    assert not found(stepped(22_000), 14)
    assert not found(stepped(32_000, days=9), 14)  # two days say nothing of staying
    assert not found(sagging(), 14)  # evenings are no path


def test_path_step_back() -> None:
    """14: downwards as well, from the first cell that is below."""
    (one,) = found(stepped(10_000), 14)
    assert one.first_unix_ns == MONDAY + 7 * DAY_NS + 90 * MINUTE_NS


def skewed(minutes: int, *, names: tuple[str, ...] = ("north", "south")) -> Material:
    def pdv(minute: int) -> int:
        return 3_000 if 0 <= minute - 1440 < minutes else 300

    return material(
        3,
        cells=tuple(
            cell
            for name in ("north", "south")
            for cell in cells(3, name, pdv=pdv if name in names else lambda _: 300)
        ),
    )


def test_clock_skew() -> None:
    """15: six hours of one-way spread and none in the round trip: the probe's clock; half an hour is none."""
    drift = ClockChange(
        started_unix_ns=MONDAY + DAY_NS,
        ended_unix_ns=MONDAY + DAY_NS + 6 * HOUR_NS,
        how=ClockHow.DRIFT,
        elapsed_us=21_600_000_000,
        uncertainty_us=10,
        by_us=420_000,
    )
    (one,) = found(replace(skewed(360), documents=(drift,)), 15)
    assert (one.owner, dict(one.counts)["hours"]) == (Owner.HOUSE, 6.0)
    assert "420 ms off" in one.seen
    assert found(skewed(360, names=("south",)), 15)[0].owner is Owner.ENDPOINT
    assert not found(skewed(30), 15)


def test_duplex() -> None:
    """16: half duplex as the port says; else damaged frames that grow with load, and not steady few."""
    half = tuple(
        replace(one, circumstances=Circumstances(duplex="half", frame_errors=20))
        for one in hourly(1, lambda _: 30e6)
    )
    assert found(material(runs=half), 16)[0].owner is Owner.HOUSE

    def harmed(errors: Callable[[int], int]) -> Material:
        runs = hourly(1, lambda hour: 10e6 if hour < 12 else 60e6)
        return material(
            runs=tuple(
                replace(one, circumstances=Circumstances(duplex="full", frame_errors=errors(nth)))
                for nth, one in enumerate(runs)
            )
        )

    assert found(harmed(lambda nth: 0 if nth < 12 else 30), 16)
    assert not found(harmed(lambda _: 2), 16)


def light(level_dbm: Callable[[int], float], *, celsius: Callable[[int], float] = lambda _: 40.0) -> Material:
    return material(
        40,
        documents=tuple(
            Light(
                handoff="old",
                started_unix_ns=MONDAY + hour * HOUR_NS,
                interface="eth2",
                received_nw=round(10 ** (level_dbm(hour) / 10) * 1e6),
                sent_nw=600_000,
                temperature_mc=round(celsius(hour) * 1000),
            )
            for hour in range(40 * 24)
        ),
    )


def test_fading_light() -> None:
    """17: from -6.8 to -12.9 dBm in 21 days: 2 dB on the 7th day, the 3 dB above -14.4 gone on the 16th.

    -14.4 dBm is the weak end of 10GBASE-LR (IEEE 802.3); days are those of a straight line.
    """
    day = 6.1 / 21  # dB
    (one,) = found(light(lambda hour: -6.8 - day * min(max(hour / 24 - 10, 0), 21.0)), 17)
    counts = dict(one.counts)
    assert one.owner is Owner.PROVIDER
    assert "ticket" in one.ask
    assert str(counts["faded_day"]) in ("2026-03-18", "2026-03-19")
    assert str(counts["ticket_day"]) in ("2026-03-27", "2026-03-28")
    assert not found(light(lambda hour: -6.8 - 1.5 * hour / 960), 17)


def test_warm_optic() -> None:
    """34: 74 degrees in the afternoons is the room; 68 is not told."""
    (one,) = found(light(lambda _: -6.8, celsius=lambda hour: 74.0 if 13 <= hour % 24 < 17 else 55.0), 34)
    assert (one.owner, dict(one.counts)["most_c"]) == (Owner.HOUSE, 74.0)
    assert "without damaged frames" in one.seen
    assert not found(light(lambda _: -6.8, celsius=lambda _: 68.0), 34)


def mtu(up: int, beyond: Beyond, *, stated: int | None = None) -> Material:
    family = FamilyMtu(ip_version=4, interface_bytes=1500, up_bytes=up, down_bytes=1500, beyond=beyond)
    record = PathMtu(
        handoff="old",
        endpoint="north",
        started_unix_ns=MONDAY,
        seconds=10.0,
        found=(family,),
        spent_bytes=0,
        circumstances=Circumstances(),
    )
    return material(documents=(record,), handoff=handoff(mtu_bytes=stated))


def test_path_mtu() -> None:
    """18: 1492 of 1500 (PPPoE, RFC 2516) that vanish without a word; 1492 as the contract says is none."""
    (one,) = found(mtu(1492, Beyond.SILENT), 18)
    assert dict(one.counts)["silent"] == 1
    assert one.owner is Owner.UNKNOWN
    assert not found(mtu(1492, Beyond.SILENT, stated=1492), 18)
    assert not found(mtu(1500, Beyond.INTERFACE), 18)


def versions(added_us: int, *, ends: tuple[str, ...] = ("south",)) -> Material:
    runs = []
    for nth in range(10):
        for name in ("north", "south"):
            for hour, version in ((4, 4), (6, 6), (8, 4)):
                extra = added_us if version == 6 and name in ends else 0
                made = run(
                    500_000_000,
                    started_unix_ns=MONDAY + nth * DAY_NS + hour * HOUR_NS + (name == "south") * MINUTE_NS,
                    endpoint=name,
                    ip_version=version,
                )
                runs.append(replace(made, rtt_idle_us=delays(4_000 + extra)))
    return material(runs=tuple(runs))


def test_ip_versions() -> None:
    """19: 19 ms more with IPv6 to one endpoint is the way between two networks; 2 ms are nothing."""
    (one,) = found(versions(19_000), 19)
    assert (one.owner, one.endpoint, dict(one.counts)["added_ms"]) == (None, "south", 19.0)
    assert [each.owner for each in found(versions(19_000, ends=("north", "south")), 19)] == [
        Owner.UNKNOWN
    ] * 2
    assert not found(versions(2_000), 19)


def test_ip_versions_by_rate() -> None:
    """19: IPv6 at 80 % of IPv4 to one endpoint; at 98 %, what its longer header takes, it is none."""

    def held(share: float) -> Material:
        runs = [
            run(
                round(500e6 * (share if version == 6 and name == "south" else 1)),
                started_unix_ns=MONDAY + nth * DAY_NS + hour * HOUR_NS + (name == "south") * MINUTE_NS,
                endpoint=name,
                ip_version=version,
            )
            for nth in range(10)
            for name in ("north", "south")
            for hour, version in ((4, 4), (6, 6), (8, 4))
        ]
        return material(runs=tuple(replace(one, rtt_idle_us=delays(4_000)) for one in runs))

    (one,) = found(held(0.8), 19)
    assert (one.owner, one.endpoint, one.direction) == (None, "south", Direction.UP)
    assert dict(one.counts)["ipv6_bps"] == 400_000_000
    assert not found(held(0.98), 19)


def test_ip_versions_beside_an_hour() -> None:
    """19: an IPv6 run that lies in a slow hour, with the IPv4 run after it in there as well, is none."""
    runs = [
        run(
            400_000_000 if hour in (20, 21) else 500_000_000,
            started_unix_ns=MONDAY + nth * DAY_NS + hour * HOUR_NS,
            ip_version=6 if hour == 20 else 4,
        )
        for nth in range(10)
        for hour in (19, 20, 21, 22)
    ]
    assert not found(material(runs=tuple(replace(one, rtt_idle_us=delays(4_000)) for one in runs)), 19)


def at_once(both_bps: float) -> Material:
    runs = []
    for nth in range(10):
        start = MONDAY + nth * 6 * HOUR_NS
        runs += [
            run(90_000_000, started_unix_ns=start),
            run(None, down_bps=90_000_000, started_unix_ns=start + 60 * NS_PER_S),
            run(round(both_bps), down_bps=round(both_bps), started_unix_ns=start + 120 * NS_PER_S),
        ]
    return material(runs=tuple(runs))


def test_both_at_once() -> None:
    """20: each way falls below 70 % while the other runs; what acknowledgements take (3 %) is none."""
    assert [one.direction for one in found(at_once(50e6), 20)] == [Direction.UP, Direction.DOWN]
    assert not found(at_once(87e6), 20)


def test_handoffs_at_once() -> None:
    """21: slower whenever the other handoff is filled in the same seconds; one beside it in time is none."""

    def held(beside_bps: float, *, together: bool = True) -> Material:
        moments = [MONDAY + nth * 6 * HOUR_NS for nth in range(20)]
        own = tuple(
            run(round(beside_bps if nth % 2 else 590e6), started_unix_ns=moment)
            for nth, moment in enumerate(moments)
        )
        other = tuple(
            replace(
                run(1_300_000_000, started_unix_ns=moment + (0 if together else 3600 * NS_PER_S)), handoff="B"
            )
            for nth, moment in enumerate(moments)
            if nth % 2
        )
        return material(runs=own, others=other)

    assert dict(found(held(430e6), 21)[0].counts)["runs"] == 10
    assert not found(held(585e6), 21)
    assert not found(held(430e6, together=False), 21)


def test_probe_limit() -> None:
    """22: void runs of a host at its limit are told as the house's; four of them are not."""
    runs = hourly(1, lambda _: 500e6)
    held = tuple(replace(one, reasons=("host_ceiling",)) if nth < 6 else one for nth, one in enumerate(runs))
    assert found(material(runs=held), 22)[0].owner is Owner.HOUSE
    assert not found(material(runs=(*held[:4], *runs[6:])), 22)


def backups(hours: Callable[[int], bool]) -> Material:
    busy = Circumstances(other_up_bps=7_000_000)
    runs = tuple(
        replace(one, reasons=("other_traffic",), circumstances=busy) if hours(nth) else one
        for nth, one in enumerate(hourly(14, lambda _: 16e6))
    )
    return material(runs=runs)


def test_own_backup() -> None:
    """23: on weekdays at noon; the same number at any hour gathers nowhere."""
    (one,) = found(backups(lambda hour: hour % 24 == 12 and hour // 24 % 7 < 5), 23)
    counts = dict(one.counts)
    assert (one.owner, counts["days"], counts["from_minute"]) == (Owner.HOUSE, 10, 12 * 60 + 10)
    assert "from Monday to Friday" in one.seen
    assert not found(backups(lambda hour: hour % 31 == 5), 23)


def beside_shows(bps: float, *, shows: int = 10, **beside: Any) -> Material:
    """Two weeks of hourly runs; every day from 20:00 to 21:00 a show, in which one was asked for by hand."""
    windows: list[WindowOpened | WindowClosed] = []
    runs = [one for nth, one in enumerate(hourly(14, lambda _: 590e6)) if nth % 24 != 20]
    for day in range(shows):
        opened = MONDAY + day * DAY_NS + 20 * HOUR_NS
        windows += [
            WindowOpened(
                started_unix_ns=opened, name="show", window=OpenKind.SHOW, opener=Opener.PERSON, why="on air"
            ),
            WindowClosed(
                started_unix_ns=opened + 60 * MINUTE_NS,
                opened_unix_ns=opened,
                name="show",
                window=OpenKind.SHOW,
                opener=Opener.PERSON,
                why="over",
            ),
        ]
        runs += [
            replace(
                run(round(bps), started_unix_ns=opened + 30 * MINUTE_NS),
                reasons=("other_traffic",) if beside.get("other_up_bps") else (),
                circumstances=Circumstances(**beside),
            )
        ]
    return material(runs=tuple(runs), windows=tuple(windows))


@pytest.mark.parametrize(
    ("beside", "owner"),
    [
        ({"other_up_bps": 190_000_000}, Owner.HOUSE),  # 400 + 190 are what the line carries
        ({"host_cpu_ratio": 0.97}, Owner.HOUSE),
        ({"other_up_bps": 8_000_000, "host_cpu_ratio": 0.2}, Owner.UNKNOWN),
    ],
)
def test_slow_while_a_show_runs(beside: dict[str, Any], owner: Owner) -> None:
    """28: 400 Mb/s in ten shows, 590 in the same hours without; whose is told where counters tell it."""
    (one,) = found(beside_shows(400e6, **beside), 28)
    assert (one.owner, dict(one.counts)["shows"]) == (owner, 10)


def test_as_fast_while_a_show_runs() -> None:
    """Ten shows at 560 Mb/s are no finding, nor are four slow ones, which chance gives once in 16."""
    assert not found(beside_shows(560e6), 28)
    assert not found(beside_shows(400e6, shows=4), 28)


def long_runs(late: float, *, count: int = 8) -> Material:
    bins = tuple(
        Bin(start_ms=start, bytes=round(6_000_000 * (1.0 if start < 10_000 else late)))
        for start in range(0, 30_000, 100)
    )
    runs = [
        replace(run(480_000_000, started_unix_ns=MONDAY + nth * DAY_NS, bins=bins), seconds=30.0)
        for nth in range(count)
    ]
    return material(runs=tuple(runs))


def test_fast_start() -> None:
    """24: a third less after ten seconds in eight runs; five per cent less is a line like any."""
    (one,) = found(long_runs(0.66), 24)
    assert dict(one.counts)["runs"] == 8
    assert not found(long_runs(0.95), 24)


def sinking(weekly: float) -> Material:
    wobble = noise(0.02)
    return material(84, runs=hourly(84, lambda hour: 17e6 * (1 - weekly * (hour // 168)) * wobble(hour)))


def test_decline() -> None:
    """30: 2 % a week over twelve; half a per cent a week is below what is told. Kendall's tau by scipy."""
    (one,) = found(sinking(0.02), 30)
    assert dict(one.counts)["weeks"] == 12
    assert one.chance == pytest.approx(
        stats.kendalltau(range(12), range(12, 0, -1), method="asymptotic").pvalue / 2, rel=0.5
    )
    assert not found(sinking(0.005), 30)


def test_two_values() -> None:
    """31: two rates by turns as chance has it; the same two one after the other in time are a change."""
    chance = random.Random(4)
    runs = [replace(one, flows=1) for one in hourly(7, lambda _: 0.0)]

    def held(slow: Callable[[int], bool]) -> Material:
        return material(
            runs=tuple(
                replace(one, up=side(round((40e6 if slow(nth) else 90e6) * chance.gauss(1, 0.01))))
                for nth, one in enumerate(runs)
            )
        )

    (one,) = found(held(lambda _: chance.random() < 0.4), 31)
    assert dict(one.counts)["low_bps"] == pytest.approx(40e6, rel=0.02)
    assert not found(held(lambda nth: nth > 80), 31)


def test_reordering() -> None:
    """32: 2 % after later ones and none lost; 0.5 % is not told."""
    assert found(material(cells=cells(2, "north", reordered=240)), 32)[0].endpoint == "north"
    assert not found(material(cells=cells(2, "north", reordered=60)), 32)


def lookups(
    took_us: Callable[[int], int | None],
    *,
    ttl_s: Callable[[int], int] = lambda _: 300,
    run_by: Owner | None = None,
    reasons: tuple[str, ...] = (),
) -> tuple[Lookups, ...]:
    """A week of a name every ten minutes; None is no answer."""
    return tuple(
        Lookups(
            handoff="old",
            started_unix_ns=MONDAY + hour * HOUR_NS,
            resolver="192.0.2.254",
            run_by=run_by,
            reasons=reasons,
            asked=tuple(
                NameAsked(
                    name="north.example.net",
                    at_ms=each * 600_000 + 60_000,
                    told=Heard.SILENT if us is None else Heard.ANSWERED,
                    took_us=us,
                    ttl_s=None if us is None else ttl_s(6 * hour + each),
                )
                for each in range(6)
                for us in (took_us(6 * hour + each),)
            ),
        )
        for hour in range(7 * 24)
    )


class TestNames:
    """29: lookups that take long beside trains that pass."""

    TRAINS = cells(7, "north")

    def test_found(self) -> None:
        """Every third takes 1.4 s, some none at all; whoever runs the resolver by the site file."""
        slow = lookups(
            lambda nth: (None if nth % 2 else 1_400_000) if nth % 3 == 0 else 20_000, run_by=Owner.PROVIDER
        )
        (one,) = found(material(cells=self.TRAINS, documents=slow), 29)
        assert (one.owner, dict(one.counts)["lookups"], dict(one.counts)["slow"]) == (
            Owner.PROVIDER,
            1008,
            336,
        )
        assert dict(one.counts)["unanswered"] == 168
        unsaid = material(cells=self.TRAINS, documents=lookups(lambda _: 900_000))
        assert found(unsaid, 29)[0].owner is Owner.UNKNOWN

    def test_answers_from_memory_are_no_lookups(self) -> None:
        """Nine in ten from the resolver's memory at once, the one that it fetches slow: found, of 101."""
        cached = lookups(lambda nth: 20_000 if nth % 10 else 800_000, ttl_s=lambda nth: 3600 - nth % 10 * 360)
        (one,) = found(material(cells=self.TRAINS, documents=cached), 29)
        assert dict(one.counts)["lookups"] == dict(one.counts)["slow"] == 101

    def test_absent(self) -> None:
        """As many slow ones as usual; or all of them where trains lose packets too."""
        usual = lookups(lambda nth: 20_000 if nth % 25 else 700_000)
        examined = findings.examined(material(cells=self.TRAINS, documents=usual))
        assert 29 not in {one.number for one in examined.found}
        assert 29 not in {one.signature.number for one in examined.untested}
        lossy = cells(7, "north", lost=lambda minute: 1200 if minute // 60 % 24 >= 18 else 0)
        evenings = lookups(lambda nth: None if nth // 6 % 24 >= 18 else 20_000)
        assert not found(material(cells=lossy, documents=evenings), 29)

    @pytest.mark.parametrize(
        ("held", "why"),
        [
            ((), "no lookup of a name"),
            ((Lookups(resolver="", started_unix_ns=MONDAY, asked=(), missed="no name"),), "no name"),
            (lookups(lambda _: 900_000, reasons=("local_resolver",)), "runs on this host"),
            (lookups(lambda _: 900_000)[:3], "18 lookups"),
        ],
    )
    def test_not_tested(self, held: tuple[Lookups, ...], why: str) -> None:
        examined = findings.examined(material(cells=self.TRAINS, documents=held))
        assert not examined.found
        assert [why in one.why for one in examined.untested if one.signature.number == 29] == [True]


def test_clean() -> None:
    """A line with nothing wrong has no finding at all."""
    wobble = noise(0.04)
    clean = material(
        runs=hourly(14, lambda hour: 16.9e6 * wobble(hour))
        + hourly(14, lambda hour: 16.9e6 * wobble(hour), "south", 60),
        cells=(*cells(14, "north"), *cells(14, "south"), *cells(14, "lan")),
        documents=hops(14, lambda _: (500, 10_000)),
    )
    assert findings.find(clean) == ()


def test_table() -> None:
    """Every row has its number, its owners and what to ask for; no word of intent stands anywhere in it."""
    assert [row.number for row in SIGNATURES] == list(range(1, 36))
    text = " ".join(
        f"{row.name} {row.symptom} {row.cause} {row.confirm} {row.ask}" for row in SIGNATURES
    ).lower()
    assert not [
        word for word in ("throttl", "cheat", "fraud", "deliberate", "on purpose", "secretly") if word in text
    ]
    assert all(row.owners and row.ask and row.confirm for row in SIGNATURES)
    with pytest.raises(KeyError):
        signature(36)


def test_sign_test() -> None:
    """The chance of a sign test is that of scipy's binomial test."""
    for many, n in ((7, 7), (9, 9), (10, 14), (0, 3)):
        expected = stats.binomtest(many, n, 0.5, alternative="greater").pvalue
        assert sampling.chance_of_as_many(many, n) == pytest.approx(expected)
    assert sampling.normal_below(-1.96) == pytest.approx(stats.norm.cdf(-1.96))


def test_json() -> None:
    """A finding as programs read it."""
    examined = findings.examined(sagging())
    (one,) = (each for each in examined.found if each.number == 3)
    told = finding.as_json(one)
    assert (told["number"], told["owner"], told["direction"]) == (3, "provider", "up")
    assert told["counts"]["days"] == 14
    answer = findings.answer([examined], since_ns=MONDAY, until_ns=MONDAY + DAY_NS, invented=True)
    assert (answer["kind"], answer["standing"], answer["findings"][0]) == (
        "findings",
        "valid",
        finding.as_json(examined.found[0]),
    )
    lacking = {row["number"]: row["why"] for row in answer["not_tested"]}
    assert {5, 17, 18, 29, 34, 35} <= set(lacking)
    assert not {1, 3, 9} & set(lacking)
    assert lacking[18] == "no search for the path MTU is on record in this time"
