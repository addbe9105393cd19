"""The twenty objections: what rules one out, what does so in part, and that nothing is ruled out by silence.

The list is common practice, no source; each case is worked by hand.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from dashboard.judge import objections
from dashboard.judge.objections import House, Proof, Ruled
from store.card import Card
from store.layers import Layer
from store.records import Carrier, RateRun
from tests.dashboard.judge.made import run

CARD = Card(provider="Greyfell Circuits", rate_up_bps=15_000_000, layer=Layer.ETHERNET)
KNOWN: dict[str, Any] = {
    "carrier": Carrier.WIRED,
    "egress_address": "198.51.100.42",
    "port_rate_bps": 1_000_000_000,
    "duplex": "full",
    "other_up_bps": 0,
    "other_down_bps": 0,
    "probe_cpu_ratio": 0.2,
    "frame_errors": 0,
    "clock_synchronised": True,
    "clock_error_us": 2000,
    "left_elsewhere": None,
}


def measured(**bent: Any) -> RateRun:
    found = run(16_000_000)
    return replace(found, circumstances=replace(found.circumstances, **{**KNOWN, **bent}))


def proof(*runs: RateRun, **bent: Any) -> Proof:
    usual: dict[str, Any] = {
        "runs": runs or (measured(),),
        "planned": 1,
        "skipped": 0,
        "failed": 0,
        "days": 14,
        "card": CARD,
        "networks": ("198.51.100.40/29",),
        "endpoints": ("north",),
        "inside": (),
        "house": House(sent=1000, lost=0, line_stalls=4, shared_stalls=0),
        "house_routers": 0,
        "hops_watched": False,
        "ceilings": 2,
        "paced_runs": 1,
        "works": 0,
        "excused_s": 0.0,
        "clock_changes": 0,
        "carrier_lost": 0,
        "tickets": 0,
        "campaigns": 1,
        "own_bytes": 10**9,
        "cap_bytes": None,
        "heads": 3,
        "stamped": 0,
    }
    return Proof(**{**usual, **bent})


def word(number: int, found: Proof) -> Ruled:
    return objections.judge(found)[number - 1].word


def test_twenty_in_their_order() -> None:
    found = objections.judge(proof())
    assert [one.number for one in found] == list(range(1, 21))
    assert all(one.because.endswith(".") for one in found)


@pytest.mark.parametrize("number", [1, 2, 4, 5, 6, 7, 8, 9, 14, 15, 17])
def test_what_every_run_shows_is_ruled_out(number: int) -> None:
    assert word(number, proof()) is Ruled.OUT


@pytest.mark.parametrize(
    ("number", "bent", "told"),
    [
        (1, {"carrier": Carrier.WIRELESS}, Ruled.NOT),
        (2, {"other_up_bps": None}, Ruled.NOT),
        (6, {"probe_cpu_ratio": None}, Ruled.IN_PART),
        (7, {"frame_errors": 3}, Ruled.NOT),
        (7, {"frame_errors": None}, Ruled.NOT),
        (8, {"port_rate_bps": 10_000_000}, Ruled.NOT),
        (8, {"duplex": "half"}, Ruled.NOT),
        (9, {"egress_address": "203.0.113.9"}, Ruled.IN_PART),
        (9, {"left_elsewhere": "by another interface"}, Ruled.NOT),
        (14, {"clock_error_us": 50_001}, Ruled.NOT),
        (14, {"clock_synchronised": False}, Ruled.NOT),
    ],
)
def test_a_run_that_does_not_show_it(number: int, bent: dict[str, Any], told: Ruled) -> None:
    """Alone it rules nothing out; beside a run that does show it, in part."""
    assert word(number, proof(measured(**bent))) is told
    assert word(number, proof(measured(), measured(**bent))) is not Ruled.OUT


@pytest.mark.parametrize(
    ("number", "bent", "told"),
    [
        (1, {"house": None}, Ruled.IN_PART),
        (1, {"house": House(sent=1000, lost=1, line_stalls=4, shared_stalls=0)}, Ruled.IN_PART),
        (1, {"house": House(sent=1000, lost=0, line_stalls=4, shared_stalls=1)}, Ruled.IN_PART),
        (4, {"days": 13}, Ruled.IN_PART),
        (5, {"card": Card()}, Ruled.IN_PART),
        (6, {"ceilings": 0}, Ruled.NOT),
        (12, {"inside": ("ref",)}, Ruled.IN_PART),
        (12, {"inside": ("north",)}, Ruled.OUT),
        (12, {"hops_watched": True}, Ruled.IN_PART),
        (12, {}, Ruled.NOT),
        (13, {}, Ruled.NOT),
        (13, {"works": 1}, Ruled.OUT),
        (15, {"house_routers": 1}, Ruled.NOT),
        (16, {"tickets": 5}, Ruled.NOT),
        (17, {"campaigns": 0}, Ruled.IN_PART),
        (18, {}, Ruled.NOT),
        (19, {"cap_bytes": 10**12}, Ruled.IN_PART),
        (20, {}, Ruled.IN_PART),
        (20, {"stamped": 3}, Ruled.OUT),
        (20, {"heads": 0}, Ruled.NOT),
    ],
)
def test_what_stands_beside_the_runs(number: int, bent: dict[str, Any], told: Ruled) -> None:
    assert word(number, proof(**bent)) is told


def test_without_a_run_nothing_is_ruled_out_by_runs() -> None:
    found = objections.judge(replace(proof(), runs=()))
    by_runs = (1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 14, 18)
    assert [one.number for one in found if one.number in by_runs and one.word is not Ruled.NOT] == []
