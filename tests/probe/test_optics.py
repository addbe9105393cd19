"""Light that fades, held against the first reading on record."""

from __future__ import annotations

import asyncio
from contextlib import closing
from pathlib import Path

import pytest

from probe import optics
from probe.linux.optic import Optic
from probe.optics import Fading
from probe.reach import Reach
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.light import Light
from store.writer import Writer
from tests.probe.jumping import run_from
from tests.probe.living import alive
from tests.probe.sites import handoff, site
from tests.probe.test_daemon import START_NS

HOUR_NS = 3600 * NS_PER_S


def at(received_dbm: float, sent_dbm: float = -3.0) -> Optic:
    received_nw, sent_nw = (round(10 ** (level / 10) * 1e6) for level in (received_dbm, sent_dbm))
    return Optic(received_nw=received_nw, sent_nw=sent_nw, temperature_mc=40_000)


def events(fading: Fading, levels: list[float], *, every_ns: int = HOUR_NS) -> list[tuple[int, Event]]:
    found = []
    for number, level in enumerate(levels):
        kept = fading.look("enp6s0", at(level), unix_ns=number * every_ns)
        found += [(number, record) for record in kept if isinstance(record, Event)]
    return found


@pytest.mark.parametrize(("nanowatts", "dbm"), [(1_000_000, 0.0), (500_000, -3.0), (100_000, -10.0)])
def test_decibels(nanowatts: int, dbm: float) -> None:
    """0 dBm is 1 mW, half of it 3 dB less, a tenth 10 dB less."""
    assert optics.dbm(nanowatts) == pytest.approx(dbm, abs=0.02)


def test_a_connector_that_gets_dirty() -> None:
    """From -6.8 to -12.9 dBm in 21 days: the practice site's G4, whose event comes at 2 dB, on day 7."""
    found = events(Fading(handoff="B"), [-6.8 - 6.1 * day / 21 for day in range(22)], every_ns=24 * HOUR_NS)
    assert [(day, event.what, event.before) for day, event in found] == [(7, EventKind.OPTIC, "-6.8 dBm")]
    assert (
        found[0][1].says
        == "light received by the optic of enp6s0 fell from -6.8 dBm, as first read, to -8.8 dBm"
    )


def test_told_once_and_again_after_it_had_come_back() -> None:
    levels = [-6.8, -9.0, -8.0, -9.0, -7.5, -9.0, -60.0]
    assert [hour for hour, _ in events(Fading(handoff="B"), levels)] == [1, 5]


def test_more_light_is_no_drift() -> None:
    assert events(Fading(handoff="B"), [-9.0, -5.0, -1.0]) == []


def test_another_interface_begins_anew() -> None:
    fading = Fading(handoff="B")
    fading.look("enp6s0", at(-3.0), unix_ns=0)
    assert not any(isinstance(one, Event) for one in fading.look("enp7s0", at(-12.0), unix_ns=1))


def test_one_reading_an_hour_is_kept() -> None:
    fading = Fading(handoff="B")
    kept = [fading.look("enp6s0", at(-6.8), unix_ns=minute * 60 * NS_PER_S) for minute in range(121)]
    assert [minute for minute, found in enumerate(kept) if found] == [0, 60, 120]


def test_what_is_on_record_goes_on_after_a_restart(tmp_path: Path) -> None:
    """The first reading stays the measure, and a drift that was told is not told again."""
    asked = site(handoffs=(handoff("B"), handoff("C")), database=tmp_path / "line.db")
    before = Fading(handoff="B")
    with closing(Writer.open(asked.database, clock=Clock())) as writer:
        for hour, level in enumerate((-6.8, -7.0, -9.5)):
            for record in before.look("enp6s0", at(level), unix_ns=hour * HOUR_NS):
                writer.append(record)
    after = optics.restored(asked)
    assert after["B"].first == before.first
    assert after["B"].faded == {"received"}
    assert after["C"].first is None


def test_the_first_reading_is_of_the_interface_that_is_there_now(tmp_path: Path) -> None:
    """An interface that got another name begins anew, once, and not with each start of the probe."""
    asked = site(handoffs=(handoff("B"),), database=tmp_path / "line.db")
    with closing(Writer.open(asked.database, clock=Clock())) as writer:
        before = Fading(handoff="B")
        for hour, (interface, level) in enumerate((("eth1", -5.0), ("enp6s0", -6.8), ("enp6s0", -7.0))):
            for record in before.look(interface, at(level), unix_ns=hour * HOUR_NS):
                writer.append(record)
    assert optics.restored(asked)["B"].first == before.first


def test_the_daemon_looks_every_minute() -> None:
    """It keeps the first reading and tells of the drift; then there is nothing to read any more."""
    levels = iter([-6.8, -6.9, -9.1])

    async def read(where: Reach) -> tuple[str, Optic] | None:
        level = next(levels, None)
        return None if level is None else ("enp6s0", at(level))

    async def life(clock: Clock) -> None:
        async with alive(clock, site(handoffs=(handoff(),))) as one:
            book, where = one.daemon.book, next(iter(one.daemon.reaches["A"].values()))
            watching = asyncio.create_task(
                optics.watch(where, Fading(handoff="A"), read=read, book=book), name="optic"
            )
            await asyncio.sleep(200)
            watching.cancel()
            assert [event.what for event in one.store.of(Event)] == [EventKind.OPTIC]
            assert [light.received_nw for light in one.store.of(Light)] == [208_930]

    run_from(START_NS, life)
