"""Every rule of availability, delay and loss in a record where each left something out, with and without it.

The figures are counted by hand from the minutes that were written.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dashboard import ledgers
from dashboard.judge.lifted import Effects
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import TrainSpan
from store.site import EndpointRef, Site, Times, Where, Window, WindowKind
from store.terms import AvailabilityTerms, OutageRule
from store.writer import Writer
from tests.dashboard.judge.made import NOON, site, span

MINUTES = 120
DEAD = {  # whole minutes after noon in which every packet is lost, by endpoint
    "north": {*range(10, 15), 30, 31, 50, 51, 52, 60, 61, *range(80, 85)},
    "south": {*range(10, 15), 30, 31, 60, 61, *range(80, 85)},
    "lan": {30, 31},
}
LATE = {60, 61}  # minutes that the probe sent late, so they do not count
WORKS = Window(
    name="nights",
    kind=WindowKind.MAINTENANCE,
    times=Times(weekdays=frozenset(), dates=frozenset({date(2026, 3, 9)}), from_minute=800, to_minute=805),
    handoffs=(),
    reference="W-7",
    announced=date(2026, 3, 1),
)


def minutes() -> Iterator[TrainSpan]:
    for endpoint, dead in DEAD.items():
        for minute in range(-10, MINUTES + 10):
            lost = 1200 if minute in dead else 0
            late = minute in LATE and endpoint != "lan"
            yield span(
                NOON + minute * 60 * NS_PER_S,
                endpoint=endpoint,
                lost_up=lost,
                received=1200 - lost,
                reasons=("late_schedule",) if late else (),
            )


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> ledgers.Ledgers:
    path: Path = tmp_path_factory.mktemp("ledgers") / "line.db"
    writer = Writer.open(path, clock=Clock(), timezone="Europe/Lisbon")
    for one in minutes():
        writer.append(one)
    writer.close()
    made = place(path)
    now_ns = NOON + MINUTES * 60 * NS_PER_S
    with closing(Reader.open(path)) as reader:
        return ledgers.read(reader, made, made.handoffs[0], now_unix_ns=now_ns, seconds=MINUTES * 60)


def place(path: Path) -> Site:
    made = site()
    card = replace(
        made.handoffs[0].card,
        outages=AvailabilityTerms(
            rule=OutageRule.SEVERE_SECONDS, maintenance_weekdays=frozenset({0}), maintenance_hours=(780, 840)
        ),
        availability_ratio=0.92,
        loss_ratio=0.03,
    )
    return replace(
        made,
        database=path,
        handoffs=(replace(made.handoffs[0], card=card),),
        endpoints=(*made.endpoints, EndpointRef(name="south", where=Where.OUTSIDE, invitation="")),
        windows=(WORKS,),
    )


def without(found: Effects) -> dict[str, tuple[str, str]]:
    return {rule.code: (rule.left_out, rule.without.word) for rule in found.rules}


def test_availability(found: ledgers.Ledgers) -> None:
    """0.92 of 2 h allow 9 min 36 s. 5 min count and 4 are not known: met. With the works 10 min: not met.
    With what north alone lost 8 min, and 4 that are not known: undecided."""
    one = found.availability
    assert (one.outcome.word, one.bare.word) == ("met", "not met")
    assert without(one) == {
        "late_schedule": ("4 minutes of trains", "met"),
        "works": ("5 min of outage", "not met"),
        "house": ("2 min", "met"),
        "one_endpoint": ("3 min towards one endpoint alone", "undecided"),
    }
    assert {rule.code for rule in one.rules if rule.changes} == {"works", "one_endpoint"}
    assert "works (not met)" in one.because


def test_delay_and_loss(found: ledgers.Ledgers) -> None:
    """South lost nothing outside of outages. With them 12 of 118 min were lost, more than 3 %."""
    south = next(one for one in found.quality if one.about.endswith("south"))
    assert without(south)["outages"][1] == "not met"
    assert without(south)["late_schedule"][0] == "4 minutes"
    north = next(one for one in found.quality if one.about.endswith("north"))
    assert {rule.code for rule in north.rules} == {"outages", "late_schedule"}


def test_every_verdict_has_its_ledger(found: ledgers.Ledgers) -> None:
    """Availability, each endpoint, each row; for programs each rule stands with the verdict without it."""
    told = ledgers.as_json(found)
    assert [one["about"] for one in told][:1] == ["Availability"]
    assert sum(one["about"].startswith("Delay and loss") for one in told) == 2
    assert sum(one["about"].startswith("A") and one["about"][1:].isdigit() for one in told) == 20
    assert all(rule["without_it"]["word"] for one in told for rule in one["rules"])
    text = "\n".join(ledgers.as_lines(found))
    assert all(rule["rule"] in text and rule["meaning"] in text for one in told for rule in one["rules"])
