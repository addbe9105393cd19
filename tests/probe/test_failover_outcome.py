"""Failover exercises on paper: rows of packets whose story is written down, and what is made of them.

The bounds (0.5 s, a fifth, 1 s) are common practice, no source; the rows say by themselves what is right.
"""

from __future__ import annotations

import pytest

from probe import failover_outcome
from probe.failover_outcome import Knocks, Packet, Port, Seen
from store.failovers import Break, Failure

MAIN, OTHER = "192.0.2.1", "198.51.100.1"
NO_PORT = Port()
TRIED = Knocks(proven=True, sent=9, heard=0)


def train(*stretches: tuple[int, str]) -> list[Packet]:
    """Packets 50 ms apart: so many of each fate; a reply takes 10 ms."""
    fates = [fate for count, fate in stretches for _ in range(count)]
    return [
        Packet(at_ms=50.0 * place, fate=fate, back_ms=50.0 * place + 10 if fate == "back" else None)
        for place, fate in enumerate(fates)
    ]


def broken(*stretches: tuple[int, str]) -> Break:
    (found,) = failover_outcome.breaks(train(*stretches))
    return found


def test_a_silence_is_a_break_with_its_moments() -> None:
    found = broken((20, "back"), (40, "up"), (20, "back"))
    assert (found.from_ms, found.last_ms, found.until_ms) == (1000, 960, 3010)
    assert (found.due, found.lost_up, found.missing) == (40, 40, 40)


def test_one_that_nothing_ended() -> None:
    assert broken((20, "back"), (40, "unattributed")).until_ms is None


@pytest.mark.parametrize("lost", [1, 5, 10])
def test_some_lost_packets_are_no_break(lost: int) -> None:
    """Ten packets 50 ms apart span 450 ms."""
    assert failover_outcome.breaks(train((20, "back"), (lost, "down"), (40, "back"))) == []


def test_a_third_lost_for_four_seconds_is_one() -> None:
    found = broken((20, "back"), *[(1, "up"), (2, "back")] * 28, (40, "back"))
    assert (found.due, found.lost_up) == (82, 28)
    kind, why = failover_outcome.failure(found, port=NO_PORT, knocks=TRIED)
    assert kind is Failure.HALF_DEAD
    assert "28 of 82" in why


def test_a_twentieth_is_none() -> None:
    assert failover_outcome.breaks(train(*[(1, "up"), (19, "back")] * 20)) == []


@pytest.mark.parametrize(
    ("fate", "port", "knocks", "kind"),
    [
        ("up", Port(lost_ms=1400), TRIED, Failure.CLEAN),
        ("up", Port(lost_ms=2500), TRIED, Failure.SILENT),
        ("unsent", Port(lost_ms=900), TRIED, Failure.CLEAN),
        ("unsent", NO_PORT, TRIED, Failure.UNDECIDED),
        ("up", NO_PORT, TRIED, Failure.SILENT),
        ("up", NO_PORT, Knocks(proven=True, sent=9, heard=2), Failure.HALF_DEAD),
        ("up", NO_PORT, Knocks(proven=False, sent=9, heard=0), Failure.UNDECIDED),
        ("up", NO_PORT, Knocks(proven=True, sent=0, heard=0), Failure.UNDECIDED),
        ("down", NO_PORT, TRIED, Failure.HALF_DEAD),
        ("unattributed", NO_PORT, TRIED, Failure.UNDECIDED),
    ],
)
def test_the_kind_of_a_failure(fate: str, port: Port, knocks: Knocks, kind: Failure) -> None:
    found = broken((20, "back"), (60, fate), (20, "back"))
    assert failover_outcome.failure(found, port=port, knocks=knocks)[0] is kind


def test_holes_are_packets_that_this_host_would_not_send() -> None:
    """Of slots each 50 ms, two are missing in the middle and three at the end."""
    sent = [Packet(at_ms=at, fate="back", back_ms=at + 1) for at in (0, 50, 200, 250)]
    found = failover_outcome.with_holes(sent, spacing_ms=50, until_ms=450)
    assert [round(one.at_ms) for one in found if one.fate == "unsent"] == [100, 150, 300, 350, 400]
    assert len(found) == 9


def told(*spoken: tuple[float, str]) -> list[Seen]:
    return [Seen(asked_ms=at, told_ms=at + 5, address=address) for at, address in spoken]


def moved(routed: list[Packet], seen: list[Seen], main: Break) -> failover_outcome.Moves:
    watched = failover_outcome.watched(routed, egress_address=MAIN, rtt_p50_us=None)
    return failover_outcome.moves(main, watched, routed, seen)


def test_traffic_that_moves_and_returns() -> None:
    routed = train((21, "back"), (30, "up"), (150, "back"))
    seen = told((0, MAIN), (1500, MAIN), (2600, OTHER), (4000, OTHER), (5200, OTHER), (6000, MAIN))
    found = moved(routed, seen, broken((20, "back"), (80, "up"), (80, "back")))
    assert (found.switched, found.egress_before, found.egress_after) == (True, MAIN, OTHER)
    assert (found.last_ms, found.first_ms, found.without_ms, found.lost_switching) == (1010, 2560, 1550, 30)
    assert (found.returned_ms, found.lost_returning) == (6005, 0)


def test_traffic_that_waits_for_the_main_uplink_did_not_move() -> None:
    routed = train((20, "back"), (80, "up"), (80, "back"))
    found = moved(routed, told((0, MAIN), (5200, MAIN)), broken((20, "back"), (80, "up"), (80, "back")))
    assert (found.switched, found.without_ms, found.returned_ms) == (False, 4050, None)


def test_traffic_that_goes_by_the_other_uplink_already_is_not_concerned() -> None:
    found = moved(
        train((180, "back")), told((0, OTHER), (2000, OTHER)), broken((20, "back"), (80, "up"), (80, "back"))
    )
    assert (found.switched, found.without_ms, found.egress_before) == (False, None, OTHER)


def test_an_endpoint_that_does_not_say_leaves_it_open() -> None:
    routed = train((20, "back"), (30, "up"), (130, "back"))
    watched = failover_outcome.watched(routed, egress_address=None, rtt_p50_us=None)
    found = failover_outcome.moves(broken((20, "back"), (80, "up"), (80, "back")), watched, routed, [])
    assert (found.switched, found.without_ms) == (None, 1550)
