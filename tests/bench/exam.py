"""The wide exam: faults moved, resized or absent by ten seeds, two hundred weeks without a fault of the line,
and the whole eighteen months through the writer.

    python -m tests.bench.exam [SEEDS] [WEEKS]            # figures of the judges, some minutes
    python -m tests.bench.exam months                     # every month as planted: what is said, and of whom
    python -m tests.bench.exam written FOLDER [MONTHS]    # what the record weighs, and how long it takes

Planted is what `varied` draws for a seed; found is a finding of its number with its owner, within its days. A
false accusation is a finding that names the provider and has no fault of the provider's behind it. Prints
figures, judges none; the quick part of the exam is `tests/test_exam.py`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

from dashboard.judge.finding import Finding
from probe.practice.history import write
from probe.practice.history.making import Chance, drawn
from probe.practice.history.records import bounds_ns, records
from probe.practice.history.script import (
    CLEAN,
    FIRST_DAY,
    MONTHS,
    USUAL,
    Backup,
    Between,
    Busy,
    ClockSlip,
    DirtyConnector,
    Hours,
    Kiln,
    MicroStalls,
    Outage,
    Restarts,
    Sag,
    Script,
    SlowNames,
    Squeeze,
    Step,
    clock,
    last_day,
)
from store.clock import NS_PER_S
from store.records import Owner
from store.site import Site
from tests.examined import days, site_of

OLD = "old-wan"
MARCH = date(2026, 3, 1), date(2026, 3, 31)
ABSENT = 0.25  # of the faults, so many do not happen
P, H, E, U = Owner.PROVIDER, Owner.HOUSE, Owner.ENDPOINT, Owner.UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A fault: the numbers of findings that may tell it, their owner, and its first and last day."""

    name: str
    numbers: frozenset[int]
    owner: Owner | None
    first: date
    last: date

    def found_in(self, shown: tuple[Finding, ...]) -> bool:
        since_ns, _ = bounds_ns(self.first, self.first)
        _, until_ns = bounds_ns(self.last, self.last)
        margin_ns = 86_400 * NS_PER_S
        return any(
            one.number in self.numbers
            and one.owner is self.owner
            and one.first_unix_ns < until_ns + margin_ns
            and one.last_unix_ns >= since_ns - margin_ns
            for one in shown
        )


def main() -> None:
    if sys.argv[1:2] == ["written"]:
        written(Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 18)
        return
    if sys.argv[1:2] == ["months"]:
        with tempfile.TemporaryDirectory() as folder:
            every_month(site_of(Path(folder)))
        return
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    weeks = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    with tempfile.TemporaryDirectory() as folder:
        site = site_of(Path(folder))
        varied_seeds(site, seeds)
        clean_weeks(site, weeks)


# Ten seeds


def varied_seeds(site: Site, seeds: int) -> tuple[int, int, int]:
    """(found, planted, said wrongly), with a line for each that was missed or wrong."""
    found = planted = absent = wrong = 0
    for seed in range(1, seeds + 1):
        for shown, faults, gone in examined(site, seed):
            missed = [one for one in faults if not one.found_in(shown)]
            said = [one for one in gone if one.found_in(shown)]
            accused = accusations(shown, faults)
            planted, found = planted + len(faults), found + len(faults) - len(missed)
            absent, wrong = absent + len(gone), wrong + len(said) + len(accused)
            for one in missed:
                near = [f"{each.number} {each.owner}" for each in shown if each.number in one.numbers]
                print(
                    f"seed {seed}: missed {one.name} ({one.first} to {one.last}); "
                    f"shown instead: {near or 'none'}"
                )
            for each in said:
                print(f"seed {seed}: {each.name} was said and is absent")
            for other in accused:
                print(f"seed {seed}: accused without a fault: {other.number} {other.seen}")
    print(
        f"{found} of {planted} planted faults found ({found / planted:.1%}); {absent} absent, "
        f"{wrong} said wrongly"
    )
    return found, planted, wrong


def accusations(shown: tuple[Finding, ...], faults: list[Planted]) -> list[Finding]:
    """Findings that name the provider for something that none of its faults explains."""
    theirs = {number for one in faults if one.owner is P for number in one.numbers}
    return [one for one in shown if one.owner is P and one.number not in theirs]


def examined(site: Site, seed: int) -> Iterator[tuple[tuple[Finding, ...], list[Planted], list[Planted]]]:
    """(findings, planted, absent) of each stretch of a varied script."""
    script, faults, gone = varied(seed)
    for handoff, first, last in (
        (OLD, *MARCH),
        ("A", date(2026, 6, 16), date(2026, 6, 18)),
        ("B", date(2026, 6, 16), date(2026, 6, 18)),
        ("B", date(2027, 1, 4), date(2027, 2, 14)),
        ("A", date(2026, 11, 1), date(2026, 11, 21)),
        ("B", date(2027, 8, 1), date(2027, 8, 28)),
    ):
        held = records(first, last, script=script, seed=seed, handoff=handoff)
        shown = days(site, handoff, first, last, held=held).findings
        key = f"{handoff} {first}"
        yield shown, faults.get(key, []), gone.get(key, [])


def varied(seed: int) -> tuple[Script, dict[str, list[Planted]], dict[str, list[Planted]]]:
    """A script with every fault moved and resized, or left out; what is planted and absent by stretch."""
    chance = drawn("exam", seed)
    faults: dict[str, list[Planted]] = {}
    gone: dict[str, list[Planted]] = {}

    def told(stretch: str, name: str, numbers: set[int], owner: Owner | None, *span: date) -> bool:
        one = Planted(name=name, numbers=frozenset(numbers), owner=owner, first=span[0], last=span[-1])
        there = chance.random() >= ABSENT
        (faults if there else gone).setdefault(stretch, []).append(one)
        return there

    old = _old(chance, seed, told)
    new = _new(chance, told)
    return Script(old=old, new=new), faults, gone


def _day(chance: Chance, first: int, last: int) -> date:
    return date(2026, 3, chance.randint(first, last))


def _moment(day: date, minute: float) -> datetime:
    return datetime.fromisoformat(f"{day}") + timedelta(minutes=minute)


def _old(chance: Chance, seed: int, told):  # type: ignore[no-untyped-def]
    """The old line of a varied script."""
    line, key, (first, last) = CLEAN.old, f"{OLD} {MARCH[0]}", MARCH
    start = chance.randrange(clock(17), clock(19))
    share = chance.uniform(0.4, 0.75)
    sag = Sag(
        hours=(Hours(from_minute=start, to_minute=chance.randrange(clock(22), clock(23, 30))),),
        p50_bps=share * 16.9e6,
        p5_bps=0.6 * share * 16.9e6,
        added_us=chance.randrange(3_000, 25_000),
        first=_day(chance, 1, 8),
    )
    if told(key, "evening sag", {3}, P, sag.first, last):
        line = replace(line, sag=sag)
    if told(key, "micro-stalls", {11, 12}, P, first, last):
        line = replace(
            line,
            stalls=MicroStalls(
                hours=Hours(from_minute=clock(19), to_minute=clock(22, 30)),
                an_hour=chance.uniform(2, 8),
                else_an_hour=chance.uniform(0.1, 0.6),
                seconds=(0.6, chance.uniform(1.8, 3.0), 0.9),
                held_ratio=chance.uniform(0.3, 0.8),
            ),
        )
    begins = chance.randrange(clock(8), clock(16))
    if told(key, "noise", {9}, U, first, last):
        line = replace(
            line,
            kiln=Kiln(
                hours=Hours(
                    from_minute=begins, to_minute=begins + 30, weekdays=frozenset(chance.sample(range(5), 2))
                ),
                loss_ratio=chance.uniform(0.012, 0.03),
                burst_s=(20.0, 90.0),
                every_s=420.0,
                off=frozenset(),
            ),
        )
    every = chance.randint(3, 8)
    if told(key, "restarts", {13}, P, first, last):
        line = replace(
            line,
            restarts=Restarts(
                first=_day(chance, 1, 4),
                every_days=every,
                minute=chance.randrange(30, 330),
                within_minutes=4,
                seconds=chance.uniform(120, 500),
            ),
        )
    day = _day(chance, 2, 29)
    outage = Outage(start=_moment(day, chance.randrange(480, 1200)), seconds=chance.uniform(1000, 7200))
    if told(key, "outage", {25, 26}, P, day):
        line = replace(line, outages=(outage,))
    day = _day(chance, 6, 26)
    if told(key, "path step", {14}, None, day):
        line = replace(
            line,
            step=Step(
                start=_moment(day, chance.randrange(0, 1400, 5)), added_us=chance.randrange(4_000, 25_000)
            ),
        )
    day = _day(chance, 3, 24)
    hour = chance.randrange(8, 16)
    end = day + timedelta(days=chance.randint(3, 4))
    name = chance.choice(("north", "south"))
    if told(key, "endpoint busy", {33, 4}, E, day, end):
        line = replace(
            line,
            busy=Busy(
                endpoint=name,
                first=day,
                last=end,
                hours=Hours(from_minute=clock(hour), to_minute=clock(hour + 1)),
                most_bps=chance.uniform(4e6, 12e6),
            ),
        )
    day = _day(chance, 2, 28)
    slow = Between(start=_moment(day, 600), end=_moment(day, 600 + chance.randrange(480, 1800)))
    if told(key, "slow port", {1}, H, day, slow.end.date()):
        line = replace(line, slow_port=slow)
    begins = chance.randrange(clock(9), clock(16), 10)
    if told(key, "own backup", {23}, H, first, last):
        line = replace(
            line,
            backup=Backup(
                hours=Hours(from_minute=begins, to_minute=begins + 40, weekdays=frozenset(range(5))),
                up_bps=(5e6, 8e6),
            ),
        )
    day = _day(chance, 2, 28)
    slip = ClockSlip(
        start=_moment(day, 60),
        end=_moment(day, 60 + chance.randrange(180, 360)),
        by_us=chance.randrange(300_000, 600_000),
    )
    if told(key, "clock slip", {15}, H, day):
        line = replace(line, slip=slip)
    names = drawn("exam", seed, "names")
    day = _day(names, 2, 14)
    slow_names = SlowNames(
        first=day, last=day + timedelta(days=names.randint(5, 14)), ratio=names.uniform(0.15, 0.6)
    )
    if told(key, "slow names", {29}, P, day, slow_names.last):
        line = replace(line, slow_names=slow_names)
    day = _day(chance, 2, 28)
    line = replace(
        line, down=(Between(start=_moment(day, 500), end=_moment(day, chance.randrange(600, 1100))),)
    )
    if not told(key, "swollen queue", {8}, H, first, last):
        line = replace(line, queue_bytes=60_000)  # 28 ms at 16.9 Mb/s
    return line


def _new(chance: Chance, told):  # type: ignore[no-untyped-def]
    """The new circuit of a varied script."""
    circuit = CLEAN.new
    week = date(2026, 6, 16), date(2026, 6, 18)
    if told("A 2026-06-16", "wrong layer", {5}, P, *week):
        circuit = replace(circuit, wrong_layer_until=date(2026, 6, 20))
    if told("A 2026-06-16", "slow failover", {35}, H, *week):
        circuit = replace(circuit, failover_s=chance.uniform(14, 90))
    if told("B 2026-06-16", "small burst", {6}, P, *week):
        circuit = replace(
            circuit, small_burst_until=date(2026, 6, 19), burst_bytes=chance.randrange(64_000, 900_000)
        )
    first = date(2027, 1, chance.randint(8, 14))
    dirt = DirtyConnector(
        first=first,
        days=chance.randint(14, 24),
        from_dbm=-6.8,
        to_dbm=chance.uniform(-13.5, -10.0),
        errors_after_days=chance.randint(10, 16),
        cleaned=first + timedelta(days=26),
    )
    if told("B 2027-01-04", "dirty connector", {17}, P, first, dirt.cleaned):
        circuit = replace(circuit, dirt=dirt)
    first = date(2027, 1, chance.randint(5, 31))
    if told("B 2027-01-04", "IPv6 detour", {19}, None, first, date(2027, 2, 14)):
        circuit = replace(
            circuit, detour_us=chance.randrange(7_000, 40_000), detour=(first, date(2027, 2, 28))
        )
    day = date(2026, 11, chance.randint(2, 19))
    outage = Outage(start=_moment(day, chance.randrange(60, 1200)), seconds=chance.uniform(60, 14_000))
    if told("A 2026-11-01", "outage", {25, 26}, P, day):
        circuit = replace(circuit, outages_a=(outage,))
    first = date(2027, 8, chance.randint(3, 16))
    start = chance.randrange(clock(19), clock(20))
    squeeze = Squeeze(
        first=first,
        last=first + timedelta(days=chance.randint(7, 11)),
        hours=Hours(from_minute=start, to_minute=start + chance.randrange(150, 200)),
        ethernet_bps=1.4e9 * chance.uniform(0.5, 0.87),
        added_us=chance.randrange(1_800, 6_000),
    )
    if told("B 2027-08-01", "busy-hour squeeze", {3}, P, first, squeeze.last):
        circuit = replace(circuit, squeeze=squeeze)
    if told("B 2027-08-01", "studio 2", {2}, H, date(2027, 8, 1), date(2027, 8, 28)):
        circuit = replace(circuit, studio_two=True)
    return circuit


# Weeks without a fault of the line


def clean_weeks(site: Site, weeks: int) -> int:
    """In how many the provider was named; every other week has faults of the house and of an endpoint."""
    accused = 0
    for nth in range(weeks):
        first = date(2026, 3, 2) + timedelta(days=7 * (nth % 12))
        last = first + timedelta(days=6)
        old = replace(CLEAN.old, stalls=_FEW_STALLS)
        if nth % 2:
            old = _houses_faults(old, first)
        script = replace(CLEAN, old=old)
        held = records(first, last, script=script, seed=1000 + nth, handoff=OLD)
        shown = list(days(site, OLD, first, last, held=held).findings)
        first, last = first + timedelta(days=112), last + timedelta(days=112)
        held = records(first, last, script=CLEAN, seed=1000 + nth, handoff="B")
        shown += days(site, "B", first, last, held=held).findings
        wrong = [one for one in shown if one.owner is P]
        accused += bool(wrong)
        for one in wrong:
            print(f"week {nth}: {one.number} {one.handoff}: {one.seen} {one.because}")
    print(f"{weeks} weeks of both lines without a fault of theirs: the provider named in {accused}")
    return accused


_FEW_STALLS = MicroStalls(
    hours=Hours(from_minute=0, to_minute=clock(24)),
    an_hour=0.03,
    else_an_hour=0.03,
    seconds=(0.5, 1.2, 0.6),
    held_ratio=0.8,
)


def _houses_faults(old, monday: date):  # type: ignore[no-untyped-def]
    """F8 to F12 in one week."""
    usual = USUAL.old
    busy = usual.busy
    assert busy is not None
    return replace(
        old,
        busy=replace(busy, first=monday, last=monday + timedelta(days=4)),
        backup=usual.backup,
        slow_port=Between(start=_moment(monday, 620), end=_moment(monday + timedelta(days=1), 545)),
        slip=ClockSlip(
            start=_moment(monday + timedelta(days=2), 0),
            end=_moment(monday + timedelta(days=2), 360),
            by_us=420_000,
        ),
        down=(
            Between(
                start=_moment(monday + timedelta(days=5), 480), end=_moment(monday + timedelta(days=5), 930)
            ),
        ),
    )


# Every month


def every_month(site: Site) -> None:
    """The findings of each handoff and month of the usual script."""
    first = FIRST_DAY
    while first <= last_day(MONTHS):
        last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
        for handoff in (OLD, "A", "B"):
            held = records(first, last, handoff=handoff)
            shown = days(site, handoff, first, last, held=held).findings
            said = ", ".join(f"{one.number} {one.owner or 'noted'}" for one in shown)
            print(f"{first:%Y-%m} {handoff:8} {said}", flush=True)
        first = last + timedelta(days=1)


# The whole of it


def written(folder: Path, months: int) -> None:
    began, used = time.perf_counter(), time.process_time()
    made = write.write(folder, months=months)
    size = sum(each.stat().st_size for each in folder.iterdir())
    print(
        f"{made.records} records, {made.first} to {made.last}: {time.perf_counter() - began:.0f} s, "
        f"{time.process_time() - used:.0f} s of processor time, {size / 1e6:.0f} MB"
    )


if __name__ == "__main__":
    main()
