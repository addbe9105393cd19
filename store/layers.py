"""Layer arithmetic: one received payload rate, seen at every layer that a contract may count.

Pure integers. Source of the overheads: RFC 6349 section 4.1.1 (Ethernet addresses, type and
FCS 18 bytes; preamble, start delimiter and gap 20 more; IPv4 20, TCP 20), RFC 8468 section 5
(IPv6 40), RFC 768 (UDP 8), RFC 7323 appendix A (timestamps option 12 bytes with padding),
RFC 2516 section 7 (PPPoE and PPP id 8), IEEE 802.1Q (tag 4 bytes, from memory). Imports nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

ETHERNET_BYTES = 18  # two addresses, type, FCS
WIRE_BYTES = 20  # preamble 7, start delimiter 1, gap 12
TAG_BYTES = 4
PPPOE_BYTES = 8  # PPPoE header 6, PPP protocol id 2
IP_BYTES = {4: 20, 6: 40}
TCP_BYTES = 20
UDP_BYTES = 8
TCP_TIMESTAMPS_BYTES = 12  # ten bytes and two of padding


class Layer(StrEnum):
    """Where a rate is counted. A contract that does not say is `NOT_STATED`, never guessed."""

    PAYLOAD = "payload"
    IP = "ip"
    ETHERNET = "ethernet"  # layer 2: addresses to FCS
    WIRE = "wire"  # layer 1: with preamble and gap
    NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerRates:
    """One rate in bit/s at four layers."""

    goodput_bps: int
    ip_bps: int
    ethernet_bps: int
    wire_bps: int

    def at(self, layer: Layer) -> int:
        """The rate counted at `layer`. Raises ValueError for NOT_STATED: nothing can be said there."""
        match layer:
            case Layer.PAYLOAD:
                return self.goodput_bps
            case Layer.IP:
                return self.ip_bps
            case Layer.ETHERNET:
                return self.ethernet_bps
            case Layer.WIRE:
                return self.wire_bps
            case Layer.NOT_STATED:
                raise ValueError("no layer is stated, so no single rate answers")


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """How payload travels: full segments of one size under known headers.

    `payload_bytes` is what one full packet carries for the application (the real MSS of a
    connection, options taken out); `transport_bytes` the TCP or UDP header with its options. `tags`
    and `pppoe` are what stands between Ethernet and IP on the segment whose rate is asked.
    """

    payload_bytes: int
    transport_bytes: int
    ip_version: int
    tags: int = 0
    pppoe: bool = False

    @property
    def ip_packet_bytes(self) -> int:
        return self.payload_bytes + self.transport_bytes + IP_BYTES[self.ip_version]

    @property
    def ethernet_frame_bytes(self) -> int:
        between_bytes = TAG_BYTES * self.tags + (PPPOE_BYTES if self.pppoe else 0)
        return self.ip_packet_bytes + between_bytes + ETHERNET_BYTES

    @property
    def wire_frame_bytes(self) -> int:
        return self.ethernet_frame_bytes + WIRE_BYTES

    def rates(self, goodput_bps: int) -> LayerRates:
        """The same traffic at every layer, each rounded to the nearest bit/s."""

        def scaled(packet_bytes: int) -> int:
            return (goodput_bps * packet_bytes * 2 + self.payload_bytes) // (2 * self.payload_bytes)

        return LayerRates(
            goodput_bps=goodput_bps,
            ip_bps=scaled(self.ip_packet_bytes),
            ethernet_bps=scaled(self.ethernet_frame_bytes),
            wire_bps=scaled(self.wire_frame_bytes),
        )


@cache
def tcp_framing(*, payload_bytes: int, ip_version: int, timestamps: bool, tags: int = 0) -> Framing:
    """Framing of a TCP connection whose full segments carry `payload_bytes`."""
    options_bytes = TCP_TIMESTAMPS_BYTES if timestamps else 0
    return Framing(
        payload_bytes=payload_bytes,
        transport_bytes=TCP_BYTES + options_bytes,
        ip_version=ip_version,
        tags=tags,
    )


def udp_framing(*, payload_bytes: int, ip_version: int, tags: int = 0) -> Framing:
    """Framing of UDP datagrams that carry `payload_bytes` each."""
    return Framing(payload_bytes=payload_bytes, transport_bytes=UDP_BYTES, ip_version=ip_version, tags=tags)
