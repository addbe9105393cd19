"""What a card leaves open, what is vague in it, and what its own port cannot carry."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date

import pytest

from dashboard.judge import card_check
from dashboard.judge.card_check import Trouble
from store.calendar_span import CalendarSpan
from store.card import Card, Commitment, Limiter
from store.card_reader import CONTRACT_KEYS
from store.layers import Layer
from store.site import Handoff

WHOLE = Card(
    provider="Greyfell Circuits",
    reference="GC-40417",
    rate_up_bps=600_000_000,
    rate_down_bps=600_000_000,
    layer=Layer.ETHERNET,
    commitment=Commitment.COMMITTED,
    both_at_once=True,
    excess_bps=0,
    burst_up_bytes=2_000_000,
    burst_down_bytes=2_000_000,
    limiter_up=Limiter.POLICER,
    limiter_down=Limiter.SHAPER,
    medium="copper",
    connector="RJ45",
    port_rate_bps=1_000_000_000,
    auto_negotiation=True,
    at_once_with=("B",),
    total_bps=2_000_000_000,
    shared_device=("B",),
    shared_uplink=("B",),
    shared_power=(),
    shared_fibre=("B",),
    mtu_bytes=1500,
    frame_bytes=1518,
    vlan_tags=(),
    addresses=("198.51.100.40/29",),
    routing="static",
    reverse_dns="the provider's",
    rtt_p95_us=9000,
    pdv_p99_us=3000,
    loss_ratio=0.0005,
    measured_to="ref.greyfell.example.net",
    availability_ratio=0.9993,
    availability_rule="10 s with loss above 50 %",
    maintenance_cap_s=4 * 3600,
    repair_s=5 * 3600,
    fee_per_month="210",
    service_start=date(2026, 6, 22),
    term=CalendarSpan(months=48),
    renewal=CalendarSpan(months=12),
    index_from_month=25,
    index_most_ratio=0.03,
    notice="4 months",
    handover=date(2026, 6, 16),
    deemed_working_days=10,
    acceptable_use="any hour",
    cable_owner="the provider",
    escalation="support desk",
    upgrade_price="90",
    move_price="800",
)
MATE = replace(
    WHOLE,
    rate_up_bps=1_400_000_000,
    rate_down_bps=1_400_000_000,
    port_rate_bps=10_000_000_000,
    at_once_with=("A",),
    shared_device=("A",),
    shared_uplink=("A",),
    shared_fibre=("A",),
)


def handoff(name: str, card: Card) -> Handoff:
    return Handoff(
        name=name, title=name, interface=None, source=None, metered=False, allowance_bytes=None, card=card
    )


def warned(card: Card) -> list[tuple[str, ...]]:
    return [one.keys for one in card_check.warnings(card)]


@pytest.mark.parametrize(
    ("rate_bps", "layer", "port_bps", "says"),
    [
        (1_000_000_000, Layer.ETHERNET, 1_000_000_000, "at most 987.0 Mb/s at layer 2"),
        (1_000_000_000, Layer.IP, 1_000_000_000, "at most 975.3 Mb/s at the IP layer"),
        (950_000_000, Layer.PAYLOAD, 1_000_000_000, "941.5 Mb/s of TCP payload"),
        (1_000_000_000, Layer.NOT_STATED, 1_000_000_000, "can only be met if it counts at layer 1"),
        (1_000_000_000, Layer.WIRE, 1_000_000_000, None),
        (600_000_000, Layer.ETHERNET, 1_000_000_000, None),
        (1_100_000_000, Layer.WIRE, 1_000_000_000, "cannot be met"),
        (1_100_000_000, Layer.NOT_STATED, 1_000_000_000, "cannot be met"),
        (1_000_000_000, Layer.ETHERNET, None, None),
    ],
)
def test_unmeetable(rate_bps: int, layer: Layer, port_bps: int | None, says: str | None) -> None:
    """A 1 Gb/s port carries 987.0 at layer 2, 975.3 at layer 3, 941.5 of TCP payload (RFC 6349 4.1.1)."""
    found = [
        one
        for one in card_check.warnings(Card(rate_up_bps=rate_bps, layer=layer, port_rate_bps=port_bps))
        if one.trouble is Trouble.UNMEETABLE
    ]
    assert len(found) == (says is not None)
    assert all(says in one.because and one.question.endswith(("?", ".")) for one in found if says)


def test_every_key_has_its_question() -> None:
    """One question for each answer that a contract should give (but its tolerance), the layer first."""
    found = card_check.questions(Card())
    assert len(found) == len(set(found)) == len([key for key in CONTRACT_KEYS if key != "reach"])
    assert "layer" in found[0]
    assert all(question.endswith("?") for question in found)


def test_a_whole_card_leaves_nothing_open() -> None:
    """What is stated is not asked again, and a term's end may follow from its start and length."""
    assert card_check.questions(WHOLE) == ()
    assert card_check.warnings(WHOLE) == ()


@pytest.mark.parametrize(
    ("card", "keys"),
    [
        (replace(WHOLE, layer=Layer.NOT_STATED), ("layer",)),
        (replace(WHOLE, commitment=Commitment.UP_TO), ("commitment",)),
        (replace(WHOLE, both_at_once=None), ("both_at_once",)),
        (replace(WHOLE, excess_bps=None), ("excess",)),
        (replace(WHOLE, measured_to=None), ("measured_to",)),
        (replace(WHOLE, availability_rule=None), ("availability_rule",)),
        (replace(WHOLE, renewal=None), ("renewal",)),
        (replace(WHOLE, notice="in time"), ("notice",)),
        (replace(WHOLE, handover=None), ("handover",)),
        (replace(WHOLE, term_end=date(2030, 6, 22)), ("term", "term_end")),
        (replace(WHOLE, vlan_tags=(830,)), ("mtu", "frame", "tags")),
    ],
)
def test_one_thing_wrong_is_one_warning(card: Card, keys: tuple[str, ...]) -> None:
    """Each with a question that can be sent as it stands."""
    assert warned(card) == [keys]
    (found,) = card_check.warnings(card)
    assert found.question.endswith("?")


def test_the_band_of_an_unstated_layer() -> None:
    """2 Gb/s may be 1883 (layer 1) to 2000 Mb/s of payload: 2000 x 1448/1538 (RFC 6349 4.1.1, RFC 7323)."""
    (found,) = card_check.warnings(replace(MATE, rate_up_bps=2_000_000_000, layer=Layer.NOT_STATED))
    assert "from 1883.0 to 2000.0 Mb/s" in found.because


def test_cards_side_by_side() -> None:
    """A and B at once are 2.0 Gb/s, as stated; with A at 800 Mb/s they are 2.2, which the total is not."""
    agree = card_check.warnings_together((handoff("A", WHOLE), handoff("B", MATE)), now_unix_ns=0)
    assert agree == {"A": (), "B": ()}
    faster = replace(WHOLE, rate_up_bps=800_000_000)
    found = card_check.warnings_together((handoff("A", faster), handoff("B", MATE)), now_unix_ns=0)
    assert [[one.trouble for one in each] for each in found.values()] == [[Trouble.UNMEETABLE]] * 2
    assert "A and B at once are 2.20 Gb/s up; the stated total is 2.00 Gb/s" in found["A"][0].because


def test_a_version_to_come_is_looked_at_too() -> None:
    """With its date; what it shares with the one in force is said once, and what is over not at all."""
    now_ns = 1_800_000_000 * 10**9  # 15 January 2027
    late = 1_803_897_000 * 10**9  # 1 March 2027
    vague = replace(WHOLE, measured_to=None)
    ahead = replace(vague, from_unix_ns=late, rate_up_bps=1_000_000_000, total_bps=None)
    to_come = replace(handoff("A", ahead), earlier=(vague,))
    found = card_check.warnings_of(to_come, now_unix_ns=now_ns, where=UTC)
    assert [one.keys for one in found] == [("measured_to",), ("rate_up", "layer", "port_rate")]
    assert found[1].because.startswith("From 01 Mar 2027 on: The upload rate of 1.00 Gb/s at layer 2 cannot")
    over = replace(handoff("A", replace(WHOLE, from_unix_ns=now_ns - 1)), earlier=(vague,))
    assert card_check.warnings_of(over, now_unix_ns=now_ns, where=UTC) == ()


def test_how_fast_another_uplink_takes_over_is_asked() -> None:
    """Only of the one that it takes over from, and only until somebody says it."""
    main, backup = handoff("A", WHOLE), replace(handoff("B", MATE), failover_only=True)
    (found,) = card_check.warnings_together((main, backup), now_unix_ns=0)["A"]
    assert (found.keys, found.question[:21]) == (("failover_within",), "Within how many secon")
    assert "row A17" in found.because
    said = card_check.warnings_together((replace(main, failover_within_s=30), backup), now_unix_ns=0)
    assert said == {"A": (), "B": ()}


def test_cards_that_contradict_each_other() -> None:
    """What one says is shared and the other denies; of another contract nothing is compared."""
    denies = replace(MATE, shared_fibre=())
    found = card_check.warnings_together((handoff("A", WHOLE), handoff("B", denies)), now_unix_ns=0)
    assert [one.keys for one in found["A"]] == [("shared_fibre",)]
    assert found["B"] == ()
    other = replace(denies, reference="another")
    assert card_check.warnings_together((handoff("A", WHOLE), handoff("B", other)), now_unix_ns=0)["A"] == ()
