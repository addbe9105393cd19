"""What a contract card's rate means at other layers, in words; and what the card leaves open.

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


def unmeetable(card: Card) -> tuple[str, ...]:
    """What the card promises and its own port cannot carry, one sentence each; empty when nothing is.

    With 1500-byte packets, as internet lines have; a port carries less of every layer above the wire.
    """
    found = (_beyond_port(card, direction) for direction in (Direction.UP, Direction.DOWN))
    return tuple(sentence for sentence in found if sentence)


def _beyond_port(card: Card, direction: Direction) -> str | None:
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


def open_questions(card: Card) -> tuple[str, ...]:
    """What the card leaves open, each as a sentence to put to the provider; then what it cannot keep."""
    asked = [question for field, question in _QUESTIONS if getattr(card, field) is None]
    if card.layer is Layer.NOT_STATED:
        known = Direction.UP if card.rate_up_bps is not None else Direction.DOWN
        asked.insert(0, layer_question(card, known))
    return (*asked, *unmeetable(card))


def _bytes_of(framing: Framing) -> dict[Layer, int]:
    return {
        Layer.PAYLOAD: framing.payload_bytes,
        Layer.IP: framing.ip_packet_bytes,
        Layer.ETHERNET: framing.ethernet_frame_bytes,
        Layer.WIRE: framing.wire_frame_bytes,
    }


_QUESTIONS = (  # field of a card, what to ask when it is None
    ("rate_up_bps", "Which upload rate is committed, and is it held while the download runs at its own?"),
    ("rate_down_bps", "Which download rate is committed, and is it held while the upload runs at its own?"),
    (
        "port_rate_bps",
        "At which rate and duplex does the handoff's port run, and is it forced or negotiated?",
    ),
    ("mtu_bytes", "How long may an IP packet be that the circuit carries whole, in IPv4 and in IPv6?"),
    ("rtt_p95_us", "Which round-trip delay is promised, to where, over which interval and percentile?"),
    (
        "pdv_p99_us",
        "Which delay variation is promised, and is it delay over the minimum or packet to packet?",
    ),
    ("loss_ratio", "Which packet loss is promised, to where, and over which interval?"),
    ("availability_ratio", "Which availability is promised, per handoff or in all, and over which period?"),
    ("availability_rule", "What counts as an outage, when does its clock start, and what is left out?"),
    ("fee_per_month", "What is the monthly fee of this handoff, which service credits are computed from?"),
    ("service_start", "On which date does the service start?"),
    ("term_end", "On which date does the term end, and does it renew by itself?"),
    (
        "maintenance_cap_s",
        "How long may the provider's planned works take a month, how long before are they announced, and "
        "does what goes beyond count as an outage?",
    ),
    ("notice", "How long is the notice, and in which form must it be given?"),
)
