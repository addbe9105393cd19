"""Signatures that single records say of the way: layer, burst, queue, duplex, optic, MTU. Pure.

Where the record was judged when it was made, as a size sweep is, that is taken over and held against the
contract card. Figures without a source beside them are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from statistics import median

from dashboard.judge.finding import Finding, finding
from dashboard.judge.layers import DIRECTION_WORDS, rate_text
from dashboard.judge.material import Material
from store.bursts import BurstRun, Limiter
from store.clock import NS_PER_MS, NS_PER_S
from store.failovers import Failover, Watched
from store.layers import Layer
from store.light import Light
from store.loaded_delay import LoadedDelayRun
from store.path_mtu import Beyond, FamilyMtu, PathMtu
from store.quantities import percent
from store.records import Direction, Owner, RateRun, Standing
from store.sizes import Counted, SizesRun

_COUNTED = {
    Counted.IP: Layer.IP,
    Counted.ETHERNET: Layer.ETHERNET,
    Counted.WIRE: Layer.WIRE,
}
_WORDS = {Layer.PAYLOAD: "TCP payload", Layer.IP: "IP", Layer.ETHERNET: "layer 2", Layer.WIRE: "layer 1"}
_QUEUE_US = 100_000
_LEAST_RUNS = 5
_LESS_LOSS = 0.001
FADED_DB = 2.0  # of the first days: inspect and clean
MARGIN_DB = 3.0  # to the weak end of the optic's class: a ticket
WEAK_DBM = {
    10_000_000_000: -14.4,
    1_000_000_000: -19.0,
}  # 10GBASE-LR and 1000BASE-LX; IEEE 802.3, the latter from memory
_WARM_MC = 70_000
_BASELINE_DAYS = 7
_SLOW_MS = 10_000


def find(material: Material) -> Iterator[Finding]:
    """Everything that such records show."""
    yield from wrong_layer(material)
    yield from small_burst(material)
    yield from large_queue(material)
    yield from duplex(material)
    yield from optic(material)
    yield from path_mtu(material)
    yield from failover(material)


def wrong_layer(material: Material) -> Iterator[Finding]:
    """5: the newest size sweep of each direction that tells a layer, against the card's."""
    newest = {one.direction: one for one in material.of(SizesRun) if one.counted in _COUNTED}
    for direction, sweep in newest.items():
        counted, stated = _COUNTED[sweep.counted], material.handoff.card.layer
        if sweep.standing is not Standing.VALID or counted is stated:
            continue
        passed = [(size.frame_bytes, size.part.rates.ethernet_bps) for size in sweep.sizes if size.used]
        if not passed:
            continue
        (small, small_bps), (large, large_bps) = passed[0], passed[-1]
        rate_bps = material.handoff.card.rate_bps(direction)
        share = (
            f" ({percent(large_bps / rate_bps, 1)} and {percent(small_bps / rate_bps, 1)} of the contract)"
            if rate_bps
            else ""
        )
        if stated is Layer.NOT_STATED:
            owner, because = Owner.UNKNOWN, "the contract does not say at which layer its rate counts"
        else:
            owner = Owner.PROVIDER
            because = f"the contract states {_WORDS[stated]}, and the house has no limit of this size"
        yield finding(
            5,
            handoff=material.handoff.name,
            endpoint=sweep.endpoint,
            direction=direction,
            seen=f"{DIRECTION_WORDS[direction].capitalize()}: frames of {large} bytes came to "
            f"{rate_text(large_bps)} at layer 2 and those of {small} bytes to {rate_text(small_bps)}{share}: "
            f"the limit counts {_WORDS[counted]}, the contract {_WORDS.get(stated, 'does not say')}.",
            owner=owner,
            because=because,
            when=(sweep.started_unix_ns, sweep.started_unix_ns),
            counts={
                "counted": str(sweep.counted),
                "large_bps": large_bps,
                "small_bps": small_bps,
            },
        )


def small_burst(material: Material) -> Iterator[Finding]:
    """6: a policer whose bucket is less than the card states, or than CIR x RTT where it is silent."""
    newest = {one.direction: one for one in material.of(BurstRun) if one.standing is Standing.VALID}
    for direction, run in newest.items():
        bucket, rate_bps = run.committed_ethernet_bytes, material.handoff.card.rate_bps(direction)
        if run.limiter is not Limiter.POLICER or bucket is None or rate_bps is None:
            continue
        stated = material.handoff.card.burst_bytes(direction)
        least = _burst_needed(material, rate_bps) if stated is None else stated
        if bucket + (run.bound_bytes or 0) >= least:
            continue
        yield finding(
            6,
            handoff=material.handoff.name,
            endpoint=run.endpoint,
            direction=direction,
            seen=f"A policer lets {bucket / 1000:.0f} kB pass at once {direction} (bound "
            f"{(run.bound_bytes or 0) / 1000:.0f} kB) and drops the rest; "
            + (
                f"{rate_text(rate_bps)} over the idle round trip is {least / 1000:.0f} kB."
                if stated is None
                else f"the contract states {least / 1000:.0f} kB."
            ),
            owner=Owner.UNKNOWN if stated is None else Owner.PROVIDER,
            because="the contract states no burst size"
            if stated is None
            else "the drop is on the line and at neither end, and the contract states more",
            when=(run.started_unix_ns, run.started_unix_ns),
            counts={
                "bucket_bytes": bucket,
                "needed_bytes": round(least),
            },
        )


def _burst_needed(material: Material, rate_bps: int) -> float:
    """Bytes: the rate over the median idle round trip to the nearest endpoint outside."""
    idle = [
        median(cell.rtt.p50 for cell in cells if cell.rtt is not None)
        for name in material.outside
        if (cells := [cell for cell in material.cells_of(name) if cell.rtt is not None])
    ]
    return rate_bps / 8 * min(idle, default=0.0) / 1e6


def large_queue(material: Material) -> Iterator[Finding]:
    """8: delay that a full line adds, by loaded-delay runs, else by the trains beside rate runs."""
    for direction in (Direction.UP, Direction.DOWN):
        told = list(_by_loaded(material, direction)) or list(_by_runs(material, direction))
        added = [us for _, us in told]
        if not told or median(added) < _QUEUE_US or sum(us >= _QUEUE_US for us in added) < 0.5 * len(added):
            continue
        rates = [side.rates.ip_bps for _, side in material.sides(direction)]
        cure = f"shape at {rate_text(0.95 * median(rates))}" if rates else "shape at 95 % of the rate"
        yield finding(
            8,
            handoff=material.handoff.name,
            direction=direction,
            seen=f"While the line was full {direction}, the round trip was {median(added) / 1000:.0f} ms "
            f"longer than "
            f"idle ({_of_runs(added)}).",
            owner=Owner.HOUSE,
            because="wherever the queue stands, the house can keep it empty by sending a little less",
            when=(min(at for at, _ in told), max(at for at, _ in told)),
            ask=f"{cure} (IP layer, 95 % of the median) with active queue management (RFC 7567, RFC 8290)",
            counts={
                "runs": len(told),
                "added_ms": round(median(added) / 1000, 1),
                "most_ms": round(max(added) / 1000, 1),
            },
        )


def _of_runs(added: Sequence[int]) -> str:
    most = f"{max(added) / 1000:.0f} ms"
    return f"median of {len(added)} runs, the most {most}" if len(added) > 1 else "1 run"


def _by_loaded(material: Material, direction: Direction) -> Iterator[tuple[int, int]]:
    for run in material.of(LoadedDelayRun):
        for load in run.loads:
            if load.direction is direction and load.added_rtt is not None:
                if load.delay.lost <= 0.05 * load.delay.sent:
                    yield run.started_unix_ns + load.started_ms * NS_PER_MS, load.added_rtt.p95_us


def _by_runs(material: Material, direction: Direction) -> Iterator[tuple[int, int]]:
    found = [
        (run.started_unix_ns, run.rtt_loaded_us.p95 - run.rtt_idle_us.p95)
        for run, _ in material.sides(direction)
        if run.direction is direction and run.rtt_loaded_us is not None and run.rtt_idle_us is not None
    ]
    yield from found if len(found) >= _LEAST_RUNS else []


def duplex(material: Material) -> Iterator[Finding]:
    """16: half duplex as the port says, or frames damaged in loaded runs and in none of the trains."""
    half = [run for run in material.runs if run.circumstances.duplex == "half"]
    harmed = [run for run in material.runs if (run.circumstances.frame_errors or 0) > 0]
    if half:
        yield _port_finding(
            material,
            half,
            f"{len(half)} of {len(material.runs)} runs found the probe's port at half duplex, with "
            f"{sum(run.circumstances.frame_errors or 0 for run in half)} damaged frames.",
        )
    elif len(harmed) >= _LEAST_RUNS and _grows(material):
        count = sum(run.circumstances.frame_errors or 0 for run in harmed)
        yield _port_finding(
            material,
            harmed,
            f"{len(harmed)} of {len(material.runs)} runs found damaged frames at the probe's port, "
            f"{count} in "
            "all, and more of them in a run the more it carried.",
        )


def _port_finding(material: Material, runs: Sequence[RateRun], seen: str) -> Finding:
    return finding(
        16,
        handoff=material.handoff.name,
        seen=seen,
        owner=Owner.HOUSE,
        because="the probe's own port counts them, and that is where its lead ends; if the other end of the "
        "lead is the provider's port, both must look",
        when=(runs[0].started_unix_ns, runs[-1].started_unix_ns),
        counts={
            "runs": len(runs),
            "of": len(material.runs),
        },
    )


def _grows(material: Material) -> bool:
    """Whether runs that carried more than the median have three times the damaged frames of the others."""
    loads = sorted(
        (sum(side.received_bytes for side in run.sides().values()), run.circumstances.frame_errors or 0)
        for run in material.runs
        if run.circumstances.frame_errors is not None
    )
    half = len(loads) // 2
    light, heavy = sum(n for _, n in loads[:half]), sum(n for _, n in loads[half:])
    return heavy >= 3 * max(light, 1)


def optic(material: Material) -> Iterator[Finding]:
    """17, 34: light of a day against the first days', and the margin to the weak end; the temperature."""
    days: dict[date, list[Light]] = {}
    for reading in material.of(Light):
        days.setdefault(material.day(reading.started_unix_ns), []).append(reading)
    if not days:
        return
    levels = [(day, _level(of)) for day, of in days.items()]
    yield from _fading(material, levels, days)
    warm = [one for of in days.values() for one in of if one.temperature_mc >= _WARM_MC]
    if len(warm) >= _LEAST_RUNS:
        yield finding(
            34,
            handoff=material.handoff.name,
            seen=f"The optic was at 70 degrees Celsius or more in {len(warm)} hourly readings on "
            f"{len({material.day(one.started_unix_ns) for one in warm})} days, "
            f"{max(one.temperature_mc for one in warm) / 1000:.0f} at most, between "
            f"{min(_hour(material, one) for one in warm):02d}:00 and "
            f"{max(_hour(material, one) for one in warm) + 1:02d}:00"
            f"{'' if _errors(material) else ', without damaged frames'}.",
            owner=Owner.HOUSE,
            because="the room is the house's; sensors are good to about 3 degrees",
            when=(warm[0].started_unix_ns, warm[-1].started_unix_ns),
            counts={
                "readings": len(warm),
                "most_c": round(max(one.temperature_mc for one in warm) / 1000, 1),
            },
        )


def _fading(
    material: Material, levels: Sequence[tuple[date, float]], days: dict[date, list[Light]]
) -> Iterator[Finding]:
    if len(levels) < 3:
        return
    base = (
        _level(material.first_light)
        if material.first_light
        else median(level for _, level in levels[:_BASELINE_DAYS])
    )
    weak = WEAK_DBM.get(material.handoff.card.port_rate_bps or 0)
    faded = _stays(levels, lambda level: level <= base - FADED_DB)
    if faded is None:
        return
    ticket = None if weak is None else _stays(levels, lambda level: level <= weak + MARGIN_DB)
    lowest = min(level for _, level in levels)
    margin = ""
    if ticket is not None and weak is not None:
        margin = (
            f"; from {ticket} on less than {MARGIN_DB:g} dB were left to {weak} dBm, its class's weak end"
        )
    errors = _errors(material)
    yield finding(
        17,
        handoff=material.handoff.name,
        seen=f"The light that arrives sank from {base:.1f} dBm to {lowest:.1f}; on {faded} it lay "
        f"{FADED_DB:g} dB "
        f"below the first days{margin}. {errors} frames were damaged meanwhile.",
        owner=Owner.PROVIDER,
        because="the light comes from the provider's side; a jumper of the house's own comes first if there "
        "is one, and the sensor is good to about 3 dB, so only the change speaks (SFF-8472, from memory)",
        when=(days[faded][0].started_unix_ns, days[levels[-1][0]][-1].started_unix_ns),
        ask="open a ticket now: clean, measure at both ends, replace"
        if ticket
        else "inspect and clean; watch it",
        counts={
            "base_dbm": round(base, 2),
            "lowest_dbm": round(lowest, 2),
            "faded_day": str(faded),
            "ticket_day": str(ticket or ""),
            "damaged": errors,
        },
    )


def _stays(levels: Sequence[tuple[date, float]], below: Callable[[float], bool]) -> date | None:
    """The first day from which two in a row are below, or the last day alone."""
    for nth, (day, level) in enumerate(levels):
        if below(level) and (nth + 1 == len(levels) or below(levels[nth + 1][1])):
            return day
    return None


def _level(readings: Sequence[Light]) -> float:
    """Their median light, in dBm."""
    return dbm(median(one.received_nw for one in readings))


def dbm(nanowatts: float) -> float:
    """Power in decibels above 1 mW; minus infinity for none."""
    return 10 * math.log10(nanowatts / 1e6) if nanowatts > 0 else -math.inf


def _hour(material: Material, reading: Light) -> int:
    return material.minute(reading.started_unix_ns) // 60


def _errors(material: Material) -> int:
    return sum(run.circumstances.frame_errors or 0 for run in material.runs)


def path_mtu(material: Material) -> Iterator[Finding]:
    """18: the newest search that found less than the card states, or 1500, and how it fails."""
    runs = [one for one in material.of(PathMtu) if one.standing is Standing.VALID]
    if not runs:
        return
    newest = runs[-1]
    stated = material.handoff.card.mtu_bytes
    for family in newest.found:
        need = min(stated or 1500, family.interface_bytes or 1500)
        short = _short(family, need)
        if short is None:
            continue
        silent = family.beyond is Beyond.SILENT
        by = f"a router, {family.told_by}, says so" if family.told_by else "nobody says so"
        yield finding(
            18,
            handoff=material.handoff.name,
            endpoint=newest.endpoint,
            seen=f"IPv{family.ip_version} packets of more than {short} bytes do not pass whole, {need} "
            f"{'are stated' if stated else 'are usual'}; {by}"
            f"{', so large transfers hang' if silent else ''}.",
            owner=Owner.UNKNOWN,
            because="a tunnel or PPPoE of the house's own router looks the same from here",
            decides="the same search straight at the handoff, without the router",
            when=(newest.started_unix_ns, newest.started_unix_ns + round(newest.seconds * NS_PER_S)),
            counts={
                "ip_version": family.ip_version,
                "path_bytes": short,
                "needed_bytes": need,
                "silent": int(silent),
            },
        )


def _short(family: FamilyMtu, need: int) -> int | None:
    """The largest packet that passes, if that is less than needed; None if not, or not known."""
    ways = [family.up_bytes, None if family.down_at_least else family.down_bytes]
    known = [way for way in ways if way is not None and way < need]
    return min(known, default=None)


def failover(material: Material) -> Iterator[Finding]:
    """35: exercises in which the other uplink worked and traffic took more than 10 s to go by it."""
    for one in material.of(Failover):
        moving_ms = one.moving_ms
        if moving_ms is None or moving_ms <= _SLOW_MS:
            continue
        yield finding(
            35,
            handoff=material.handoff.name,
            endpoint=one.endpoint,
            seen=f"{material.handoff.name} failed ({one.failure}), and traffic went on by {one.backup} only "
            f"{moving_ms / 1000:.0f} s later, while {one.backup} lost {_missing(one.other)} of "
            f"{one.other.due} packets.",
            owner=Owner.HOUSE,
            because="the other uplink worked all the while, so what decides when to use it is late: the "
            "house's own router",
            when=(one.started_unix_ns, one.started_unix_ns + round(one.seconds * NS_PER_S)),
            counts={"moving_s": round(moving_ms / 1000, 1)},
        )


def _missing(train: Watched) -> int:
    return train.lost_up + train.lost_down + train.lost_unattributed + train.unsent
