"""Shares of a stated rate as payload, by the sums of RFC 6349 section 4.1.1 and RFC 8468 section 5."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.layers import Layer, tcp_framing
from store.pace import FLOW_BPS_MIN, FULL, Pace, each_way, share_of, too_little
from store.records import Direction
from store.site import Card

# Full packets of 1500 bytes, TCP with timestamps: payload is 1500 - 40 - 20 - 12 = 1428 over IPv6 and
# 1500 - 20 - 20 - 12 = 1448 over IPv4; layer 2 adds 18, layer 1 another 20.
MOST = {  # layer of the card: the payload of 10 % of 600 Mb/s there, over IPv6
    Layer.PAYLOAD: 60_000_000,
    Layer.IP: 60_000_000 * 1428 / 1500,
    Layer.ETHERNET: 60_000_000 * 1428 / 1518,
    Layer.WIRE: 60_000_000 * 1428 / 1538,
    Layer.NOT_STATED: 60_000_000 * 1428 / 1538,
}


@pytest.mark.parametrize("layer", Layer)
def test_a_share_as_payload(layer: Layer) -> None:
    card = Card(rate_up_bps=600_000_000, rate_down_bps=1_200_000_000, layer=layer)
    found = share_of(card, 0.1, Direction.BOTH)
    assert found.up_bps == pytest.approx(MOST[layer], abs=1)
    assert found.down_bps == pytest.approx(2 * MOST[layer], abs=1)


@given(
    st.integers(1_000_000, 10**11),
    st.floats(0.01, 0.99),
    st.sampled_from([layer for layer in Layer if layer is not Layer.NOT_STATED]),
    st.sampled_from([(1448, 4), (1428, 6)]),
)
def test_a_share_is_never_exceeded(
    rate_bps: int, ratio: float, layer: Layer, packet: tuple[int, int]
) -> None:
    """Counted at the card's layer, an ordinary line carries no more than the share; 1.5 % less at most."""
    pace = share_of(Card(rate_up_bps=rate_bps, layer=layer), ratio, Direction.UP)
    assert pace.up_bps is not None
    mss_bytes, ip_version = packet
    framing = tcp_framing(payload_bytes=mss_bytes, ip_version=ip_version, timestamps=True)
    carried_bps = framing.rates(pace.up_bps).at(layer)
    assert 0.985 * rate_bps * ratio <= carried_bps <= rate_bps * ratio + 2


@pytest.mark.parametrize(
    ("direction", "held"),
    [
        (Direction.UP, Pace(up_bps=9)),
        (Direction.DOWN, Pace(down_bps=9)),
        (Direction.BOTH, Pace(up_bps=9, down_bps=9)),
    ],
)
def test_only_what_is_asked_is_held(direction: Direction, held: Pace) -> None:
    card = Card(rate_up_bps=90, rate_down_bps=90, layer=Layer.PAYLOAD)
    assert each_way(direction, 9) == share_of(card, 0.1, direction) == held
    assert held


def test_the_whole_rate_holds_nothing_back() -> None:
    """Whatever the card states."""
    assert share_of(Card(), 1.0, Direction.BOTH) == each_way(Direction.UP, None) == FULL
    assert not FULL


@pytest.mark.parametrize(
    ("direction", "key"),
    [(Direction.UP, "rate_up"), (Direction.BOTH, "rate_up"), (Direction.DOWN, "rate_down")],
)
def test_there_is_no_share_of_what_is_not_stated(direction: Direction, key: str) -> None:
    with pytest.raises(KeyError, match=key):
        share_of(Card(), 0.1, direction)


def test_too_little_for_so_many_flows() -> None:
    least = FLOW_BPS_MIN * 4
    assert too_little(Pace(up_bps=least, down_bps=least), flows=4) is None
    assert "down are too little to hold 4 flows to; expected 200 kb/s or more, or fewer flows" in str(
        too_little(Pace(up_bps=least, down_bps=least - 1), flows=4)
    )
    assert str(too_little(Pace(up_bps=1), flows=1)).endswith("one flow to; expected 50 kb/s or more")
