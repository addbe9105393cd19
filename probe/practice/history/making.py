"""How one record of the practice site is made: a run, a span of a train, a stall, what hops answered.

Every figure is invented; shapes are those of `store.records`. Spans that are alike share their histograms.
Pure; imports store only.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from datetime import date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from statistics import NormalDist

from store.clock import NS_PER_MS, NS_PER_S, unix_ns_of
from store.histogram import Delays, Histogram
from store.layers import ETHERNET_BYTES, IP_BYTES, TCP_BYTES, TCP_TIMESTAMPS_BYTES, tcp_framing
from store.loaded_delay import Added, LoadedDelayRun, PartDelay, UnderLoad
from store.lookups import Heard, Lookups, NameAsked
from store.records import (
    Bin,
    Carrier,
    Circumstances,
    Direction,
    Limit,
    Owner,
    RateRun,
    RateSide,
    Stall,
    Stamps,
    TrainSpan,
)
from store.segments import HopCount, Hops, Seen, Station, Witnesses

PER_SECOND = 20.0
PACKET_BYTES = 152
WAIT_S = 3.0
_SHAPE = NormalDist()
_STEPS = 24  # values that stand for a distribution
_VARIANTS = 4
Chance = random.Random


def drawn(*words: object) -> Chance:
    """A generator that is the same for the same words: so a week is the same by itself and within a year."""
    return random.Random(" ".join(str(word) for word in words))  # noqa: S311 - an invented line, not secrets


def instant(day: date, seconds: float, where: tzinfo) -> int:
    """Unix nanoseconds of a local day's time, by the clock on the wall."""
    return unix_ns_of(datetime.combine(day, time()) + timedelta(seconds=seconds), where)


def mss(ip_version: int) -> int:
    """TCP payload of a full packet of 1500 bytes with timestamps."""
    return 1500 - IP_BYTES[ip_version] - TCP_BYTES - TCP_TIMESTAMPS_BYTES


def goodput_of(ethernet_bps: float, ip_version: int) -> float:
    """Payload of so much at layer 2 in full packets."""
    return ethernet_bps * mss(ip_version) / (1500 + ETHERNET_BYTES)


def side(
    goodput_bps: float,
    *,
    seconds: int,
    chance: Chance,
    ip_version: int = 4,
    repeats: float = 0.0002,
    limited_by: Limit = Limit.PATH,
) -> RateSide:
    """One direction: its slowest second some 1 % below the mean."""
    a_bin = _round(goodput_bps / 80)
    goodput = a_bin * 80
    size = mss(ip_version)
    framing = tcp_framing(payload_bytes=size, ip_version=ip_version, timestamps=True)
    received = a_bin * seconds * 10
    return RateSide(
        rates=framing.rates(goodput),
        lowest_second_bps=round(goodput * chance.uniform(0.975, 0.995)),
        bins=_bins(a_bin, seconds),
        steady_from_ms=2000 if seconds > 4 else 1000,
        steady_to_ms=seconds * 1000,
        received_bytes=received,
        mss_bytes=size,
        ip_version=ip_version,
        tcp_timestamps=True,
        sent_bytes=received + round(received * repeats),
        retransmitted_bytes=round(received * repeats),
        retransmitted_ratio=repeats / (1 + repeats),
        limited_by=limited_by,
        congestion="cubic",
        busy_ratio=1.0,
        window_limited_ratio=0.0,
        buffer_limited_ratio=0.0,
    )


def _round(size_bytes: float) -> int:
    """To 0.1 % or so, so that runs share their bins."""
    step = int(10 ** max(0, len(str(round(size_bytes))) - 4))
    return round(size_bytes / step) * step


@lru_cache(maxsize=20_000)
def _bins(size_bytes: int, seconds: int) -> tuple[Bin, ...]:
    """The 100 ms bins of an even run."""
    return tuple(Bin(start_ms=start, bytes=size_bytes) for start in range(0, seconds * 1000, 100))


def run(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    seconds: int,
    up: RateSide | None,
    down: RateSide | None,
    idle_us: int,
    loaded_us: int,
    circumstances: Circumstances,
    flows: int = 4,
    reasons: tuple[str, ...] = (),
) -> RateRun:
    """A rate run with the round trips of the train beside it."""
    direction = Direction.BOTH if up and down else Direction.UP if up else Direction.DOWN
    return RateRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        seconds=float(seconds),
        direction=direction,
        flows=flows,
        up=up,
        down=down,
        rtt_idle_us=_delays(idle_us, 60),
        rtt_loaded_us=_delays(loaded_us, 20 * seconds),
        timestamps=Stamps.KERNEL,
        spent_bytes=sum(one.received_bytes for one in (up, down) if one is not None),
        reasons=(*reasons, "short") if seconds <= 30 else reasons,
        circumstances=circumstances,
    )


def wired(
    interface: str,
    port_rate_bps: int,
    *,
    other_up_bps: int = 0,
    frame_errors: int = 0,
    clock_synchronised: bool = True,
    optic_received_nw: int | None = None,
    optic_temperature_mc: int | None = None,
) -> Circumstances:
    """A run over a wire or a fibre, with nothing against it but what is named."""
    return Circumstances(
        interface=interface,
        carrier=Carrier.WIRED,
        port_rate_bps=port_rate_bps,
        duplex="full",
        mtu_bytes=1500,
        other_up_bps=other_up_bps,
        other_down_bps=0,
        probe_cpu_ratio=0.2,
        endpoint_cpu_ratio=0.2,
        interface_errors=frame_errors,
        frame_errors=frame_errors,
        clock_synchronised=clock_synchronised,
        clock_error_us=2_000,
        kernel="6.1.0",
        path_mtu_up_bytes=1500,
        path_mtu_down_bytes=1500,
        optic_received_nw=optic_received_nw,
        optic_temperature_mc=optic_temperature_mc,
    )


def _delays(p50_us: int, count: int) -> Delays:
    return Delays(
        count=count,
        min=round(p50_us * 0.97),
        p50=p50_us,
        p95=round(p50_us * 1.06),
        p99=round(p50_us * 1.1),
        max=round(p50_us * 1.2),
    )


def span(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    seconds: float,
    base_us: int,
    jitter_us: int,
    lost_up: int = 0,
    lost_down: int = 0,
    held_up: int = 0,
    loaded: int = 0,
    loaded_us: int = 0,
    drift_us: int = 0,
    variant: int = 0,
) -> TrainSpan:
    """A span of a train at 20 packets a second.

    `loaded` of its packets met a full queue and took `loaded_us` more. While a clock drifts by `drift_us`
    over the span, one-way delay spreads by as much each way and the round trip does not.
    """
    sent = round(seconds * PER_SECOND)
    received = sent - lost_up - lost_down
    loaded = min(loaded, received)
    rtt, pdv_up, pdv_down = _histograms(
        base_us, jitter_us, received, loaded, round(loaded_us, -5), round(drift_us, -2), variant % _VARIANTS
    )
    return TrainSpan(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        seconds=seconds,
        per_second=PER_SECOND,
        packet_bytes=PACKET_BYTES,
        waiting_s=WAIT_S,
        sent=sent,
        received=received,
        lost_up=lost_up,
        lost_down=lost_down,
        lost_unattributed=0,
        held_up=held_up,
        held_down=0,
        duplicated_up=0,
        duplicated_down=0,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=rtt,
        pdv_up=pdv_up,
        pdv_down=pdv_down,
        jitter_up_us=jitter_us * 0.6 if received else None,
        jitter_down_us=jitter_us * 0.3 if received else None,
        timestamps=Stamps.KERNEL,
        reflector_timestamps=Stamps.KERNEL,
    )


@lru_cache(maxsize=20_000)
def _histograms(
    base_us: int, jitter_us: int, count: int, loaded: int, loaded_us: int, drift_us: int, variant: int
) -> tuple[Histogram, Histogram, Histogram]:
    rtt, up, down = Histogram(), Histogram(), Histogram()
    if not count:
        return rtt, up, down
    wide = 1 + 0.04 * variant
    plain = count - loaded
    for nth, times in _parts(plain):
        late_us = _late_us(nth, jitter_us * wide)
        slow_us = drift_us * nth // _STEPS
        rtt.add(base_us + late_us, times)
        up.add(round(late_us * 0.7) + slow_us, times)
        down.add(round(late_us * 0.3) + slow_us, times)
    for nth, times in _parts(loaded):
        queued_us = round(loaded_us * (0.2 + 0.8 * nth / _STEPS))
        rtt.add(base_us + queued_us, times)
        up.add(queued_us, times)
        down.add(_late_us(nth, jitter_us * 0.3), times)
    return rtt, up, down


def _parts(count: int) -> list[tuple[int, int]]:
    """(place of a value, how often) so that `count` is spent evenly."""
    found = [(nth, count * (nth + 1) // _STEPS - count * nth // _STEPS) for nth in range(_STEPS)]
    return [(nth, times) for nth, times in found if times]


def _late_us(nth: int, jitter_us: float) -> int:
    """The delay over the least at one of the steps: the least itself, then a tail."""
    if nth == 0:
        return 0
    return round(jitter_us * math.exp(0.7 * _SHAPE.inv_cdf((nth + 0.5) / _STEPS)))


def stall(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    seconds: float,
    how: str,
    direction: Direction = Direction.UP,
) -> Stall:
    """A silence from one delivery to the next."""
    packets = round(seconds * PER_SECOND)
    return Stall(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        duration_us=round(seconds * 1e6),
        direction=direction,
        how=how,
        lost=packets if how == "lost" else 0,
        held=packets if how == "held" else 0,
    )


def hops(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    minutes: int,
    ways: tuple[tuple[str, int], ...],
    answered: float = 0.98,
) -> Hops:
    """What each hop (address, median in us) answered, once every 75 s of a minute as one may ask it."""
    asked = 48
    return Hops(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        minutes=minutes,
        house_hops=1,
        counts=tuple(
            HopCount(
                ttl=ttl,
                names=(name,),
                sent=(asked,) * minutes,
                answered=(round(asked * answered),) * minutes,
                p50_us=us if answered else None,
            )
            for ttl, (name, us) in enumerate(ways, 1)
        ),
    )


def lookups(
    *,
    handoff: str,
    resolver: str,
    started_ns: int,
    chance: Chance,
    silent: Callable[[int], bool],
    slow_ratio: float = 0.0,
) -> Lookups:
    """An hour of one name, every ten minutes: a third out of the resolver's memory, one of 200 slow."""
    asked = []
    for nth in range(6):
        at_ms = nth * 600_000 + round(chance.uniform(0, 590_000))
        fetched, slow = chance.random() < 0.67, chance.random() < max(slow_ratio, 0.005)
        took_us = round(chance.lognormvariate(math.log(40_000 if fetched else 9_000), 0.3))
        if fetched and slow:
            took_us = round(chance.uniform(700_000, 4_000_000))
        gone = silent(started_ns + at_ms * NS_PER_MS)
        asked.append(
            NameAsked(
                name="north.example.net",
                at_ms=at_ms,
                told=Heard.SILENT if gone else Heard.ANSWERED,
                took_us=None if gone else took_us,
                ttl_s=None if gone else 900 if fetched else chance.randrange(1, 899),
            )
        )
    return Lookups(
        handoff=handoff,
        started_unix_ns=started_ns,
        resolver=resolver,
        asked=tuple(asked),
        run_by=Owner.PROVIDER,
    )


def witnesses(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    seconds: float,
    ways: tuple[tuple[str, int], ...],
) -> Witnesses:
    """The house's own router answered in a stall, and nothing beyond it did; of a long one its first 10 s."""
    asked = tuple(range(-2000, round(min(seconds, 10.0) * 1000) + 400, 400))
    inside = [at for at in asked if 0 <= at <= seconds * 1000]
    seen = []
    for ttl, (name, us) in enumerate(ways, 1):
        missed = () if ttl == 1 else tuple(inside)
        answered = tuple(at for at in asked if at not in missed)
        seen.append(
            Seen(
                station=Station.HOP,
                name=name,
                ttl=ttl,
                sent=len(asked),
                lost=len(missed),
                answered_ms=answered,
                rtts_us=(us,) * len(answered),
                missed_ms=missed,
            )
        )
    return Witnesses(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        duration_us=round(seconds * 1e6),
        house_hops=1,
        seen=tuple(seen),
        sent_before=(240,) * len(ways),
        answered_before=(236,) * len(ways),
    )


def loaded_delay(
    *,
    handoff: str,
    endpoint: str,
    started_ns: int,
    goodput_bps: int,
    idle_us: int,
    added_us: int,
    circumstances: Circumstances,
) -> LoadedDelayRun:
    """A load up of 10 s that fills a queue, with the train before and during it."""

    def part(seconds: float, late_us: int) -> PartDelay:
        count = round(seconds * PER_SECOND)
        delays = Histogram([idle_us + late_us + _late_us(nth % _STEPS, 1200) for nth in range(count)])
        return PartDelay(
            seconds=seconds, sent=count, lost_up=0, lost_down=0, lost_unattributed=0, rtt_us=delays
        )

    added = Added(p50_us=added_us, p95_us=round(added_us * 1.02))
    load = UnderLoad(
        direction=Direction.UP,
        started_ms=5000,
        seconds=10.0,
        after_s=5.0,
        up_goodput_bps=goodput_bps,
        up_limited_by=Limit.PATH,
        delay=part(8.0, added_us),
        added_rtt=added,
        added_up=added,
        added_down=Added(p50_us=0, p95_us=100),
        buffer_delay_ratio=round(added_us / idle_us, 2),
        back_ms=round(added_us / 1000) + 40,
        circumstances=circumstances,
    )
    return LoadedDelayRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_ns,
        seconds=10.0,
        flows=4,
        per_second=PER_SECOND,
        packet_bytes=PACKET_BYTES,
        timestamps=Stamps.KERNEL,
        clock_drift_ppm=0.0,
        idle=part(5.0, 0),
        loads=(load,),
        spent_bytes=goodput_bps * 10 // 8,
        circumstances=circumstances,
    )


def poisson(chance: Chance, mean: float) -> int:
    """A small count with this mean."""
    limit, product, count = math.exp(-mean), chance.random(), 0
    while product > limit:
        product *= chance.random()
        count += 1
    return count


def nanoseconds(seconds: float) -> int:
    return round(seconds * NS_PER_S)
