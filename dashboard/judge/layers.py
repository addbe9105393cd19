"""What a contract card's rate means at other layers, in words; and what its port cannot carry of it.

Figures come from store.layers; here they become sentences that can be put to a provider.
"""

from __future__ import annotations

from store.layers import Framing, Layer, LayerRates, tcp_framing
from store.records import Direction, RateSide
from store.site import Card

LAYER_WORDS = {
    Layer.PAYLOAD: "of TCP payload",
    Layer.IP: "at the IP layer",
    Layer.ETHERNET: "at layer 2",
    Layer.WIRE: "at layer 1",
    Layer.NOT_STATED: "(layer not stated)",
}
DIRECTION_WORDS = {Direction.UP: "upload", Direction.DOWN: "download", Direction.BOTH: "both directions"}

# 1500-byte packets with IPv4 and TCP timestamps, what a connection has that nothing makes smaller
USUAL = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)

_STATED = (Layer.PAYLOAD, Layer.IP, Layer.ETHERNET, Layer.WIRE)


def rate_text(bps: float) -> str:
    """A rate as a reader wants it: three significant digits, ``4.85 Mb/s``, ``15.0 Mb/s``, ``1.40 Gb/s``."""
    value, unit = (bps / 1e9, "Gb/s") if bps >= 999.5e6 else (bps / 1e6, "Mb/s")
    if value >= 99.95:
        return f"{value:.0f} {unit}"
    return f"{value:.1f} {unit}" if value >= 9.995 else f"{value:.2f} {unit}"


def packet_bytes(side: RateSide | None) -> dict[Layer, int]:
    """How many bytes one full packet counts at each layer, as the run counted it; the usual ones for None."""
    if side is None or not side.rates.goodput_bps:
        return _bytes_of(USUAL)
    return {layer: round(side.mss_bytes * side.rates.at(layer) / side.rates.goodput_bps) for layer in _STATED}


def at_layers(bps: int, layer: Layer, packet: dict[Layer, int]) -> LayerRates:
    """A rate stated at `layer` seen at all four, for packets of these sizes. ValueError for NOT_STATED."""
    if layer is Layer.NOT_STATED:
        raise ValueError("no layer is stated, so the rate has no other form")
    found = {other: round(bps * packet[other] / packet[layer]) for other in _STATED}
    return LayerRates(
        goodput_bps=found[Layer.PAYLOAD],
        ip_bps=found[Layer.IP],
        ethernet_bps=found[Layer.ETHERNET],
        wire_bps=found[Layer.WIRE],
    )


def conversion(bps: int, layer: Layer, packet: dict[Layer, int]) -> str:
    """The conversion written out: ``15.0 Mb/s at layer 2 = 14.3 Mb/s of TCP payload (x 1448/1518)``."""
    if layer is Layer.PAYLOAD:
        return f"{rate_text(bps)} of TCP payload, as stated"
    if layer is Layer.NOT_STATED:
        readings = [
            f"{rate_text(at_layers(bps, other, packet).goodput_bps)} if it counts {LAYER_WORDS[other]} "
            f"(x {packet[Layer.PAYLOAD]}/{packet[other]})"
            for other in (Layer.IP, Layer.ETHERNET, Layer.WIRE)
        ]
        return (
            f"{rate_text(bps)} is {rate_text(bps)} of TCP payload if it counts payload, {', '.join(readings)}"
        )
    payload = at_layers(bps, layer, packet).goodput_bps
    return (
        f"{rate_text(bps)} {LAYER_WORDS[layer]} = {rate_text(payload)} of TCP payload "
        f"(x {packet[Layer.PAYLOAD]}/{packet[layer]})"
    )


def layer_question(card: Card, direction: Direction) -> str:
    """The sentence that asks a provider at which layer the stated rate counts."""
    bps = card.rate_bps(direction)
    rate = f"the {DIRECTION_WORDS[direction]} rate of {rate_text(bps)}" if bps else "the rate"
    return (
        f"At which layer does {rate} count: TCP payload, IP packets, Ethernet frames from addresses to FCS "
        f"(layer 2), or the wire with preamble and gap (layer 1)?"
    )


def beyond_port(card: Card, direction: Direction) -> str | None:
    """What the card promises and its own port cannot carry; None where it can, or nothing is stated.

    With 1500-byte packets, as internet lines have; a port carries less of every layer above the wire.
    """
    port, bps = card.port_rate_bps, card.rate_bps(direction)
    if port is None or bps is None:
        return None
    most = at_layers(port, Layer.WIRE, _bytes_of(USUAL))
    counted = card.layer if card.layer is not Layer.NOT_STATED else Layer.ETHERNET
    if bps <= most.at(counted):
        return None
    if card.layer is Layer.NOT_STATED and bps <= port:
        cannot = "can only be met if it counts at layer 1"
    else:
        cannot = f"{LAYER_WORDS[card.layer]} cannot be met"
    return (
        f"The {DIRECTION_WORDS[direction]} rate of {rate_text(bps)} {cannot}: with 1500-byte packets a port "
        f"of {rate_text(port)} carries at most {most.at(counted) / 1e6:.1f} Mb/s {LAYER_WORDS[counted]} and "
        f"{most.goodput_bps / 1e6:.1f} Mb/s of TCP payload; agree the wording."
    )


def _bytes_of(framing: Framing) -> dict[Layer, int]:
    return {
        Layer.PAYLOAD: framing.payload_bytes,
        Layer.IP: framing.ip_packet_bytes,
        Layer.ETHERNET: framing.ethernet_frame_bytes,
        Layer.WIRE: framing.wire_frame_bytes,
    }
