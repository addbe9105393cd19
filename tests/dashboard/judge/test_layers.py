"""Conversions as sentences."""

from __future__ import annotations

import pytest

from dashboard.judge import layers
from store.layers import Layer, tcp_framing
from store.records import Direction
from store.site import Card
from tests.dashboard.judge.made import side


@pytest.mark.parametrize(
    ("bps", "text"),
    [
        (4_846_657, "4.85 Mb/s"),
        (15_000_000, "15.0 Mb/s"),
        (9_996_000, "10.0 Mb/s"),
        (572_300_000, "572 Mb/s"),
        (99_960_000, "100 Mb/s"),
        (999_600_000, "1.00 Gb/s"),
        (1_400_000_000, "1.40 Gb/s"),
        (128_000, "0.13 Mb/s"),
    ],
)
def test_rates(bps: int, text: str) -> None:
    """Three significant digits, and two decimals where there are fewer."""
    assert layers.rate_text(bps) == text


def test_conversion_written_out() -> None:
    """1448 bytes of payload in a frame of 1518 (RFC 6349 4.1.1, RFC 7323): 15.0 x 0.9539 = 14.3."""
    text = layers.conversion(15_000_000, Layer.ETHERNET, layers.packet_bytes(None))
    assert text == "15.0 Mb/s at layer 2 = 14.3 Mb/s of TCP payload (x 1448/1518)"


def test_conversion_of_an_unstated_layer_names_each() -> None:
    """2 Gb/s shows 1908 Mb/s of payload read at layer 2, 1883 at layer 1, 1931 at layer 3."""
    text = layers.conversion(2_000_000_000, Layer.NOT_STATED, layers.packet_bytes(None))
    for figure in ("1.93 Gb/s", "1.91 Gb/s", "1.88 Gb/s", "1448/1500", "1448/1518", "1448/1538"):
        assert figure in text


@pytest.mark.parametrize(
    ("layer", "payload_bps"), [(Layer.ETHERNET, 1908e6), (Layer.WIRE, 1883e6), (Layer.IP, 1931e6)]
)
def test_two_gigabits_at_each_layer(layer: Layer, payload_bps: float) -> None:
    """The three readings of 2 Gb/s, in Mb/s of TCP payload."""
    rates = layers.at_layers(2_000_000_000, layer, layers.packet_bytes(None))
    assert rates.goodput_bps == pytest.approx(payload_bps, abs=0.6e6)


@pytest.mark.parametrize(
    ("ip_version", "tags", "payload_bps"), [(4, 0, 572.3e6), (4, 1, 570.8e6), (6, 0, 564.4e6)]
)
def test_packets_are_those_of_the_run(ip_version: int, tags: int, payload_bps: float) -> None:
    """600 Mb/s at layer 2: 1448/1518, one tag 1448/1522, IPv6 1428/1518, read from the run's own rates."""
    payload = 1448 if ip_version == 4 else 1428
    framing = tcp_framing(payload_bytes=payload, ip_version=ip_version, timestamps=True, tags=tags)
    packet = layers.packet_bytes(side(0, rates=framing.rates(570_123_457), mss_bytes=payload))
    assert packet[Layer.ETHERNET] == framing.ethernet_frame_bytes
    found = layers.at_layers(600_000_000, Layer.ETHERNET, packet)
    assert found.goodput_bps == pytest.approx(payload_bps, abs=0.1e6)


def test_the_layer_question_names_the_rate() -> None:
    """It can be sent as it stands."""
    question = layers.layer_question(Card(rate_up_bps=18_000_000), Direction.UP)
    assert "the upload rate of 18.0 Mb/s" in question
