"""The house's own way: what ports show against the worked figures and a second sum, reach, cures, G8."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import house_paths
from dashboard.judge import house
from dashboard.judge.house import PathJudged, State
from probe.practice.history import place
from store import site as sites
from store.house import Cable, HouseHop, HousePath
from store.layers import Layer
from store.records import Circumstances, RateRun
from store.site import Card, Handoff
from tests.dashboard.judge import made
from tests.dashboard.judge.made import run

GBPS = 1_000_000_000
UPLINK = HouseHop(from_="handoff B", to="router", port_rate_bps=10 * GBPS, cable=Cable.FIBRE)
SWITCH = HouseHop(from_="router", to="switch", port_rate_bps=10 * GBPS, cable=Cable.CAT_6A, length_m=3)
STUDIO_1 = HouseHop(
    from_="switch", to="studio 1", port_rate_bps=5 * GBPS, cable=Cable.CAT_6, length_m=48, most_bps=10 * GBPS
)
STUDIO_2 = HouseHop(from_="switch", to="studio 2", port_rate_bps=GBPS, cable=Cable.CAT_5E, length_m=62)
OFFICE = HouseHop(from_="switch", to="office", port_rate_bps=100_000_000, cable=Cable.CAT_3, length_m=30)


def handoff(rate_bps: int | None = 1_400_000_000) -> Handoff:
    """1.4 Gb/s at layer 2 each way."""
    card = Card(rate_up_bps=rate_bps, rate_down_bps=rate_bps, layer=Layer.ETHERNET)
    return replace(made.site().handoffs[0], name="B", card=card)


def judged(
    *hops: HouseHop, rate_bps: int | None = 1_400_000_000, runs: list[RateRun] | None = None
) -> PathJudged:
    port = handoff(rate_bps)
    path = HousePath(name=hops[-1].to, handoffs=("B",), hops=hops)
    return house.judge(path, port, needed_bps=house.needed_payload_bps(port), runs=runs or [])


@pytest.mark.parametrize(
    ("port_bps", "v4_mbps", "v6_mbps"),
    [
        (100_000_000, 94.1, 92.8),
        (GBPS, 941, 928),
        (2_500_000_000, 2354, 2321),
        (5 * GBPS, 4707, 4642),
        (10 * GBPS, 9415, 9285),
    ],
)
def test_what_a_port_shows(port_bps: int, v4_mbps: float, v6_mbps: float) -> None:
    """Worked figures, and the second route: 1500 bytes less 20 (40) of IP, 20 of TCP and 12 of timestamps, in
    14 + 4 + 8 + 12 more on the wire."""
    for version, expected_mbps, ip_bytes in ((4, v4_mbps, 20), (6, v6_mbps, 40)):
        found = house.port_shows_bps(port_bps, ip_version=version)
        assert found / 1e6 == pytest.approx(expected_mbps, rel=6e-4)
        assert found == pytest.approx(
            port_bps * (1500 - ip_bytes - 20 - 12) / (1500 + 14 + 4 + 8 + 12), abs=1
        )


@pytest.mark.parametrize(
    ("cable", "length_m", "surely", "perhaps"),
    [
        (Cable.CAT_5E, 62, 2_500_000_000, 5 * GBPS),
        (Cable.CAT_5E, 100, 2_500_000_000, 5 * GBPS),
        (Cable.CAT_6, 37, 10 * GBPS, 10 * GBPS),
        (Cable.CAT_6, 48, 5 * GBPS, 10 * GBPS),
        (Cable.CAT_6, 56, 5 * GBPS, 5 * GBPS),
        (Cable.CAT_6A, 100, 10 * GBPS, 10 * GBPS),
        (Cable.CAT_6A, 101, None, None),
        (Cable.CAT_5, 20, 100_000_000, 2_500_000_000),
        (Cable.UNKNOWN, 20, None, None),
        (Cable.CAT_6, None, None, None),
    ],
)
def test_reach_of_copper(
    cable: Cable, length_m: float | None, surely: int | None, perhaps: int | None
) -> None:
    """IEEE 802.3 (1000BASE-T, 802.3bz) and TIA TSB-155-A, from memory: 2.5G 100 m on Cat 5e, 5G 100 m on Cat
    6, 10G on Cat 6 37 m, up to 55 m by its neighbours, 100 m on Cat 6A."""
    assert house.carries(cable, length_m) == (surely, perhaps)


def test_studio_2_is_no_slow_line() -> None:
    """A top of 941 on a handoff of 1.4 Gb/s (1336 of payload over full frames): the house's own 1 Gb/s port,
    on a cable that carries 2.5."""
    tops = [run(round(941.3e6)), run(round(940.9e6)), run(round(938.0e6)), run(700_000_000)]
    found = judged(UPLINK, SWITCH, STUDIO_2, runs=tops)
    assert (found.weakest.hop, found.limits) == (STUDIO_2, True)
    assert found.weakest.best_bps / 1e6 == pytest.approx(941.5, abs=0.1)
    assert found.needed_bps is not None
    assert found.needed_bps / 1e6 == pytest.approx(1400 * 1448 / 1518, abs=0.1)
    assert "What is measured from here is the house's, not the line's." in found.because
    assert found.seen is not None
    assert found.seen.startswith("3 of 4 results end at 941 Mb/s")
    assert found.seen.endswith("Owner: house.")
    assert [cure.split(",")[0] for cure in found.cures] == [
        "The Cat 5e that is there",
        "Last: a short optical patch lead in place of switch to studio 2",
    ]
    assert "carries 2.50 Gb/s, and 5.00 Gb/s where noise allows" in found.cures[0]


@pytest.mark.parametrize(
    "tops",
    [
        [941, 941],  # too few
        [941, 941, 941, 1200],  # something came above: no ceiling
        [920, 880, 860],  # not at the top
    ],
)
def test_what_is_no_top(tops: list[float]) -> None:
    assert judged(UPLINK, STUDIO_2, runs=[run(round(rate * 1e6)) for rate in tops]).seen is None


def test_a_10g_port_is_turned_down_before_fibre_is_laid() -> None:
    """10 Gb/s ports on 62 m of Cat 5e settled at 1: they can be held at 5 or 2.5; fibre comes last."""
    found = judged(UPLINK, replace(STUDIO_2, most_bps=10 * GBPS))
    assert [cure.split(" ", 1)[0] for cure in found.cures] == ["The", "Turn", "Last:"]
    assert "both ports of switch to studio 2 do 10.0 Gb/s" in found.cures[0]
    assert "down to 5.00 Gb/s" in found.cures[1]
    assert "never look into a fibre" in found.cures[-1]


@pytest.mark.parametrize(
    ("hops", "weakest", "limits"),
    [
        ((UPLINK, SWITCH, STUDIO_1), STUDIO_1, False),  # 4707 of 1336
        ((UPLINK, SWITCH, OFFICE), OFFICE, True),
        ((UPLINK, SWITCH), UPLINK, False),
    ],
)
def test_the_weakest_hop(hops: tuple[HouseHop, ...], weakest: HouseHop, limits: bool) -> None:
    found = judged(*hops)
    assert (found.weakest.hop, found.limits) == (weakest, limits)
    assert bool(found.cures) is limits


def test_wireless_and_slow_devices() -> None:
    """65 % of the rate shown at best; a router that carries 900 Mb/s is asked about, not its cable."""
    air = HouseHop(from_="switch", to="guests", port_rate_bps=866_000_000, cable=Cable.WIRELESS)
    found = judged(UPLINK, air)
    assert found.weakest.best_bps == pytest.approx(0.65 * 866e6)
    assert "take a cable" in found.cures[0]
    slow = replace(SWITCH, carries_bps=900_000_000)
    assert judged(UPLINK, slow).cures == (
        "A device on router to switch carries 900 Mb/s at most: ask for its rate both ways.",
    )


@pytest.mark.parametrize(
    ("card", "mbps"),
    [
        (Card(rate_up_bps=600_000_000, layer=Layer.ETHERNET), 572.3),
        (Card(rate_down_bps=1_400_000_000, layer=Layer.ETHERNET, vlan_tags=(830,)), 1331.9),
        (Card(rate_up_bps=15_000_000, rate_down_bps=18_000_000), 18 * 1448 / 1518),
        (Card(rate_up_bps=15_000_000, layer=Layer.PAYLOAD), 15.0),
    ],
)
def test_what_a_contract_comes_to(card: Card, mbps: float) -> None:
    """600 and, with one tag, 1400 at layer 2 come to 572.3 and 1331.9 of payload (1448 in 1518 and 1522)."""
    found = house.needed_payload_bps(replace(handoff(), card=card))
    assert found is not None
    assert found / 1e6 == pytest.approx(mbps, abs=0.05)


def test_without_a_stated_rate_nothing_is_compared() -> None:
    found = judged(UPLINK, STUDIO_2, rate_bps=None)
    assert (found.needed_bps, found.limits, found.cures) == (None, False, ())
    assert "states no rate to compare" in found.because


def counted(errors: int | None, *, light: bool = False) -> RateRun:
    known = Circumstances(interface="eth0", frame_errors=errors)
    return replace(run(500_000_000, light=light), circumstances=known)


@pytest.mark.parametrize(
    ("runs", "state"),
    [
        ([counted(0)] * 5, State.CLEAN),
        ([*[counted(0)] * 5, counted(17)], State.SUSPECT),
        ([counted(None)] * 5, State.NOT_SEEN),
        ([counted(17, light=True)], State.NOT_SEEN),  # a light run fills nothing
        ([], State.NOT_SEEN),
    ],
)
def test_the_cable_by_its_counters_under_load(runs: list[RateRun], state: State) -> None:
    """Of this host's own port; another hop's counters are not on record."""
    own = replace(STUDIO_2, interface="eth0")
    found = judged(UPLINK, own, runs=runs)
    assert [hop.cable for hop in found.hops] == [State.NOT_SEEN, state]
    if state is State.SUSPECT:
        assert found.hops[1].cable_because.startswith("17 damaged frames in 1 of 6 runs")
        assert "swap the lead" in found.cures[0]


copper = st.builds(
    HouseHop,
    from_=st.just("a"),
    to=st.just("b"),
    port_rate_bps=st.sampled_from([100_000_000, GBPS, 2_500_000_000, 5 * GBPS, 10 * GBPS]),
    cable=st.sampled_from(Cable),
    length_m=st.none() | st.floats(1, 150),
)


@given(st.lists(copper, min_size=1, max_size=4), copper)
def test_one_more_hop_never_shows_more(hops: list[HouseHop], more: HouseHop) -> None:
    """And whatever limits has a cure, fibre the last of it."""
    before, after = judged(*hops), judged(*hops, more)
    assert after.weakest.best_bps <= before.weakest.best_bps
    assert bool(after.cures) is after.limits


@given(st.sampled_from(Cable), st.floats(1, 150), st.floats(0, 50))
def test_a_longer_cable_never_carries_more(cable: Cable, length_m: float, more_m: float) -> None:
    for near, far in zip(
        house.carries(cable, length_m), house.carries(cable, length_m + more_m), strict=True
    ):
        assert (near or 0) >= (far or 0)


def test_the_practice_sites_house(tmp_path: Path) -> None:
    """Studio 2 is slow by B at 941 of 1332 and enough by A (572); studio 1 is enough, the office at 94
    never.
    """
    (tmp_path / "secrets.toml").touch(mode=0o600)
    (tmp_path / "secrets.toml").write_text(place.secrets_text())
    (tmp_path / "site.toml").write_text(place.site_text(database="line.db", secrets="secrets.toml"))
    found = {
        one.path.name: one for one in house_paths.of_site(None, sites.load(tmp_path / "site.toml"), now_ns=0)
    }
    assert {name for name, one in found.items() if one.limits} == {
        "studio 2 by B",
        "office by A",
        "office by B",
    }
    assert found["studio 2 by B"].weakest.best_bps / 1e6 == pytest.approx(941.5, abs=0.1)
    assert found["studio 2 by B"].needed_bps == pytest.approx(1331.9e6, rel=1e-4)
    assert found["office by B"].cures[0].startswith("Find out category and length of switch to office")
